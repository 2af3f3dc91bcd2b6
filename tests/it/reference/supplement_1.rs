//! JCGM 101:2008: the examples of clause 9.

use motestick::stats::student_t_quantile;
use motestick::uncertainty::{
    Distribution, Evaluation, Input, Inputs, Method, Options, Output, Reason, Trials, Warning, evaluate,
};

use super::{close, close_relative};

fn fixed(trials: usize, coverage: f64) -> Options {
    Options { trials: Trials::Fixed(trials), coverage, ..Options::default() }
}

fn sum_of(inputs: &[Distribution]) -> Evaluation {
    let mut all = Inputs::new();
    for (i, d) in inputs.iter().enumerate() {
        let name = format!("X{}", i + 1);
        all.push(Input::new(&name, &name, 0.0, *d).unwrap());
    }
    evaluate(&all, &["Y"], |x: &[f64], y: &mut [f64]| y[0] = x.iter().sum(), &fixed(500_000, 0.95)).unwrap()
}

fn simulated_half_width(output: &Output) -> f64 {
    output.simulated.expect("trials").symmetric.half_width()
}

/// 9.2.2, Table 2: four N(0, 1), u = 2.00, ± 3.92 (exact 3.919928).
#[test]
fn four_normals() {
    let evaluation = sum_of(&[Distribution::Normal { sd: 1.0 }; 4]);
    let y = &evaluation.outputs[0];
    assert_eq!(y.method, Method::FirstOrder, "{}", y.reason);
    close("u", y.u, 2.0, 1e-12);
    close("half-width", y.expanded(), 3.919_928, 1e-6);
    close("simulated", simulated_half_width(y), 3.919_928, 0.02);
}

/// 9.2.3, Table 3: four rectangular of standard deviation 1: Monte Carlo ± 3.88, first order ± 3.92; exact
/// 2√3 (2 − (3/5)^¼) = 3.879407.
#[test]
fn four_rectangles() {
    let evaluation = sum_of(&[Distribution::Rectangular { half_width: 3.0_f64.sqrt() }; 4]);
    let y = &evaluation.outputs[0];
    close("first order", y.first_order.high, 3.919_928, 1e-6);
    close("simulated", simulated_half_width(y), 3.879_407, 0.015);
    close_relative("simulated u", y.simulated.expect("trials").u, 2.0, 0.003);
}

/// 9.2.4, Table 4: rectangular with standard deviations 1, 1, 1, 10: u 10.1 (10.14889), Monte Carlo ± 17.0 (17.01581), first order ± 19.9.
#[test]
fn one_rectangle_dominates() {
    let s = 3.0_f64.sqrt();
    let evaluation = sum_of(&[1.0, 1.0, 1.0, 10.0].map(|sd| Distribution::Rectangular { half_width: sd * s }));
    let y = &evaluation.outputs[0];
    assert_eq!(y.method, Method::MonteCarlo);
    assert!(matches!(y.reason, Reason::Disagree { .. }));
    close_relative("u", y.u, 10.148_89, 0.003);
    close("first order", y.first_order.high, 19.9, 0.05);
    close("simulated", y.expanded(), 17.015_81, 0.08);
    close("k", y.k, 17.015_81 / 10.148_89, 0.01);
    assert_eq!(y.budget[0].source, "X4");
    close("share of X4", y.budget[0].share, 100.0 / 103.0, 0.01);
    close("shares", y.budget.iter().map(|l| l.share).sum(), 1.0, 1e-12);
}

/// 9.3, mass calibration: first order u 0.0539 mg is wrong, Monte Carlo 1.2341, 0.0754, [1.0834, 1.3825] (4·10⁶ trials:
/// 1.23398, 0.07548, [1.0841, 1.3831]; the minimum is flat, so 0.003 on the ends and 0.0005 on the width).
#[test]
fn mass_calibration() {
    let mut inputs = Inputs::new();
    inputs.push(Input::normal("m_R,c", "reference mass / mg", 100_000.0, 0.050).unwrap());
    inputs.push(Input::normal("δm_R,c", "added mass / mg", 1.234, 0.020).unwrap());
    inputs.push(Input::between("ρ_a", "density of air", 1.10, 1.30).unwrap());
    inputs.push(Input::between("ρ_W", "density of the weight", 7000.0, 9000.0).unwrap());
    inputs.push(Input::between("ρ_R", "density of the reference", 7950.0, 8050.0).unwrap());
    let model = |x: &[f64], y: &mut [f64]| {
        y[0] = (x[0] + x[1]) * (1.0 + (x[2] - 1.2) * (1.0 / x[3] - 1.0 / x[4])) - 100_000.0;
    };
    let evaluation = evaluate(&inputs, &["δm"], model, &fixed(1_000_000, 0.95)).unwrap();
    let dm = &evaluation.outputs[0];
    close("first order u / mg", dm.first_order.u, 0.053_852, 1e-5);
    close("first order low", dm.first_order.low, 1.1285, 1e-4);
    close("first order high", dm.first_order.high, 1.3395, 1e-4);
    assert_eq!(dm.method, Method::MonteCarlo);
    close("mean / mg", dm.value, 1.2341, 3e-4);
    close("u / mg", dm.u, 0.0754, 2e-4);
    close("low", dm.low, 1.0834, 0.003);
    close("high", dm.high, 1.3825, 0.003);
    close("width", dm.high - dm.low, 0.2991, 0.0007);
    // 0.0754² − 0.0539² is what ρ_a, ρ_W and ρ_R do only together.
    let joint = dm.budget.iter().find(|l| l.source == "joint").expect("a joint line");
    close("joint share", joint.share, 1.0 - (0.053_852_f64 / 0.075_48).powi(2), 0.02);
}

