//! The fit: what is known before, and damped Gauss–Newton over all parameters.

use nalgebra::{DMatrix, DVector};

use super::Looks;
use super::model::{EndKind, Layout, drawn};
use super::raster::Layer;
use super::samples::Samples;
use crate::animal::by_hand;
use crate::animal::snap::strip::median_of;
use crate::units::{Image, Point, Px, Vector};

/// The blur as two Gaussians: shares, and standard deviations in blur spots. They follow the edge response of diffraction within
/// 0.003 up to 1.8 blur spots (fitted to its closed form).
const CORE: (f64, f64) = (0.836, 0.298);
const HALO: (f64, f64) = (0.164, 1.80);
/// What no drawing of the chain follows: tones that vary within a segment, another course of the sides, which of two segments lies over
/// the other, the far tails of the blur. Not derived but measured, as standard uncertainties of a joint, of one next to the body, and of
/// the body's edge square to itself, in blur spots: marks of rendered antennae, drawn by a renderer of its own, depart from the truth by
/// 0.034, 0.033 and 0.065 at f/4 (`animal_campaign anatomy 32 f4 --first 5000`, seeds apart from those of the figures on coverage),
/// of which the fit's own covariance explains 0.02, 0.03 and 0.04; at f/8 by 0.05, 0.07 and 0.12.
const U_DRAWING_W: f64 = 0.035;
const U_BESIDE_BODY_W: f64 = 0.045;
const U_BODY_W: f64 = 0.07;
/// They grow as a segment beside the joint is shorter than this many blur spots, where the light of three joints runs together: so that
/// they follow what is measured at f/8 too, where segments beside joints are 3.4 to 5.3 and the first one 2 blur spots long.
const RUNS_TOGETHER_W: f64 = 6.0;
const RUNS_TOGETHER_BODY_W: f64 = 3.5;
/// Rounds of weighing, and steps in each.
const ROUNDS: usize = 3;
const STEPS: usize = 7;
/// A share of the contrast that no drawing explains.
const UNEXPLAINED: f64 = 0.01;
/// Tukey's limit, in standard deviations.
const TUKEY: f64 = 4.685;
/// Normalised median absolute deviation to standard deviation.
const MAD_TO_SD: f64 = 1.482_602_218_505_602;
/// Share of its standard deviation by which a parameter is moved for its derivative.
const DELTA: f64 = 0.03;
/// Marks that moved by more than this many standard deviations of the hand are tried from the other side too.
const FAR_MOVED: f64 = 0.7;
/// A resting place whose cost is higher by this has a ten-thousandth of the say, e^(−18/2), and none is given to it.
const NO_SAY: f64 = 18.0;
/// Fits whose marks are all within this many standard uncertainties of the hand have come to rest in one place.
const SAME_PLACE: f64 = 0.1;
/// Parameters stay within this many standard deviations of what is known before.
const LIMIT: f64 = 4.0;

/// A fitted chain.
pub(super) struct Fit {
    p: Vec<f64>,
    /// Covariance of the parameters.
    covariance: DMatrix<f64>,
    /// Scatter of a sample about the drawing.
    pub(super) scatter: f64,
    /// What the drawing itself leaves open of each mark, px.
    u_drawing_px: Vec<f64>,
}

/// What the drawing leaves open of each mark, cells; `w` in cells.
fn u_drawing(layout: &Layout, p: &[f64], w: f64) -> Vec<f64> {
    let length = |i: usize| (p[2 * i + 2] - p[2 * i]).hypot(p[2 * i + 3] - p[2 * i + 1]);
    let of = |i: usize| {
        let beside = i.saturating_sub(1)..(i + 1).min(layout.segments());
        let shorter = beside.map(length).fold(f64::INFINITY, f64::min);
        let together = |from_w: f64| (from_w * w / shorter.max(0.3 * w)).max(1.0);
        match (i, layout.first) {
            // An edge that is met obliquely is known less well along the segment.
            (0, EndKind::Body) => {
                U_BODY_W * w * together(RUNS_TOGETHER_BODY_W) / p[layout.body() + 1].cos().abs().max(0.3)
            }
            (1, EndKind::Body) => U_BESIDE_BODY_W * w * together(RUNS_TOGETHER_BODY_W),
            _ => U_DRAWING_W * w * together(RUNS_TOGETHER_W),
        }
    };
    (0..layout.marks).map(of).collect()
}

