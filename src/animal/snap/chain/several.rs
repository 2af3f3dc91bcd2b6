//! Where the fit comes to rest: in one place, or in several that the picture explains nearly as well.

use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use super::fit::Outcome;
use super::problem::{Problem, Settled, TUKEY, UNEXPLAINED};

/// Marks that moved by more than this many standard deviations of the hand are tried from the other side too.
const FAR_MOVED: f64 = 0.7;
/// A resting place whose cost is higher by this has a ten-thousandth of the say, e^(−18/2), and none is given to it.
const NO_SAY: f64 = 18.0;
/// Fits whose marks are all within this many standard uncertainties of the hand have come to rest in one place.
const SAME_PLACE: f64 = 0.1;
impl Problem<'_> {
    /// The fit from where the hand set the marks, and where they moved far from their other side too.
    pub(super) fn one_place(mut self, start: Vec<f64>) -> Option<Outcome> {
        let mut settled = self.settle(start.clone())?;
        let other = self.on_the_other_side(&start, &settled)?;
        let better = other.as_ref().is_some_and(|o| o.cost < settled.cost);
        let rival = match other {
            Some(other) if better => {
                let rival = settled.p.clone();
                settled = self.settle(other.p)?;
                Some((rival, self.cost(&settled.p, &settled.light)))
            }
            other => other.map(|o| (o.p, o.cost)),
        };
        let together = self.together(&settled.light).max(1.0);
        let mut covariance = self.covariance(&settled, together)?;
        let mottle = self.mottle(&settled.light, &settled.layer);
        let Settled { p, scatter, cost, .. } = settled;
        if let Some((rival, its_cost)) = rival {
            // Two places that explain the picture nearly as well: what they differ by counts by how likely the other one is.
            let odds = (-0.5 * (its_cost - cost).max(0.0) / together).exp();
            let by = DVector::from_fn(p.len(), |i, _| rival[i] - p[i]);
            covariance += &by * by.transpose() * (odds / (1.0 + odds));
        }
        Some(Outcome { p, covariance, scatter, mottle })
    }

    /// Covariance of the parameters where it came to rest, neighbouring samples that depart together counted as one.
    fn covariance(&self, settled: &Settled, together: f64) -> Option<DMatrix<f64>> {
        let slopes = self.slopes(&settled.p, (&settled.light, &settled.layer));
        let (normal, _) = self.equations(&settled.p, &settled.light, &slopes);
        let (n, sd) = (settled.p.len(), &self.before.sd);
        let posterior = (normal / together + DMatrix::identity(n, n)).try_inverse()?;
        Some(DMatrix::from_fn(n, n, |i, j| posterior[(i, j)] * sd[i] * sd[j]))
    }

    /// Short chains come to rest in wrong places too: every place found from several starts counts by how well it explains the picture.
    pub(super) fn all_places(mut self, start: &[f64]) -> Option<Outcome> {
        let starts: Vec<Vec<f64>> = std::iter::once(start.to_vec()).chain(self.starts(start)).collect();
        // Looked at first with all samples alike: most of them come to rest in the same few places.
        let first: Vec<Settled> = starts.into_par_iter().filter_map(|start| self.at_rest(start)).collect();
        let first = self.distinct(first, f64::INFINITY);
        self.reweigh(&first.first()?.light);
        let mut all: Vec<Settled> = first.into_par_iter().filter_map(|s| self.clone().settle(s.p)).collect();
        // One yardstick for all of them: that of the one with the least scatter.
        let least = all.iter().min_by(|a, b| a.scatter.total_cmp(&b.scatter))?;
        self.reweigh(&least.light);
        let together = self.together(&least.light).max(1.0);
        let variance = least.scatter.powi(2) + (UNEXPLAINED * self.contrast).powi(2);
        for s in &mut all {
            s.cost = self.robust_cost(&s.p, &s.light, variance, together);
        }
        let kept = self.distinct(all, NO_SAY);
        let n = start.len();
        let best = kept[0].cost;
        let says: Vec<f64> = kept.iter().map(|s| (-0.5 * (s.cost - best)).exp()).collect();
        let total: f64 = says.iter().sum();
        let mean = DVector::from_fn(n, |i, _| kept.iter().zip(&says).map(|(s, say)| say * s.p[i]).sum::<f64>() / total);
        let mut covariance = DMatrix::zeros(n, n);
        for (s, say) in kept.iter().zip(&says) {
            self.reweigh(&s.light);
            let by = DVector::from_fn(n, |i, _| s.p[i] - mean[i]);
            covariance += (self.covariance(s, together)? + &by * by.transpose()) * (say / total);
        }
        let mottle = self.mottle(&kept[0].light, &kept[0].layer);
        Some(Outcome { p: mean.iter().copied().collect(), covariance, scatter: kept[0].scatter, mottle })
    }

    /// Where it comes to rest with the weights that there are.
    fn at_rest(&self, start: Vec<f64>) -> Option<Settled> {
        let (p, light, layer) = self.solve(start)?;
        let cost = self.cost(&p, &light);
        Some(Settled { p, light, layer, scatter: f64::INFINITY, cost })
    }

    /// Resting places, each once, the best first, whose cost is not higher by more than this.
    fn distinct(&self, mut all: Vec<Settled>, higher: f64) -> Vec<Settled> {
        all.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        let mut kept: Vec<Settled> = Vec::new();
        for s in all {
            let same = |o: &Settled| self.apart(&s.p, &o.p) < SAME_PLACE;
            if s.cost < kept.first().map_or(f64::INFINITY, |b| b.cost + higher) && !kept.iter().any(same) {
                kept.push(s);
            }
        }
        kept
    }

    /// The same once more with the marks on the other side of where the hand set them, where they moved far: a joint may be taken
    /// for its neighbour.
    fn on_the_other_side(&self, start: &[f64], settled: &Settled) -> Option<Option<Settled>> {
        let places = 2 * self.layout.marks;
        let moved = |i: usize| settled.p[i] - start[i];
        let far = (0..places).any(|i| moved(i).abs() > FAR_MOVED * self.before.sd[i]);
        if !far {
            return Some(None);
        }
        let mut p = settled.p.clone();
        for (i, v) in p.iter_mut().enumerate().take(places) {
            *v = start[i] - moved(i);
        }
        Some(Some(Settled { scatter: settled.scatter, ..self.at_rest(p)? }))
    }

    /// Other places to begin at: inner joints before or behind where the hand set them, along the chain, by its standard uncertainty; all
    /// ways for three of them, for more all alike or by turns.
    fn starts(&self, start: &[f64]) -> Vec<Vec<f64>> {
        let inner = self.layout.marks - 2;
        let ways: Vec<Vec<f64>> = if inner <= 3 {
            (0..1_u32 << inner)
                .map(|k| (0..inner).map(|i| if k >> i & 1 == 1 { 1.0 } else { -1.0 }).collect())
                .collect()
        } else {
            let turns = |f: fn(usize) -> f64| (0..inner).map(f).collect::<Vec<f64>>();
            let other = |i: usize| if i.is_multiple_of(2) { 1.0 } else { -1.0 };
            vec![turns(|_| 1.0), turns(|_| -1.0), turns(other), turns(|i| if i.is_multiple_of(2) { -1.0 } else { 1.0 })]
        };
        let moved = |way: Vec<f64>| {
            let mut p = start.to_vec();
            for (k, by) in way.into_iter().enumerate() {
                let i = k + 1;
                let v = [0, 1].map(|a| start[2 * i + 2 + a] - start[2 * i - 2 + a]);
                let length = v[0].hypot(v[1]).max(1e-9);
                for a in [0, 1] {
                    p[2 * i + a] += by * self.before.sd[2 * i] * v[a] / length;
                }
            }
            p
        };
        ways.into_iter().map(moved).collect()
    }

    /// Farthest that marks are apart, in standard uncertainties of the hand.
    fn apart(&self, a: &[f64], b: &[f64]) -> f64 {
        (0..2 * self.layout.marks).map(|i| (a[i] - b[i]).abs() / self.before.sd[i]).fold(0.0, f64::max)
    }

    /// Misfit that single pixels cannot carry off, neighbours that depart together counted as one, and what is known before.
    fn robust_cost(&self, p: &[f64], light: &[f64], variance: f64, together: f64) -> f64 {
        let limit = TUKEY * TUKEY;
        let rho = |r: f64| {
            let q = (r * r / variance / limit).min(1.0);
            limit / 3.0 * (1.0 - (1.0 - q).powi(3))
        };
        let data: f64 = self.samples.used.iter().zip(light).map(|(u, l)| rho(u.1 - l)).sum();
        let before: f64 = (0..p.len()).map(|i| ((p[i] - self.before.p[i]) / self.before.sd[i]).powi(2)).sum();
        data / together + before
    }
}
