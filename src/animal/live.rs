//! Evaluation while a mark is dragged: first order with the second-order shift of the value, in about a millisecond.
//!
//! Each mark moves only its own shape, so the Jacobian is taken shape by shape. Half a standard uncertainty to both sides along every
//! independent direction gives slope and curvature at once; with the curvature the value is that of the trials to second order and
//! does not jump when they follow. Intervals are `value ± k u`: one-sided ones wait for the trials.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::ops::Range;

use super::build::{Built, build};
use super::error::AnimalError;
use super::evaluate::{Circumstances, Evaluated, assembled, check, names_of};
use super::figure::Figure;
use super::mark::Shape;
use super::model::{Combined, PictureModel};
use crate::stats::student_t_quantile;
use crate::uncertainty::{BudgetLine, FirstOrder, Inputs, Matrix, Method, Output, Reason, UncertaintyError};

/// Departure along a direction in standard uncertainties: slope and curvature come from the same pair of evaluations.
const STEP: f64 = 0.5;

/// Evaluates all shapes of a picture, and ratios and sums of them, without trials.
///
/// # Accuracy
/// Values within a hundredth of u of those with trials, u within 1 % where the model is nearly linear (test). Intervals are
/// symmetric about the value, also where the trials' are one-sided.
/// # Errors
/// As [`super::evaluate_shapes`].
pub fn evaluate_live(
    shapes: &[Shape],
    figures: &[Figure],
    about: &Circumstances<'_>,
) -> Result<Evaluated, AnimalError> {
    for shape in shapes {
        check(shape, about.map)?;
    }
    let built = build(shapes, figures, about)?;
    let mut names = names_of(shapes);
    names.extend(figures.iter().map(|f| f.name.clone()));
    let Linear { outputs, covariance } = Linear::of(&built, &names, about.options.coverage)?;
    Ok(Evaluated { measured: assembled(shapes, figures, outputs, about)?, names, covariance })
}

/// One independent way in which inputs move by a standard uncertainty.
struct Direction {
    moves: Vec<(usize, f64)>,
    /// Whether it moves marks: their scatter lengthens drawn curves.
    marks: bool,
}

/// What one direction does to one output.
#[derive(Clone, Copy)]
struct Effect {
    /// The shape whose direction it is, and its place among that shape's directions: what is the same is the same input.
    place: (usize, usize),
    input: usize,
    slope: f64,
}

struct Linear {
    outputs: Vec<Output>,
    covariance: Matrix,
}

impl Linear {
    fn of(built: &Built<'_>, names: &[String], coverage: f64) -> Result<Self, AnimalError> {
        let Built { inputs, model, own, .. } = built;
        let mut x = inputs.estimates();
        let mut probe = Probe::new(model, names.len());
        let y = probe.all(&x);
        if let Some(o) = y.iter().position(|v| !v.is_finite()) {
            let place = "at the estimates of the inputs";
            return Err(UncertaintyError::Model { output: names[o].clone(), value: y[o], place }.into());
        }
        let shapes: usize = probe.ranges.last().map_or(0, |r| r.end);
        let mut shift = vec![0.0; names.len()];
        // Slopes of everything by what all share, and of each shape by its own.
        let mut shared: Vec<(usize, Vec<f64>)> = Vec::new();
        let mut alone: Vec<Vec<Effect>> = vec![Vec::new(); names.len()];
        let first_own = own.first().map_or(inputs.len(), |r| r.start);
        for direction in directions(inputs, 0..first_own, &[]) {
            let (above, below) = probe.both(&mut x, &direction.moves, |p, x| p.all(x));
            let slopes = (0..shapes).map(|o| (above[o] - below[o]) / (2.0 * STEP)).collect();
            (0..shapes).for_each(|o| shift[o] += curvature(y[o], above[o], below[o]));
            shared.push((direction.moves[0].0, slopes));
        }
        for (s, range) in own.iter().enumerate() {
            let outputs = probe.ranges[s].clone();
            let marks = model.marks_of(s);
            for (number, direction) in directions(inputs, range.clone(), &marks).into_iter().enumerate() {
                let (above, below) = probe.both(&mut x, &direction.moves, |p, x| p.one(s, x));
                for (o, (a, b)) in outputs.clone().zip(above.iter().zip(&below)) {
                    // Trials about the drawn marks lengthen a curve as the hand already did: taken off twice.
                    let sign = if direction.marks { -1.0 } else { 1.0 };
                    shift[o] += sign * curvature(y[o], *a, *b);
                    let (input, slope) = (direction.moves[0].0, (a - b) / (2.0 * STEP));
                    alone[o].push(Effect { place: (s, number), input, slope });
                }
            }
        }
        let mut linear = Assembly { inputs, shared, alone, values: y, shift, coverage };
        linear.combine(&model.combined, shapes);
        linear.finished(names)
    }
}