/// What is known before: values and standard deviations.
struct Before {
    p: Vec<f64>,
    sd: Vec<f64>,
}

impl Before {
    fn of(samples: &Samples, layout: &Layout, marks: &[Point<Image>], w: f64, looks: &Looks) -> Self {
        let count = layout.count();
        let (mut p, mut sd) = (vec![0.0; count], vec![1.0; count]);
        let mut set = |i: usize, value: f64, spread: f64| (p[i], sd[i]) = (value, spread);
        let cell = samples.cell_px;
        let hand = by_hand(Px::new(w)).get() / cell;
        for (i, m) in marks.iter().enumerate() {
            let v = *m - samples.origin;
            set(layout.mark(i), v.x / cell, hand);
            set(layout.mark(i) + 1, v.y / cell, hand);
        }
        let contrast = median_of(looks.tones.iter().map(|t| t.abs())).unwrap_or(0.1);
        for i in 0..layout.segments() {
            let half = looks.halves[i] / cell;
            set(layout.half(i), half, 0.2 * half + 0.15 * w / cell);
            set(layout.tone(i), looks.tones[i], 0.3 * contrast);
            set(layout.neck(i), 0.7, 0.25);
        }
        // Profiles between a rounded barrel and one with a sharp waist.
        set(layout.belly(), 0.7f64.ln(), 0.5);
        set(layout.overlap(), 0.0, 2.0);
        set(layout.blur(), 0.0, 0.1);
        set(layout.cap(), 1.0, 0.4);
        set(layout.ground(), looks.ground, 0.1 * contrast);
        set(layout.ground() + 1, 0.0, 0.1 * contrast);
        set(layout.ground() + 2, 0.0, 0.1 * contrast);
        if layout.first == EndKind::Body {
            set(layout.body(), looks.body, 0.3 * contrast);
            set(layout.body() + 1, 0.0, 0.6);
            // The end of a body that limbs spring from: a radius of a few blur spots.
            set(layout.body() + 2, 0.15 * cell / w, 0.15 * cell / w);
        }
        Self { p, sd }
    }
}

/// Everything that stays the same during a fit.
struct Problem<'a> {
    samples: &'a Samples,
    layout: Layout,
    before: Before,
    /// Standard deviations of core and halo, cells.
    sigma: (f64, f64),
    weights: Vec<f64>,
}

