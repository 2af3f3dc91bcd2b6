//! Coverage, bias and errors by regime, kind and placement.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use motestick::exchange::plot::{Axis, Data, Panel, Plot, Series};

use super::trial::{Outcome, Regime};

/// What is counted of one kind of figure.
#[derive(Clone, Debug, Default)]
struct Tally {
    figures: usize,
    held: usize,
    pulls: f64,
    square_pulls: f64,
    square_errors_rel: f64,
    u_rel: f64,
    bounds: usize,
    bounds_held: usize,
    bright_held: [usize; 2],
    bright: [usize; 2],
    /// Segments of 1.7 to 2.3 blur spots, and those of them whose marks all moved: number and sum of squared errors, relative.
    near_two: (usize, f64),
    near_two_moved: (usize, f64),
}

impl Tally {
    fn add(&mut self, o: &Outcome) {
        let (Some(value), Some(u), Some(pull)) = (o.value, o.u, o.pull()) else {
            self.bounds += 1;
            self.bounds_held += usize::from(o.holds());
            return;
        };
        self.figures += 1;
        self.held += usize::from(o.holds());
        self.bright[usize::from(o.bright)] += 1;
        self.bright_held[usize::from(o.bright)] += usize::from(o.holds());
        self.pulls += pull;
        self.square_pulls += pull * pull;
        let error = value / o.truth - 1.0;
        self.square_errors_rel += error * error;
        self.u_rel += u / o.truth;
        if (1.7..2.3).contains(&o.spots) {
            let more = |(n, squares): (usize, f64)| (n + 1, squares + error * error);
            self.near_two = more(self.near_two);
            if !o.stays {
                self.near_two_moved = more(self.near_two_moved);
            }
        }
    }

    fn coverage(&self) -> f64 {
        self.held as f64 / self.figures.max(1) as f64
    }
}

/// All that was counted.
#[derive(Debug, Default)]
pub(crate) struct Report {
    tallies: BTreeMap<(Regime, bool, &'static str), Tally>,
}

/// Half the 95 % interval of a share counted among `n` (E. B. Wilson, J. Am. Stat. Assoc. 22, 1927, 209), which is not empty where all or
/// none are counted.
fn counting(share: f64, n: usize) -> f64 {
    let (z, n) = (1.96, n as f64);
    z * (share * (1.0 - share) / n + (z / (2.0 * n)).powi(2)).sqrt() / (1.0 + z * z / n)
}

impl Report {
    pub(crate) fn add(&mut self, regime: Regime, outcome: &Outcome) {
        self.tallies.entry((regime, outcome.snapped, outcome.kind)).or_default().add(outcome);
    }

    /// The table of one regime.
    pub(crate) fn table(&self, regime: Regime) -> String {
        let mut out = format!(
            "{:8} {:8} {:16} {:>6} {:>8} {:>6} {:>6} {:>7} {:>8} {:>8} {:>7}  {}\n",
            "regime",
            "marks",
            "figure",
            "n",
            "held",
            "dark",
            "bright",
            "bias/u",
            "rms pull",
            "rms err",
            "mean u",
            "bounds held"
        );
        for ((_, snapped, kind), t) in self.tallies.iter().filter(|(k, _)| k.0 == regime) {
            let n = t.figures.max(1) as f64;
            let share = |k: usize| 100.0 * t.bright_held[k] as f64 / t.bright[k].max(1) as f64;
            let bounds = if t.bounds == 0 {
                String::new()
            } else {
                format!("{:.1} % of {}", 100.0 * t.bounds_held as f64 / t.bounds as f64, t.bounds)
            };
            let rms =
                |(n, squares): (usize, f64)| format!("{:.1} % of {n}", 100.0 * (squares / n.max(1) as f64).sqrt());
            let near_two = match t.near_two.0 {
                0 => String::new(),
                _ if !kind.starts_with("segment ") => String::new(),
                _ if *snapped => {
                    format!("  [2 spots: {}; both marks snapped: {}]", rms(t.near_two), rms(t.near_two_moved))
                }
                _ => format!("  [2 spots: {}]", rms(t.near_two)),
            };
            let _written = writeln!(
                out,
                "{:8} {:8} {:16} {:>6} {:>6.1} % {:>6.1} {:>6.1} {:>+7.2} {:>8.2} {:>6.2} % {:>5.2} %  {bounds}{near_two}",
                regime.name(),
                if *snapped { "snapped" } else { "hand" },
                kind,
                t.figures,
                100.0 * t.coverage(),
                share(0),
                share(1),
                t.pulls / n,
                (t.square_pulls / n).sqrt(),
                100.0 * (t.square_errors_rel / n).sqrt(),
                100.0 * t.u_rel / n,
            );
        }
        out
    }

    /// Coverage by regime, marks set by hand above, snapped below.
    pub(crate) fn plot(&self) -> Plot {
        let panel = |snapped: bool, title: &str| {
            let mut kinds: Vec<&str> = self.tallies.keys().filter(|k| k.1 == snapped).map(|k| k.2).collect();
            kinds.sort_unstable();
            kinds.dedup();
            let ends = [(0.5, 93.0, 97.0), (Regime::ALL.len() as f64 + 0.5, 93.0, 97.0)];
            let mut series = vec![
                Series::new("93 to 97 %", Data::Band(ends.to_vec())),
                Series::new("", Data::Across(95.0)).dashed(),
            ];
            for (k, kind) in kinds.iter().enumerate() {
                let aside = 0.09 * (k as f64 - 0.5 * (kinds.len() as f64 - 1.0));
                let points = Regime::ALL.iter().enumerate().filter_map(|(i, regime)| {
                    let t = self.tallies.get(&(*regime, snapped, *kind)).filter(|t| t.figures >= 50)?;
                    let p = t.coverage();
                    Some((i as f64 + 1.0 + aside, 100.0 * p, 100.0 * counting(p, t.figures)))
                });
                series.push(Series::new(kind, Data::PointsWithErrors(points.collect())));
            }
            let x = Axis { range: Some((0.5, Regime::ALL.len() as f64 + 0.5)), ..Axis::new("regime", "") };
            let y = Axis { range: Some((88.0, 100.0)), ..Axis::new("stated 95 % intervals that hold the truth", "%") };
            Panel { title: title.to_owned(), ..Panel::new(x, y, series) }
        };
        let names: Vec<String> =
            Regime::ALL.iter().enumerate().map(|(i, r)| format!("{} {}", i + 1, r.name())).collect();
        Plot {
            subtitle: format!("Regimes: {}. Error bars: 95 % of the counting alone.", names.join(", ")),
            ..Plot::new(
                "Do stated intervals keep their word?",
                vec![panel(false, "Marks set by hand"), panel(true, "Snapped marks")],
            )
        }
    }
}
