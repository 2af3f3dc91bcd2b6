use super::*;
use crate::uncertainty::{EvaluationType, Input, Member, Method};

/// A model of its own type: it keeps scratch memory and knows its Jacobian.
struct Product;

impl Model for Product {
    type Scratch = Vec<f64>;

    fn run(&self, x: &[f64], y: &mut [f64], logs: &mut Vec<f64>) {
        logs.clear();
        logs.extend(x.iter().map(|v| v.ln()));
        y[0] = logs.iter().sum::<f64>().exp();
    }

    fn jacobian(&self, x: &[f64]) -> Option<Matrix> {
        Matrix::from_rows(1, 2, vec![x[1], x[0]])
    }
}

fn two(u: f64) -> Inputs {
    let mut inputs = Inputs::new();
    inputs.push(Input::normal("a", "a", 3.0, u).unwrap());
    inputs.push(Input::normal("b", "b", 5.0, u).unwrap());
    inputs
}

#[test]
fn an_analytic_jacobian_is_used_and_checked() {
    let e = evaluate(&two(0.01), &["ab"], Product, &Options::first_order()).unwrap();
    assert!((e.outputs[0].u - 0.01 * 34.0_f64.sqrt()).abs() < 1e-15);
    let closure = |x: &[f64], y: &mut [f64]| y[0] = x[0] * x[1];
    let by_difference = evaluate(&two(0.01), &["ab"], closure, &Options::first_order()).unwrap();
    assert!((by_difference.outputs[0].u / e.outputs[0].u - 1.0).abs() < 1e-10);
    let e = evaluate(&two(0.01), &["ab", "again"], Product, &Options::first_order()).unwrap_err();
    assert!(matches!(e, UncertaintyError::Model { .. } | UncertaintyError::Jacobian { .. }), "{e}");
}

#[test]
fn options_out_of_range_are_refused() {
    let model = |x: &[f64], y: &mut [f64]| y[0] = x[0];
    for options in [
        Options { coverage: 1.0, ..Options::default() },
        Options { coverage: f64::NAN, ..Options::default() },
        Options { digits: 0, ..Options::default() },
        Options { max_rejected: 1.0, ..Options::default() },
        Options { curve_bias: vec![CurveBias { output: 1, inputs: vec![0] }], ..Options::default() },
        Options { curve_bias: vec![CurveBias { output: 0, inputs: vec![2] }], ..Options::default() },
    ] {
        let e = evaluate(&two(0.1), &["a"], model, &options).unwrap_err();
        assert!(matches!(e, UncertaintyError::Option { .. }), "{e}");
    }
}

#[test]
fn inputs_of_one_source_make_one_line() {
    let mut inputs = Inputs::new();
    for place in 0..4 {
        inputs.push(Input::rectangular("hand", "placement by hand", f64::from(place), 1.0).unwrap());
    }
    inputs.push(Input::type_a("scale", "scale", 1.0, 0.1, 9.0).unwrap());
    inputs.push(Input::fixed("offset", "offset", 2.0).unwrap());
    let model = |x: &[f64], y: &mut [f64]| y[0] = x[4] * (x[3] - x[0] + x[2] - x[1]) + x[5];
    let e = evaluate(&inputs, &["y"], model, &Options::first_order()).unwrap();
    let lines = &e.outputs[0].budget;
    let names: Vec<&str> = lines.iter().map(|l| l.source.as_str()).collect();
    assert_eq!(names, ["hand", "scale", "offset"]);
    assert!((lines[0].u - 2.0 / 3.0_f64.sqrt()).abs() < 1e-9 && lines[0].inputs == 4);
    assert!((lines[0].share - (4.0 / 3.0) / (4.0 / 3.0 + 0.16)).abs() < 1e-9);
    assert_eq!((lines[0].sensitivity, lines[0].evaluation), (None, EvaluationType::B));
    assert!(lines[1].sensitivity.is_some_and(|c| (c - 4.0).abs() < 1e-9));
    assert_eq!((lines[1].evaluation.letter(), lines[1].distribution), ("A", "Student t"));
    assert_eq!((lines[2].u, lines[2].share, lines[2].distribution), (0.0, 0.0, "fixed"));
}

#[test]
fn opposed_sources_of_one_block_have_shares_that_sum_to_one() {
    let mut inputs = Inputs::new();
    let members = ["rotation", "scale"].map(|s| Member { source: s, label: s, estimate: 1.0 });
    inputs.push_block(&members, &[1.0, -0.9, -0.9, 1.0], 20.0, EvaluationType::A).unwrap();
    let model = |x: &[f64], y: &mut [f64]| y[0] = x[0] + 0.5 * x[1];
    let e = evaluate(&inputs, &["y"], model, &Options::first_order()).unwrap();
    let lines = &e.outputs[0].budget;
    // 1 − 0.45 and 0.25 − 0.45 of 0.35: the second takes away more than it brings.
    assert!((lines[0].share - 0.55 / 0.35).abs() < 1e-6 && (lines[1].share + 0.2 / 0.35).abs() < 1e-6, "{lines:?}");
    assert!((lines[0].u - 1.0).abs() < 1e-9 && (lines[1].u - 0.5).abs() < 1e-9);
}

#[test]
fn a_one_sided_input_is_reported_from_the_trials() {
    let mut inputs = two(0.01);
    inputs.push(Input::rectangular("tilt", "tilt", 0.0, 0.6).unwrap().acting_one_way());
    let model = |x: &[f64], y: &mut [f64]| y.copy_from_slice(&[x[0] / x[2].cos(), x[1]]);
    let options = Options { trials: Trials::Fixed(100_000), ..Options::default() };
    let e = evaluate(&inputs, &["tilted", "flat"], model, &options).unwrap();
    let tilted = &e.outputs[0];
    assert_eq!(tilted.method, Method::MonteCarlo);
    assert!(matches!(&tilted.reason, Reason::OneSided { sources } if sources == &["tilt"]));
    // Mean of 1/cos θ over ± 0.6: ln tan(π/4 + 0.3) / 0.6.
    let mean = 3.0 * (std::f64::consts::FRAC_PI_4 + 0.3).tan().ln() / 0.6;
    assert!((tilted.value - mean).abs() < 0.003, "{} {mean}", tilted.value);
    assert!(tilted.value - tilted.low < tilted.high - tilted.value, "{tilted:?}");
    assert_eq!(tilted.budget[0].source, "tilt");
    assert!(tilted.budget[0].share > 0.95);
    assert_eq!(e.outputs[1].method, Method::FirstOrder, "{}", e.outputs[1].reason);
    let quick = evaluate(&inputs, &["tilted", "flat"], model, &Options::first_order()).unwrap();
    assert!(quick.outputs[0].warnings.iter().any(|w| matches!(w, Warning::OneSided { .. })));
    assert!(quick.outputs[1].warnings.is_empty());
}