impl Problem<'_> {
    fn core(&self, p: &[f64]) -> f64 {
        self.sigma.0 * p[self.layout.blur()].exp()
    }

    fn ground(&self, p: &[f64], place: usize) -> f64 {
        let [a, b, c] = [0, 1, 2].map(|k| p[self.layout.ground() + k]);
        let x = (place % self.samples.columns) as f64 / self.samples.columns as f64 - 0.5;
        let y = (place / self.samples.columns) as f64 / self.samples.rows as f64 - 0.5;
        a + b * x + c * y
    }

    fn light(&self, p: &[f64]) -> (Layer, Vec<f64>) {
        let (columns, rows) = self.samples.cells();
        let layer = drawn(&self.layout, p, columns, rows);
        let core = self.samples.seen(&layer.blurred(self.core(p)), [0, 0]);
        let halo = self.samples.seen(&layer.blurred(self.sigma.1), [0, 0]);
        let at = |(u, (a, b)): (&(usize, f64), (&f64, &f64))| self.ground(p, u.0) + CORE.0 * a + HALO.0 * b;
        let light = self.samples.used.iter().zip(core.iter().zip(&halo)).map(at).collect();
        (layer, light)
    }

    fn cost(&self, p: &[f64], light: &[f64]) -> f64 {
        let data: f64 =
            self.samples.used.iter().zip(light).zip(&self.weights).map(|((u, l), w)| w * (u.1 - l).powi(2)).sum();
        let before: f64 = (0..p.len()).map(|i| ((p[i] - self.before.p[i]) / self.before.sd[i]).powi(2)).sum();
        data + before
    }

    /// Derivatives of the light by every parameter in units of its standard deviation; the halo's part of a change is left out.
    fn slopes(&self, p: &[f64], layer: &Layer) -> DMatrix<f64> {
        let (columns, rows) = self.samples.cells();
        let reach = (3.2 * self.core(p)).ceil() as usize;
        let mut out = DMatrix::zeros(self.samples.used.len(), p.len());
        let ground = self.layout.ground();
        for j in 0..p.len() {
            let step = DELTA * self.before.sd[j];
            let mut moved = p.to_vec();
            moved[j] += step;
            let column: Vec<f64> = if (ground..ground + 3).contains(&j) {
                self.samples.used.iter().map(|u| self.ground(&moved, u.0) - self.ground(p, u.0)).collect()
            } else if j == self.layout.blur() {
                let seen = |p: &[f64]| self.samples.seen(&layer.blurred(self.core(p)), [0, 0]);
                seen(&moved).iter().zip(&seen(p)).map(|(a, b)| CORE.0 * (a - b)).collect()
            } else {
                let other = drawn(&self.layout, &moved, columns, rows);
                let Some([x0, y0, x1, y1]) = layer.differs_in(&other) else { continue };
                let area = [
                    x0.saturating_sub(reach),
                    y0.saturating_sub(reach),
                    (x1 + reach).min(columns),
                    (y1 + reach).min(rows),
                ];
                let (mut change, old) = (other.part(area), layer.part(area));
                change.values.iter_mut().zip(&old.values).for_each(|(a, b)| *a = CORE.0 * (*a - b));
                self.samples.seen(&change.blurred(self.core(p)), [area[0], area[1]])
            };
            for (i, v) in column.into_iter().enumerate() {
                out[(i, j)] = v / DELTA;
            }
        }
        out
    }

    /// The normal matrix in units of the standard deviations, data alone, and the downhill vector with what is known before.
    fn equations(&self, p: &[f64], light: &[f64], slopes: &DMatrix<f64>) -> (DMatrix<f64>, DVector<f64>) {
        let mut weighted = slopes.clone();
        for (i, w) in self.weights.iter().enumerate() {
            weighted.row_mut(i).scale_mut(*w);
        }
        let normal = slopes.tr_mul(&weighted);
        let rest = DVector::from_iterator(light.len(), self.samples.used.iter().zip(light).map(|(u, l)| u.1 - l));
        let pull = DVector::from_fn(p.len(), |i, _| (self.before.p[i] - p[i]) / self.before.sd[i]);
        (normal, weighted.tr_mul(&rest) + pull)
    }

    fn solve(&self, mut p: Vec<f64>) -> Option<(Vec<f64>, Vec<f64>, Layer)> {
        let (mut layer, mut light) = self.light(&p);
        let mut cost = self.cost(&p, &light);
        let mut damping = 1e-2;
        for _ in 0..STEPS {
            let slopes = self.slopes(&p, &layer);
            let (normal, right) = self.equations(&p, &light, &slopes);
            let mut gain = 0.0;
            for _ in 0..4 {
                let mut damped = normal.clone();
                for i in 0..p.len() {
                    damped[(i, i)] = (damped[(i, i)] + 1.0) * (1.0 + damping);
                }
                let step = damped.cholesky()?.solve(&right);
                let next: Vec<f64> = (0..p.len())
                    .map(|i| {
                        let z = (p[i] - self.before.p[i]) / self.before.sd[i] + step[i].clamp(-1.0, 1.0);
                        self.before.p[i] + self.before.sd[i] * z.clamp(-LIMIT, LIMIT)
                    })
                    .collect();
                let (l, v) = self.light(&next);
                let tried = self.cost(&next, &v);
                if tried < cost {
                    gain = cost - tried;
                    (p, layer, light, cost) = (next, l, v, tried);
                    damping = (0.2 * damping).max(1e-6);
                    break;
                }
                damping = 8.0 * damping + 1e-3;
            }
            if gain <= 1e-3 * cost.min(100.0) {
                break;
            }
        }
        cost.is_finite().then_some((p, light, layer))
    }

    /// Scatter of a sample about the drawing, and from it the say of each.
    fn reweigh(&mut self, light: &[f64], contrast: f64) -> f64 {
        let rest = || self.samples.used.iter().zip(light).map(|(u, l)| u.1 - l);
        let scatter = MAD_TO_SD * median_of(rest().map(f64::abs)).unwrap_or(0.0);
        let variance = scatter * scatter + (UNEXPLAINED * contrast).powi(2);
        let say = |r: f64| {
            let q = r * r / (variance * TUKEY * TUKEY);
            if q < 1.0 { (1.0 - q).powi(2) / variance } else { 0.0 }
        };
        self.weights = rest().map(say).collect();
        scatter
    }

    /// By how much neighbours depart together: variance of sums over squares of half a blur spot over that of independent samples.
    fn together(&self, light: &[f64], w_samples: f64) -> f64 {
        let side = (0.6 * w_samples).round().max(2.0) as usize;
        let across = self.samples.columns / side + 1;
        let mut sums = vec![0.0; across * (self.samples.rows / side + 1)];
        let mut single = 0.0;
        for ((u, l), weight) in self.samples.used.iter().zip(light).zip(&self.weights) {
            let r = weight.sqrt() * (u.1 - l);
            sums[(u.0 / self.samples.columns / side) * across + (u.0 % self.samples.columns) / side] += r;
            single += r * r;
        }
        sums.iter().map(|s| s * s).sum::<f64>() / single.max(1e-12)
    }
}