/// 9.4, comparison loss of power meters, Y = X1² + X2², u = 0.005 each: at x1 = 0 first order gives u = 0, exactly the
/// mean is 50e-6, u 50e-6, the shortest interval [0, 149.8e-6]; at x1 = 0.010 mean 150e-6, u 112e-6 (closed form).
#[test]
fn comparison_loss() {
    let model = |x: &[f64], y: &mut [f64]| y[0] = x[0] * x[0] + x[1] * x[1];
    let at = |x1: f64| {
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("X1", "real part", x1, 0.005).unwrap());
        inputs.push(Input::normal("X2", "imaginary part", 0.0, 0.005).unwrap());
        evaluate(&inputs, &["loss"], model, &fixed(500_000, 0.95)).unwrap().outputs.remove(0)
    };
    let zero = at(0.0);
    assert_eq!(zero.method, Method::MonteCarlo, "{}", zero.reason);
    close("first order u at 0", zero.first_order.u, 0.0, 1e-15);
    close("mean at 0", zero.value, 50e-6, 0.3e-6);
    close("u at 0", zero.u, 50e-6, 0.3e-6);
    close("low at 0", zero.low, 0.0, 0.1e-6);
    close("high at 0", zero.high, 149.8e-6, 1e-6);
    close("shares", zero.budget.iter().map(|l| l.share).sum(), 1.0, 1e-12);
    for line in &zero.budget {
        close(&line.source, line.share, 0.5, 0.04);
    }
    let ten = at(0.010);
    close("mean at 0.010", ten.value, 150e-6, 0.6e-6);
    close("u at 0.010", ten.u, 111.8e-6, 0.6e-6);
    // Without trials the same model must not look certain.
    let mut inputs = Inputs::new();
    inputs.push(Input::normal("X1", "real part", 0.0, 0.005).unwrap());
    inputs.push(Input::normal("X2", "imaginary part", 0.0, 0.005).unwrap());
    let quick = evaluate(&inputs, &["loss"], model, &Options::first_order()).unwrap();
    let [Warning::NotLinear { shift, .. }] = quick.outputs[0].warnings[..] else {
        panic!("a warning was due: {:?}", quick.outputs[0].warnings)
    };
    close("second-order shift of the mean", shift, 50e-6, 1e-12);
}

/// A product of two inputs about zero has no slope and no curvature along either of them: it must not look certain.
#[test]
fn a_product_about_zero_is_not_certain() {
    let mut inputs = Inputs::new();
    inputs.push(Input::normal("a", "a", 0.0, 2.0).unwrap());
    inputs.push(Input::normal("b", "b", 0.0, 3.0).unwrap());
    let model = |x: &[f64], y: &mut [f64]| y[0] = x[0] * x[1];
    let quick = evaluate(&inputs, &["ab"], model, &Options::first_order()).unwrap();
    let [Warning::NotLinear { shift, u_beyond }] = quick.outputs[0].warnings[..] else {
        panic!("a warning was due: {:?}", quick.outputs[0].warnings)
    };
    close("shift", shift, 0.0, 1e-12);
    close("u beyond first order", u_beyond, 6.0, 1e-9);
    let full = evaluate(&inputs, &["ab"], model, &fixed(200_000, 0.95)).unwrap();
    close_relative("u", full.outputs[0].u, 6.0, 0.02);
    assert_eq!(full.outputs[0].budget[0].source, "joint");
    close("joint share", full.outputs[0].budget[0].share, 1.0, 1e-9);
    let certain =
        evaluate(&Inputs::new(), &["one"], |_: &[f64], y: &mut [f64]| y[0] = 1.0, &fixed(1000, 0.95)).unwrap();
    let one = &certain.outputs[0];
    assert_eq!((one.value, one.u, one.low, one.high, one.dof), (1.0, 0.0, 1.0, 1.0, f64::INFINITY));
    assert_eq!(one.reason, Reason::NothingUncertain);
}

