//! NIST Statistical Reference Datasets: certified values as in the headers of the NIST files.

use motestick::stats::{Matrix, WeightsAre, fit_line, least_squares, summary};

use super::{close_relative, column, rows};

/// NumAcc3 and NumAcc4: a first value, then two values alternating, 1001 in all.
fn alternating(base: f64) -> Vec<f64> {
    std::iter::once(base + 0.2).chain((0..1000).map(|i| base + if i % 2 == 0 { 0.1 } else { 0.3 })).collect()
}

#[test]
fn numerical_accuracy_of_mean_and_standard_deviation() {
    let one = summary(&[10_000_001.0, 10_000_003.0, 10_000_002.0]).unwrap();
    assert_eq!((one.mean, one.std_dev), (10_000_002.0, 1.0));
    let three = summary(&alternating(1_000_000.0)).unwrap();
    close_relative("NumAcc3 mean", three.mean, 1_000_000.2, 1e-15);
    close_relative("NumAcc3 s", three.std_dev, 0.1, 1e-9);
    let four = summary(&alternating(10_000_000.0)).unwrap();
    close_relative("NumAcc4 mean", four.mean, 10_000_000.2, 1e-15);
    // Rounding of the data to doubles already limits this one to about 1e-8.
    close_relative("NumAcc4 s", four.std_dev, 0.1, 1e-8);
}

#[test]
fn michelson() {
    let data = column(&rows(include_str!("../../data/reference/michelson.csv")), 0);
    let s = summary(&data).unwrap();
    assert_eq!(s.n, 100);
    close_relative("mean", s.mean, 299.852_4, 1e-15);
    close_relative("s", s.std_dev, 0.079_010_547_819_051_8, 1e-13);
}

#[test]
fn norris() {
    let data = rows(include_str!("../../data/reference/norris.csv"));
    let line = fit_line(&column(&data, 1), &column(&data, 0), None).unwrap();
    let relative = WeightsAre::Relative;
    close_relative("B0", line.intercept, -0.262_323_073_774_029, 1e-11);
    close_relative("B1", line.slope, 1.002_116_818_020_45, 1e-13);
    close_relative("sd of B0", line.std_dev_at(0.0, relative).unwrap(), 0.232_818_234_301_152, 1e-11);
    close_relative("sd of B1", line.slope_std_dev(relative).unwrap(), 0.429_796_848_199_937e-3, 1e-11);
    close_relative("residual sd", line.residual_std_dev().unwrap(), 0.884_796_396_144_373, 1e-11);
    assert_eq!(line.dof, 34);
    // The general solver on the same data.
    let design = Matrix::from_rows(36, 2, data.iter().flat_map(|row| [1.0, row[1]]).collect()).unwrap();
    let fit = least_squares(&design, &column(&data, 0), None).unwrap();
    close_relative("B0, general", fit.parameters[0], -0.262_323_073_774_029, 1e-11);
    close_relative("B1, general", fit.parameters[1], 1.002_116_818_020_45, 1e-13);
    close_relative("SS, general", fit.weighted_squares, 26.617_398_529_422_4, 1e-11);
}

#[test]
fn longley() {
    let data = rows(include_str!("../../data/reference/longley.csv"));
    let entries = data.iter().flat_map(|row| std::iter::once(1.0).chain(row[1..].iter().copied())).collect();
    let fit = least_squares(&Matrix::from_rows(16, 7, entries).unwrap(), &column(&data, 0), None).unwrap();
    let certified = [
        (-3_482_258.634_595_82, 890_420.383_607_373),
        (15.061_872_271_373_3, 84.914_925_774_766_9),
        (-0.035_819_179_292_591, 0.033_491_007_772_243_2),
        (-2.020_229_803_816_83, 0.488_399_681_651_699),
        (-1.033_226_867_173_59, 0.214_274_163_161_675),
        (-0.051_104_105_653_580_7, 0.226_073_200_069_37),
        (1_829.151_464_613_55, 455.478_499_142_212),
    ];
    let sd = fit.std_devs(WeightsAre::Relative).unwrap();
    for (i, (b, u)) in certified.into_iter().enumerate() {
        close_relative(&format!("B{i}"), fit.parameters[i], b, 1e-9);
        close_relative(&format!("sd of B{i}"), sd[i], u, 1e-8);
    }
    close_relative("residual sd", fit.variance_factor().unwrap().sqrt(), 304.854_073_561_965, 1e-10);
}