impl Fit {
    /// `None` where the fit does not settle.
    pub(super) fn of(
        samples: &Samples,
        layout: Layout,
        marks: &[Point<Image>],
        w: f64,
        (looks, short): (&Looks, bool),
    ) -> Option<Self> {
        let cell = samples.cell_px;
        // The soft rim of the drawing and the mean over a sample are part of the blur.
        let own = 1.0 / 12.0 + if samples.per > 1 { 0.25 } else { 0.0 };
        let core = ((CORE.1 * w / cell).powi(2) - own).max(0.04).sqrt();
        let before = Before::of(samples, &layout, marks, w, looks);
        let contrast = median_of(looks.tones.iter().map(|t| t.abs()))?;
        let first = 1.0 / (looks.noise.hypot(0.03 * contrast)).powi(2);
        let weights = vec![first; samples.used.len()];
        let mut problem = Problem { samples, layout, before, sigma: (core, HALO.1 * w / cell), weights };
        let start = problem.start();
        let mut settled = problem.settle(start.clone(), contrast)?;
        if short {
            return Self::of_all(problem, &start, settled, contrast, w / cell);
        }
        let other = problem.on_the_other_side(&start, &settled)?;
        let better = other.as_ref().is_some_and(|o| o.cost < settled.cost);
        let rival = match other {
            Some(other) if better => {
                let rival = settled.p.clone();
                settled = problem.settle(other.p, contrast)?;
                Some((rival, problem.cost(&settled.p, &settled.light)))
            }
            other => other.map(|o| (o.p, o.cost)),
        };
        let Settled { p, light, layer, scatter, cost } = settled;
        let slopes = problem.slopes(&p, &layer);
        let (normal, _) = problem.equations(&p, &light, &slopes);
        let together = problem.together(&light, w / (cell * samples.per as f64)).max(1.0);
        let n = p.len();
        let posterior = (normal / together + DMatrix::identity(n, n)).try_inverse()?;
        let sd = &problem.before.sd;
        let mut covariance = DMatrix::from_fn(n, n, |i, j| posterior[(i, j)] * sd[i] * sd[j]);
        if let Some((rival, its_cost)) = rival {
            // Two places that explain the picture nearly as well: what they differ by counts by how likely the other one is.
            let odds = (-0.5 * (its_cost - cost).max(0.0) / together).exp();
            let by = DVector::from_fn(n, |i, _| rival[i] - p[i]);
            covariance += &by * by.transpose() * (odds / (1.0 + odds));
        }
        let u_drawing_px = u_drawing(&layout, &p, w / cell).into_iter().map(|u| u * cell).collect();
        Some(Self { p, covariance, scatter, u_drawing_px })
    }