/// Half of the second derivative along a direction, times the variance.
fn curvature(middle: f64, above: f64, below: f64) -> f64 {
    let even = 0.5 * ((above - middle) + (below - middle));
    if even.is_finite() { even / (STEP * STEP) } else { 0.0 }
}

/// Independent directions of a range of inputs: each alone, or along the columns of the factor of a block.
fn directions(inputs: &Inputs, range: Range<usize>, marks: &[usize]) -> Vec<Direction> {
    let mut out = Vec::new();
    let mut i = range.start;
    while i < range.end {
        let group = inputs.group_of(i);
        let n = (i..range.end).take_while(|j| inputs.group_of(*j) == group).count().max(1);
        let is_mark = marks.contains(&i);
        let factor = cholesky(n, |a, b| inputs.covariance(i + a, i + b));
        for column in 0..n {
            let moves: Vec<(usize, f64)> =
                (column..n).map(|row| (i + row, factor[row * n + column])).filter(|m| m.1 != 0.0).collect();
            if !moves.is_empty() {
                out.push(Direction { moves, marks: is_mark });
            }
        }
        i += n;
    }
    out
}

/// Lower factor of a covariance; columns without variance stay 0.
fn cholesky(n: usize, covariance: impl Fn(usize, usize) -> f64) -> Vec<f64> {
    let mut l = vec![0.0; n * n];
    for j in 0..n {
        let pivot = covariance(j, j) - (0..j).map(|k| l[j * n + k] * l[j * n + k]).sum::<f64>();
        let root = pivot.max(0.0).sqrt();
        l[j * n + j] = root;
        for i in j + 1..n {
            let rest = covariance(i, j) - (0..j).map(|k| l[i * n + k] * l[j * n + k]).sum::<f64>();
            l[i * n + j] = if root > 1e-12 * covariance(j, j).sqrt() && root > 0.0 { rest / root } else { 0.0 };
        }
    }
    l
}

/// Runs the model, whole or shape by shape.
struct Probe<'a, 'b> {
    model: &'a PictureModel<'b>,
    /// Outputs of each shape.
    ranges: Vec<Range<usize>>,
    curves: <PictureModel<'b> as crate::uncertainty::Model>::Scratch,
    outputs: usize,
}

impl<'a, 'b> Probe<'a, 'b> {
    fn new(model: &'a PictureModel<'b>, outputs: usize) -> Self {
        let mut at = 0;
        let ranges = model.shapes.iter().map(|s| {
            let range = at..at + s.outputs();
            at = range.end;
            range
        });
        Self { model, ranges: ranges.collect(), curves: Default::default(), outputs }
    }

    fn all(&mut self, x: &[f64]) -> Vec<f64> {
        let mut y = vec![f64::NAN; self.outputs];
        crate::uncertainty::Model::run(self.model, x, &mut y, &mut self.curves);
        y
    }

    fn one(&mut self, s: usize, x: &[f64]) -> Vec<f64> {
        let mut y = vec![f64::NAN; self.ranges[s].len()];
        self.model.run_one(s, x, &mut y, &mut self.curves);
        y
    }

    fn both(
        &mut self,
        x: &mut [f64],
        moves: &[(usize, f64)],
        run: impl Fn(&mut Self, &[f64]) -> Vec<f64>,
    ) -> (Vec<f64>, Vec<f64>) {
        let mut at = |sign: f64| {
            moves.iter().for_each(|(i, d)| x[*i] += sign * STEP * d);
            let y = run(self, x);
            moves.iter().for_each(|(i, d)| x[*i] -= sign * STEP * d);
            y
        };
        (at(1.0), at(-1.0))
    }
}

/// Slopes of all outputs, put together.
struct Assembly<'a> {
    inputs: &'a Inputs,
    shared: Vec<(usize, Vec<f64>)>,
    alone: Vec<Vec<Effect>>,
    values: Vec<f64>,
    shift: Vec<f64>,
    coverage: f64,
}

