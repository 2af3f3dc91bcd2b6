//! Properties that hold for any inputs.

use motestick::uncertainty::{EvaluationType, Input, Inputs, Member, Method, Options, Trials, evaluate, propagate};
use proptest::prelude::*;

/// A linear model with planted slopes.
fn linear(slopes: &[f64]) -> impl Fn(&[f64], &mut [f64]) + Sync {
    move |x: &[f64], y: &mut [f64]| y[0] = 3.0 + slopes.iter().zip(x).map(|(c, x)| c * x).sum::<f64>()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    /// u² = Σ c² u² exactly for independent inputs of a linear model, and the shares are those terms.
    #[test]
    fn propagation_of_linear_models_is_exact(
        terms in prop::collection::vec((-1e3..1e3_f64, -1e6..1e6_f64, 0.0..1e3_f64), 1..12)
    ) {
        let slopes: Vec<f64> = terms.iter().map(|t| t.0).collect();
        let mut inputs = Inputs::new();
        for (i, (_, estimate, u)) in terms.iter().enumerate() {
            inputs.push(Input::normal(&format!("x{i}"), "x", *estimate, *u).unwrap());
        }
        let e = evaluate(&inputs, &["y"], linear(&slopes), &Options::first_order()).unwrap();
        let y = &e.outputs[0];
        let want: f64 = terms.iter().map(|(c, _, u)| (c * u).powi(2)).sum();
        // The difference quotient cannot see more digits than the outputs hold.
        let size: f64 = terms.iter().map(|(c, x, _)| (c * x).abs()).sum();
        let least_step = terms.iter().map(|t| 0.01 * t.2).filter(|u| *u > 0.0).fold(f64::INFINITY, f64::min);
        let noise = 1e-15 * size / least_step;
        let u_noise: f64 = terms.iter().map(|t| t.2 * noise).sum();
        prop_assert!((y.u - want.sqrt()).abs() <= 1e-12 * want.sqrt() + u_noise, "{} {}", y.u, want.sqrt());
        if want > 0.0 {
            prop_assert!((y.budget.iter().map(|l| l.share).sum::<f64>() - 1.0).abs() < 1e-9);
        }
        prop_assert!(y.low <= y.value && y.value <= y.high && y.k.is_finite());
    }

    /// `c V cᵀ` for a correlated block, against the same product by hand.
    #[test]
    fn blocks_propagate_with_their_covariance(
        factor in prop::collection::vec(-2.0..2.0_f64, 9),
        slopes in prop::collection::vec(-5.0..5.0_f64, 3),
    ) {
        let mut covariance = [0.0; 9];
        for i in 0..3 {
            for j in 0..3 {
                covariance[3 * i + j] = (0..3).map(|k| factor[3 * i + k] * factor[3 * j + k]).sum();
            }
        }
        let mut inputs = Inputs::new();
        let members = ["a", "b", "c"].map(|s| Member { source: s, label: s, estimate: 1.0 });
        inputs.push_block(&members, &covariance, 7.0, EvaluationType::A).unwrap();
        let p = propagate(&inputs, &["y"], &linear(&slopes)).unwrap();
        let mut want = 0.0;
        for i in 0..3 {
            for j in 0..3 {
                want += slopes[i] * covariance[3 * i + j] * slopes[j];
            }
        }
        prop_assert!((p.covariance.at(0, 0) - want).abs() < 1e-7 * (1.0 + want), "{} {want}", p.covariance.at(0, 0));
        let e = evaluate(&inputs, &["y"], linear(&slopes), &Options::first_order()).unwrap();
        if want > 1e-6 {
            let sum: f64 = e.outputs[0].budget.iter().map(|l| l.share).sum();
            prop_assert!((sum - 1.0).abs() < 1e-6, "{sum}");
        }
    }

    /// Two outputs that share a source: it leaves their difference, and their ratio's relative u.
    #[test]
    fn a_shared_source_cancels(
        a in 50.0..500.0_f64, b in 50.0..500.0_f64, u_scale in 1e-4..1e-2_f64, u_mark in 0.01..0.5_f64
    ) {
        let mut inputs = Inputs::new();
        inputs.push(Input::normal("scale", "scale", 1.0, u_scale).unwrap());
        inputs.push(Input::normal("offset", "common offset", 0.0, 3.0).unwrap());
        inputs.push(Input::normal("mark", "first mark", a, u_mark).unwrap());
        inputs.push(Input::normal("mark", "second mark", b, u_mark).unwrap());
        let model = |x: &[f64], y: &mut [f64]| {
            let (p, q) = (x[0] * x[2], x[0] * x[3]);
            y.copy_from_slice(&[p + x[1], q + x[1], p - q, p / q]);
        };
        let e = evaluate(&inputs, &["p", "q", "p − q", "p / q"], model, &Options::first_order()).unwrap();
        // Downstream, from the covariance of the outputs alone: what the model gives directly.
        let c = &e.covariance;
        let downstream = (c.at(0, 0) + c.at(1, 1) - 2.0 * c.at(0, 1)).max(0.0).sqrt();
        let direct = e.outputs[2].u;
        prop_assert!((downstream - direct).abs() < 1e-5 * e.outputs[0].u, "{downstream} {direct}");
        let want = ((a - b).powi(2) * u_scale * u_scale + 2.0 * u_mark * u_mark).sqrt();
        prop_assert!((direct / want - 1.0).abs() < 1e-5, "{direct} {want}");
        let ratio = &e.outputs[3];
        let want = (u_mark / a).hypot(u_mark / b) * a / b;
        prop_assert!((ratio.u / want - 1.0).abs() < 1e-3, "{} {want}", ratio.u);
        let of_scale = ratio.budget.iter().find(|l| l.source == "scale").expect("the scale stays in the budget");
        prop_assert!(of_scale.share < 1e-9);
        // Both marks make one line.
        prop_assert_eq!(ratio.budget.iter().filter(|l| l.source == "mark").count(), 1);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    /// On a nearly linear model the trials agree with first order, and first order is what is reported.
    #[test]
    fn trials_agree_with_first_order_on_nearly_linear_models(
        slopes in prop::collection::vec(0.5..2.0_f64, 6), curvature in -1e-4..1e-4_f64, seed in 0..1000_u64
    ) {
        let mut inputs = Inputs::new();
        for i in 0..6 {
            inputs.push(Input::normal(&format!("x{i}"), "x", 1.0, 0.1).unwrap());
        }
        let model = |x: &[f64], y: &mut [f64]| {
            y[0] = slopes.iter().zip(x).map(|(c, x)| c * x).sum::<f64>() + curvature * x[0] * x[1];
        };
        let options = Options { trials: Trials::Fixed(400_000), seed, ..Options::default() };
        let e = evaluate(&inputs, &["y"], model, &options).unwrap();
        let y = &e.outputs[0];
        let s = y.simulated.expect("trials");
        prop_assert_eq!(y.method, Method::FirstOrder, "{}", y.reason);
        prop_assert!((s.mean - y.value).abs() < 5.0 * y.u / 400_000.0_f64.sqrt());
        prop_assert!((s.u / y.u - 1.0).abs() < 5.0 * (0.5_f64 / 400_000.0).sqrt());
        prop_assert!((s.symmetric.half_width() / y.expanded() - 1.0).abs() < 0.02);
    }
}

/// A length along a bent path through marks with random errors, in many simulated hands: the reported value must be
/// right on average and its interval must hold the truth as often as it says, with the correction for curve bias.
#[test]
fn curve_bias_is_taken_out() {
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};
    let truth: Vec<(f64, f64)> = (0..12).map(|i| (f64::from(i) * 4.0, 6.0 * (f64::from(i) * 0.6).sin())).collect();
    let length = |x: &[f64], y: &mut [f64]| {
        y[0] = x.chunks(2).zip(x[2..].chunks(2)).map(|(a, b)| (b[0] - a[0]).hypot(b[1] - a[1])).sum();
    };
    let sigma = 0.9;
    let flat: Vec<f64> = truth.iter().flat_map(|p| [p.0, p.1]).collect();
    let mut true_length = [0.0];
    length(&flat, &mut true_length);
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(4);
    let (mut corrected, mut plain, mut inside) = (0.0, 0.0, 0);
    let hands = 400;
    let mut u = 0.0;
    for _ in 0..hands {
        let mut inputs = Inputs::new();
        for v in &flat {
            let z: f64 = StandardNormal.sample(&mut rng);
            inputs.push(Input::normal("hand", "placement by hand", v + sigma * z, sigma).unwrap());
        }
        let mut options = Options { trials: Trials::Fixed(20_000), ..Options::default() };
        options.curve_bias = vec![motestick::uncertainty::CurveBias { output: 0, inputs: (0..inputs.len()).collect() }];
        let e = evaluate(&inputs, &["axis"], length, &options).unwrap();
        let y = &e.outputs[0];
        corrected += (y.value - true_length[0]) / f64::from(hands);
        plain += (y.simulated.expect("trials").mean - true_length[0]) / f64::from(hands);
        u = y.u;
        inside += i32::from(y.low <= true_length[0] && true_length[0] <= y.high);
        assert!(y.curve_bias > 0.0 && y.value < y.simulated.expect("trials").mean);
    }
    assert!(plain > 0.5 * u, "the bias must matter here: {plain}, u {u}");
    assert!(corrected.abs() < 0.25 * u, "mean error {corrected}, u {u}");
    let share = f64::from(inside) / f64::from(hands);
    assert!((0.91..=0.99).contains(&share), "{share} of the intervals hold the truth");
}

/// The covariance matrix that goes downstream is consistent with the reported u, also where Monte Carlo is reported.
#[test]
fn the_covariance_has_the_reported_variances_on_its_diagonal() {
    let mut inputs = Inputs::new();
    inputs.push(Input::rectangular("a", "a", 4.0, 2.0).unwrap());
    inputs.push(Input::one_minus_cos_within("tilt", "tilt", 0.5).unwrap());
    let model = |x: &[f64], y: &mut [f64]| y.copy_from_slice(&[x[0] / (1.0 - x[1]), x[0]]);
    let options = Options { trials: Trials::Fixed(100_000), ..Options::default() };
    let e = evaluate(&inputs, &["long", "short"], model, &options).unwrap();
    assert!(e.outputs.iter().all(|o| o.method == Method::MonteCarlo));
    for (i, o) in e.outputs.iter().enumerate() {
        assert!((e.covariance.at(i, i).sqrt() / o.u - 1.0).abs() < 1e-12);
    }
    assert!(e.correlation.at(0, 1) > 0.9);
    let own = e.covariance.correlation();
    assert!(own.entries().iter().zip(e.correlation.entries()).all(|(a, b)| (a - b).abs() < 1e-12));
}
