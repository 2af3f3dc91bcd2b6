//! Budget lines: what each source contributes to an output.

use super::{EvaluationType, Inputs, Matrix};

/// One line of a budget: all inputs that share a source id.
#[derive(Clone, Debug, PartialEq)]
pub struct BudgetLine {
    /// The source id.
    pub source: String,
    /// The label of the first input with that id.
    pub label: String,
    /// Number of inputs gathered.
    pub inputs: usize,
    /// Type A or B, or both.
    pub evaluation: EvaluationType,
    /// Name of the distribution, `several` where they differ.
    pub distribution: &'static str,
    /// Standard uncertainty of the input where the line holds a single one, in the input's unit.
    pub input_u: Option<f64>,
    /// ∂output/∂input where the line holds a single one.
    pub sensitivity: Option<f64>,
    /// Standard uncertainty that this source alone gives the output, in the output's unit.
    pub u: f64,
    /// Degrees of freedom of that contribution.
    pub dof: f64,
    /// Its share of the output's variance. Shares sum to 1 (to 0 where u is 0). Correlation between sources is split
    /// evenly between the two and may make a share negative.
    pub share: f64,
}

/// Variance that one source gives one output: alone, and with its half of all covariances with other sources.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Part {
    pub(super) alone: f64,
    pub(super) allotted: f64,
    /// Σ (variance of a group)² / ν, for the degrees of freedom of the line.
    pub(super) spread: f64,
}

/// The first-order parts of every source (in the order of [`Inputs::sources`]) for `output`; with `drawn` as Monte Carlo
/// draws them, where Student's t has its larger variance.
pub(super) fn parts(inputs: &Inputs, slopes: &Matrix, output: usize, drawn: bool) -> Vec<Part> {
    let sources = inputs.sources();
    let mut parts = vec![Part::default(); sources.len()];
    for group in inputs.groups() {
        let factor = if drawn { inputs.drawn_variance_factor(group) } else { 1.0 };
        let mut alone = vec![0.0; sources.len()];
        for i in group.members.clone() {
            let Some(si) = sources.iter().position(|s| *s == inputs.items()[i].source()) else { continue };
            for j in group.members.clone() {
                let term = slopes.at(output, i) * inputs.covariance(i, j) * slopes.at(output, j);
                if term == 0.0 {
                    continue;
                }
                parts[si].allotted += factor * term;
                if inputs.items()[i].source() == inputs.items()[j].source() {
                    alone[si] += factor * term;
                }
            }
        }
        for (part, variance) in parts.iter_mut().zip(alone) {
            part.alone += variance;
            if group.dof.is_finite() {
                part.spread += variance * variance / group.dof;
            }
        }
    }
    parts
}

/// Lines from the parts of an output whose variance is `total`, largest share first.
pub(super) fn lines(inputs: &Inputs, slopes: &Matrix, output: usize, parts: &[Part], total: f64) -> Vec<BudgetLine> {
    let mut lines: Vec<BudgetLine> = inputs
        .sources()
        .iter()
        .zip(parts)
        .map(|(source, part)| line(inputs, slopes, output, source, *part, total))
        .collect();
    // Stable, so that equal shares keep the order of the inputs.
    lines.sort_by(|a, b| b.share.total_cmp(&a.share));
    lines
}

fn line(inputs: &Inputs, slopes: &Matrix, output: usize, source: &str, part: Part, total: f64) -> BudgetLine {
    let members: Vec<usize> = (0..inputs.len()).filter(|i| inputs.items()[*i].source() == source).collect();
    let items = || members.iter().map(|i| &inputs.items()[*i]);
    let evaluation = items().map(super::Input::evaluation).reduce(EvaluationType::and).unwrap_or(EvaluationType::B);
    let distribution = items()
        .map(|item| item.distribution().name())
        .reduce(|a, b| if a == b { a } else { "several" })
        .unwrap_or("fixed");
    let single = if let [only] = members.as_slice() { Some(*only) } else { None };
    BudgetLine {
        source: source.to_owned(),
        label: items().next().map(|item| item.label().to_owned()).unwrap_or_default(),
        inputs: members.len(),
        evaluation,
        distribution,
        input_u: single.map(|i| inputs.items()[i].u()),
        sensitivity: single.map(|i| slopes.at(output, i)),
        u: part.alone.max(0.0).sqrt(),
        dof: if part.spread > 0.0 { part.alone * part.alone / part.spread } else { f64::INFINITY },
        share: if total > 0.0 { part.allotted / total } else { 0.0 },
    }
}