impl Assembly<'_> {
    /// Covariance of two outputs: through what all share, and through the directions of a shape that both rest on.
    fn covariance(&self, a: usize, b: usize) -> f64 {
        let common: f64 = self.shared.iter().map(|(_, s)| s[a] * s[b]).sum();
        // Both are sorted by place.
        let (mut p, mut q) = (self.alone[a].iter().peekable(), self.alone[b].iter().peekable());
        let mut own = 0.0;
        while let (Some(x), Some(y)) = (p.peek(), q.peek()) {
            match x.place.cmp(&y.place) {
                Ordering::Less => p.next(),
                Ordering::Greater => q.next(),
                Ordering::Equal => {
                    own += x.slope * y.slope;
                    p.next();
                    q.next()
                }
            };
        }
        common + own
    }

    /// Ratios and sums from the outputs they are made of: slopes, and values to second order.
    fn combine(&mut self, combined: &[Combined], shapes: usize) {
        for (k, how) in combined.iter().enumerate() {
            let o = shapes + k;
            let value = |i: usize| self.values[i] + self.shift[i];
            let (terms, at, shift) = match how {
                Combined::Sum(of) => {
                    (of.iter().map(|i| (*i, 1.0)).collect(), of.iter().map(|i| value(*i)).sum::<f64>(), 0.0)
                }
                Combined::Ratio(a, b) => {
                    let (x, y) = (value(*a), value(*b));
                    let ratio = x / y;
                    let second = ratio * self.covariance(*b, *b) / (y * y) - self.covariance(*a, *b) / (y * y);
                    (vec![(*a, 1.0 / y), (*b, -ratio / y)], ratio, second)
                }
            };
            let terms: Vec<(usize, f64)> = terms;
            for (_, slopes) in &mut self.shared {
                let slope = terms.iter().map(|(i, by)| slopes[*i] * by).sum();
                slopes.push(slope);
            }
            // Directions of one shape are added before they are squared.
            let mut own: BTreeMap<(usize, usize), Effect> = BTreeMap::new();
            for (i, by) in &terms {
                for e in &self.alone[*i] {
                    let entry = own.entry(e.place).or_insert(Effect { slope: 0.0, ..*e });
                    entry.slope += e.slope * by;
                }
            }
            self.alone[o] = own.into_values().collect();
            (self.values[o], self.shift[o]) = (at, shift);
        }
    }

    fn finished(&self, names: &[String]) -> Result<Linear, AnimalError> {
        let n = names.len();
        let mut covariance = Matrix::zeros(n, n);
        let mut outputs = Vec::with_capacity(n);
        for (o, name) in names.iter().enumerate() {
            for other in 0..=o {
                let c = self.covariance(o, other);
                covariance.set(o, other, c);
                covariance.set(other, o, c);
            }
            let lines = self.lines(o);
            let variance = covariance.at(o, o);
            let dof = self.dof(o, variance);
            let (u, value) = (variance.sqrt(), self.values[o] + self.shift[o]);
            let k = student_t_quantile(0.5 * (1.0 + self.coverage), dof).map_err(UncertaintyError::from)?;
            let first = FirstOrder { value, u, dof, k, low: value - k * u, high: value + k * u };
            outputs.push(Output {
                name: name.clone(),
                value,
                u,
                low: first.low,
                high: first.high,
                coverage: self.coverage,
                k,
                dof,
                method: Method::FirstOrder,
                reason: Reason::NoTrials,
                curve_bias: 0.0,
                budget: lines,
                first_order: first,
                simulated: None,
                warnings: Vec::new(),
            });
        }
        Ok(Linear { outputs, covariance })
    }

    fn effects(&self, o: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let shared = self.shared.iter().map(move |(input, slopes)| (*input, slopes[o]));
        shared.chain(self.alone[o].iter().map(|e| (e.input, e.slope)))
    }

    /// Welch and Satterthwaite.
    fn dof(&self, o: usize, variance: f64) -> f64 {
        let spread: f64 = self
            .effects(o)
            .map(|(i, slope)| (slope.powi(4), self.inputs.items()[i].dof()))
            .filter(|(_, dof)| dof.is_finite())
            .map(|(fourth, dof)| fourth / dof)
            .sum();
        if spread > 0.0 { variance * variance / spread } else { f64::INFINITY }
    }

    fn lines(&self, o: usize) -> Vec<BudgetLine> {
        let mut lines: Vec<(usize, usize, f64)> = Vec::new();
        for (i, slope) in self.effects(o) {
            let source = self.inputs.items()[i].source();
            match lines.iter_mut().find(|l| self.inputs.items()[l.0].source() == source) {
                Some(line) => (line.1, line.2) = (line.1 + 1, line.2 + slope * slope),
                None => lines.push((i, 1, slope * slope)),
            }
        }
        let total: f64 = lines.iter().map(|l| l.2).sum();
        lines.sort_by(|a, b| b.2.total_cmp(&a.2));
        let line = |(i, inputs, variance): (usize, usize, f64)| {
            let item = &self.inputs.items()[i];
            BudgetLine {
                source: item.source().to_owned(),
                label: item.label().to_owned(),
                inputs,
                evaluation: item.evaluation(),
                distribution: item.distribution().name(),
                input_u: None,
                sensitivity: None,
                u: variance.sqrt(),
                dof: f64::INFINITY,
                share: if total > 0.0 { variance / total } else { 0.0 },
            }
        };
        lines.into_iter().map(line).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::evaluate_tests::{about, setup, shape};
    use super::*;
    use crate::animal::{Kind, Levels, Mark, MarkKind, Placement, evaluate_shapes};
    use crate::uncertainty::{Options, Trials};
    use crate::units::Point;

    #[test]
    fn the_value_does_not_jump_when_the_trials_follow() {
        let setup = setup();
        let bent: Vec<(f64, f64)> =
            (0..9).map(|i| (600.0 + 50.0 * f64::from(i), 900.0 + 60.0 * (0.4 * f64::from(i)).sin())).collect();
        let mut snapped = shape("breadth 1", Kind::Breadth, &[(500.0, 400.0), (570.0, 420.0)], MarkKind::Silhouette);
        for m in &mut snapped.marks {
            let levels = Some(Levels { animal: 0.1, ground: 0.5 });
            let placement = Placement::snapped([0.3, 0.12, 0.1], levels);
            *m = Mark { at: Point::new(m.at.x, m.at.y), kind: MarkKind::Silhouette, placement };
        }
        let joints = [(500.0, 700.0), (530.0, 705.0), (565.0, 702.0), (610.0, 712.0)];
        let shapes = [
            shape("axis 1", Kind::Axis, &bent, MarkKind::Silhouette),
            shape("antenna", Kind::Appendage, &joints, MarkKind::Feature),
            snapped,
            shape("angle 1", Kind::Angle, &[(400.0, 400.0), (500.0, 400.0), (560.0, 330.0)], MarkKind::Feature),
        ];
        let figures = [
            Figure::ratio("antenna segment 2/antenna", &shapes).unwrap(),
            Figure::ratio("breadth 1/axis 1", &shapes).unwrap(),
            Figure::sum("antenna segment 1 + axis 1", &shapes).unwrap(),
        ];
        let live = evaluate_live(&shapes, &figures, &about(&setup, Options::default())).unwrap();
        let trials = Options { trials: Trials::Fixed(200_000), ..Options::default() };
        let full = evaluate_shapes(&shapes, &figures, &about(&setup, trials)).unwrap();
        assert_eq!(live.names, full.names);
        let all = |e: &Evaluated| -> Vec<_> {
            e.measured.iter().flat_map(|m| std::iter::once(m).chain(&m.parts)).cloned().collect()
        };
        for (a, b) in all(&live).iter().zip(all(&full)) {
            let (u, v) = (a.u.unwrap(), b.u.unwrap());
            assert!((u / v - 1.0).abs() < 0.02, "{}: u {u} {v}", a.name);
            // 1/200 of u is the sampling error of the trials' mean, twice.
            let jump = (a.value.unwrap() - b.value.unwrap()).abs();
            assert!(jump < 0.03 * u, "{}: {:?} {:?} u {u}", a.name, a.value, b.value);
            let share = |m: &crate::animal::Measured| m.budget.iter().map(|l| l.share).sum::<f64>();
            assert!((share(a) - 1.0).abs() < 1e-9);
        }
        let n = live.names.len();
        for i in 0..n {
            for j in 0..n {
                let (c, d) = (live.covariance.at(i, j), full.covariance.at(i, j));
                let scale = (full.covariance.at(i, i) * full.covariance.at(j, j)).sqrt();
                assert!((c - d).abs() < 0.03 * scale, "{} {}: {c} {d}", live.names[i], live.names[j]);
            }
        }
    }
}