    /// Short chains come to rest in wrong places too: every place found from several starts counts by how well it explains the picture.
    fn of_all(mut problem: Problem<'_>, start: &[f64], first: Settled, contrast: f64, w: f64) -> Option<Self> {
        let (layout, samples) = (problem.layout, problem.samples);
        let mut all = vec![first];
        for start in problem.starts(start) {
            let Some(found) = problem.settle(start, contrast) else { continue };
            all.push(found);
        }
        // One yardstick for all of them: that of the one with the least scatter.
        let least = all.iter().min_by(|a, b| a.scatter.total_cmp(&b.scatter))?;
        problem.reweigh(&least.light, contrast);
        let together = problem.together(&least.light, w / samples.per as f64).max(1.0);
        let variance = least.scatter.powi(2) + (UNEXPLAINED * contrast).powi(2);
        for s in &mut all {
            s.cost = problem.robust_cost(&s.p, &s.light, variance, together);
        }
        all.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        let mut kept: Vec<Settled> = Vec::new();
        for s in all {
            let same = |o: &Settled| problem.apart(&s.p, &o.p) < SAME_PLACE;
            if s.cost < kept.first().map_or(f64::INFINITY, |b| b.cost + NO_SAY) && !kept.iter().any(same) {
                kept.push(s);
            }
        }
        let n = start.len();
        let best = kept[0].cost;
        let says: Vec<f64> = kept.iter().map(|s| (-0.5 * (s.cost - best)).exp()).collect();
        let total: f64 = says.iter().sum();
        let mean = DVector::from_fn(n, |i, _| kept.iter().zip(&says).map(|(s, say)| say * s.p[i]).sum::<f64>() / total);
        let mut covariance = DMatrix::zeros(n, n);
        for (s, say) in kept.iter().zip(&says) {
            problem.reweigh(&s.light, contrast);
            let slopes = problem.slopes(&s.p, &s.layer);
            let (normal, _) = problem.equations(&s.p, &s.light, &slopes);
            let posterior = (normal / together + DMatrix::identity(n, n)).try_inverse()?;
            let sd = &problem.before.sd;
            let by = DVector::from_fn(n, |i, _| s.p[i] - mean[i]);
            let own = DMatrix::from_fn(n, n, |i, j| posterior[(i, j)] * sd[i] * sd[j]) + &by * by.transpose();
            covariance += own * (say / total);
        }
        let scatter = kept[0].scatter;
        let p: Vec<f64> = mean.iter().copied().collect();
        let u_drawing_px = u_drawing(&layout, &p, w).into_iter().map(|u| u * samples.cell_px).collect();
        Some(Self { p, covariance, scatter, u_drawing_px })
    }

    pub(super) fn parameter(&self, i: usize) -> f64 {
        self.p[i]
    }

    /// Image position of a mark and its covariance, px².
    pub(super) fn place(&self, samples: &Samples, i: usize) -> (Point<Image>, [f64; 3]) {
        let c = samples.cell_px;
        let at = samples.origin + Vector::new(self.p[2 * i], self.p[2 * i + 1]) * c;
        let drawing = (self.u_drawing_px[i]).powi(2);
        let entry =
            |a: usize, b: usize| self.covariance[(2 * i + a, 2 * i + b)] * c * c + if a == b { drawing } else { 0.0 };
        (at, [entry(0, 0), entry(0, 1), entry(1, 1)])
    }
}

/// Where a fit came to rest.
struct Settled {
    p: Vec<f64>,
    light: Vec<f64>,
    layer: Layer,
    scatter: f64,
    cost: f64,
}

impl Problem<'_> {
    /// Solves and weighs in turn.
    fn settle(&mut self, mut p: Vec<f64>, contrast: f64) -> Option<Settled> {
        let mut last = None;
        for _ in 0..ROUNDS {
            let (found, light, layer) = self.solve(p)?;
            let scatter = self.reweigh(&light, contrast);
            p = found;
            last = Some((light, layer, scatter));
        }
        let (light, layer, scatter) = last?;
        let cost = self.cost(&p, &light);
        Some(Settled { p, light, layer, scatter, cost })
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
        let (p, light, layer) = self.solve(p)?;
        let cost = self.cost(&p, &light);
        Some(Some(Settled { p, light, layer, scatter: settled.scatter, cost }))
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

    /// Where the fit begins: as known before, with the turn of the body's edge that fits best.
    fn start(&self) -> Vec<f64> {
        let p = self.before.p.clone();
        if self.layout.first != EndKind::Body {
            return p;
        }
        let turned = |angle: f64| {
            let mut p = p.clone();
            p[self.layout.body() + 1] = angle;
            let (_, light) = self.light(&p);
            (self.cost(&p, &light), p)
        };
        let tried = (-4..=4).map(|k| turned(0.25 * f64::from(k)));
        tried.min_by(|a, b| a.0.total_cmp(&b.0)).map_or(p.clone(), |best| best.1)
    }
}
