//! Repeated readings and their comparison.

use motestick::stats::{Spread, pooled_std_dev, summary, technical_error};

use super::{close, column, rows};

/// √(Σν s²/Σν) of 1.2, 1.0, 1.4 with ν 4, 4, 9: 1.26955 with ν 17 (computed in closed form).
#[test]
fn pooled_standard_deviation() {
    let parts = [(1.2, 4.0), (1.0, 4.0), (1.4, 9.0)].map(|(std_dev, dof)| Spread { std_dev, dof });
    let pooled = pooled_std_dev(&parts).unwrap();
    close("pooled s", pooled.std_dev, 1.269_55, 5e-6);
    assert_eq!(pooled.dof, 17.0);
}

/// Bland and Altman, Lancet 1986, Table I: repeats of two flow meters. TEM = √(Σd²/2n): 15.30667 and 19.91083 l/min
/// (3.4176 and 4.3865 %); printed repeatability 43.2 and 56.4 from rounded standard deviations, twice 21.6 and 28.2.
#[test]
fn technical_error_of_two_flow_meters() {
    let data = rows(include_str!("../../data/reference/bland_altman_pefr.csv"));
    for (first, tem, percent, printed) in [(1, 15.306_67, 3.4176, 43.2), (3, 19.910_83, 4.3865, 56.4)] {
        let pairs: Vec<[f64; 2]> = data.iter().map(|row| [row[first], row[first + 1]]).collect();
        let slices: Vec<&[f64]> = pairs.iter().map(<[f64; 2]>::as_slice).collect();
        let t = technical_error(&slices).unwrap();
        close("TEM", t.tem, tem, 5e-6);
        close("TEM / %", t.percent, percent, 5e-5);
        assert_eq!(t.dof, 17.0);
        // Their coefficient has 2 in the place of 1.96.
        close("repeatability", t.repeatability * 2.0 / 1.959_964, printed, 0.15);
        assert!(t.reliability.is_some_and(|r| r > 0.95 && r < 1.0));
    }
    // Mean difference of the first readings −2.1, standard deviation 38.8 l/min, as printed.
    let differences: Vec<f64> = column(&data, 1).iter().zip(column(&data, 3)).map(|(a, b)| a - b).collect();
    let s = summary(&differences).unwrap();
    close("mean difference", s.mean, -2.1, 0.05);
    close("its standard deviation", s.std_dev, 38.8, 0.05);
}