fn gauge_block() -> Evaluation {
    let mut inputs = Inputs::new();
    for (source, estimate, scale, dof) in
        [("L_S", 50_000_623.0, 25.0, 18.0), ("D", 215.0, 6.0, 24.0), ("d1", 0.0, 4.0, 5.0), ("d2", 0.0, 7.0, 8.0)]
    {
        inputs.push(Input::type_a(source, source, estimate, scale, dof).unwrap());
    }
    inputs.push(Input::between("α_S", "expansion of the standard", 9.5e-6, 13.5e-6).unwrap());
    inputs.push(Input::normal("θ₀", "mean temperature", -0.1, 0.2).unwrap());
    inputs.push(Input::new("Δ", "cycle", 0.0, Distribution::ArcSine { half_width: 0.5 }).unwrap());
    inputs.push(Input::inexact_limits("δα", "difference of expansion", 0.0, 1e-6, 0.1e-6).unwrap());
    inputs.push(Input::inexact_limits("δθ", "difference of temperature", 0.0, 0.050, 0.025).unwrap());
    let model = |x: &[f64], y: &mut [f64]| {
        y[0] = x[0] + x[1] + x[2] + x[3] - x[0] * (x[7] * (x[5] + x[6]) + x[4] * x[8]) - 50_000_000.0;
    };
    evaluate(&inputs, &["δL"], model, &fixed(1_000_000, 0.99)).unwrap()
}

/// 9.5, gauge block: first order 838, 32 nm, 99 % [745, 931]; Monte Carlo 838, 36 nm, [745, 932] (recomputed 837.99,
/// 35.80, [744.3, 931.6]; 2 nm on the ends).
#[test]
fn gauge_block_calibration() {
    let evaluation = gauge_block();
    let dl = &evaluation.outputs[0];
    close("first order value / nm", dl.first_order.value, 838.0, 0.5);
    close("first order u / nm", dl.first_order.u, 32.0, 0.5);
    close("first order low", dl.first_order.low, 745.0, 2.0);
    close("first order high", dl.first_order.high, 931.0, 2.0);
    let trials = dl.simulated.expect("trials");
    close("mean / nm", trials.mean, 837.99, 4.0 * 36.0 / 1000.0);
    close_relative("u / nm", trials.u, 35.80, 0.003);
    close("low", trials.shortest.low, 744.3, 2.0);
    close("high", trials.shortest.high, 931.6, 2.0);
    close("dof are still stated", dl.dof, 16.0, 0.6);
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let run = |threads: usize| {
        rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(|| {
            sum_of(&[Distribution::StudentT { scale: 1.0, dof: 7.0 }, Distribution::Rectangular { half_width: 3.0 }])
        })
    };
    assert_eq!(run(1), run(3));
}

/// Clause 7.9: the trials stop once the digits are there, and another seed gives the same digits.
#[test]
fn adaptive_trials_stop_and_agree_between_seeds() {
    let mut inputs = Inputs::new();
    inputs.push(Input::rectangular("a", "a", 10.0, 3.0).unwrap());
    inputs.push(Input::normal("b", "b", 5.0, 0.4).unwrap());
    let run = |seed: u64, at_most: usize| {
        let options = Options { seed, trials: Trials::Adaptive { at_most }, ..Options::default() };
        evaluate(&inputs, &["y"], |x: &[f64], y: &mut [f64]| y[0] = x[0] * x[1], &options).unwrap()
    };
    let (one, two) = (run(1, 3_000_000), run(2, 3_000_000));
    assert!(one.trials < 3_000_000, "{}", one.trials);
    let (a, b) = (&one.outputs[0], &two.outputs[0]);
    assert!(a.warnings.is_empty(), "{:?}", a.warnings);
    // u ≈ 9.6, so δ = 0.05; two seeds each within it.
    for (x, y) in [(a.value, b.value), (a.u, b.u)] {
        close("seeds", x, y, 0.1);
    }
    close("seeds, symmetric low", a.simulated.expect("t").symmetric.low, b.simulated.expect("t").symmetric.low, 0.1);
    let short = run(1, 20_000);
    assert_eq!(short.trials, 20_000);
    assert!(
        short.outputs[0].warnings.iter().any(|w| matches!(w, Warning::NotSettled { .. })),
        "{:?}",
        short.outputs[0]
    );
}

/// Clause 6.4.9: Student's t has no variance for ν ≤ 2; the interval still has its coverage (exact for a single input).
#[test]
fn two_readings_give_an_interval_and_no_simulated_u() {
    for dof in [1.0, 2.0] {
        let mut inputs = Inputs::new();
        inputs.push(Input::type_a("repeats", "repeats", 10.0, 0.5, dof).unwrap());
        inputs.push(Input::one_minus_cos_within("tilt", "tilt", 0.2).unwrap());
        let model = |x: &[f64], y: &mut [f64]| y[0] = x[0] * (1.0 + x[1]);
        let evaluation = evaluate(&inputs, &["y"], model, &fixed(400_000, 0.95)).unwrap();
        let y = &evaluation.outputs[0];
        assert_eq!(y.method, Method::MonteCarlo);
        assert!(matches!(&y.reason, Reason::OneSided { sources } if sources == &["tilt"]), "{}", y.reason);
        assert!(y.warnings.contains(&Warning::NoVariance), "{:?}", y.warnings);
        close("u is first order's", y.u, y.first_order.u, 0.0);
        let t = student_t_quantile(0.975, dof).unwrap();
        close_relative("half-width", y.expanded(), 0.5 * t, 0.03);
        close("k", y.k * y.u, y.expanded(), 1e-9);
        assert!(y.dof < dof * 1.1 && y.value.is_finite());
    }
}
