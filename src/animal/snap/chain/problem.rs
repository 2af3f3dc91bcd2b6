//! The problem that is solved: what is known before, and damped Gauss–Newton over all parameters.

use nalgebra::{DMatrix, DVector};

use super::Looks;
use super::model::{EndKind, Layout, changed, drawn};
use super::raster::{Layer, REACH_SIGMA};
use super::samples::Samples;
use crate::animal::blur::X50_MINUS_X25_PER_W;
use crate::animal::by_hand;
use crate::animal::snap::strip::median_of;
use crate::setup::Coherence;
use crate::units::{Image, Point, Px};

/// The blur as two Gaussians: shares, and standard deviations in blur spots. They follow the edge response of diffraction within
/// 0.003 up to 1.8 blur spots (fitted to its closed form).
const CORE: (f64, f64) = (0.836, 0.298);
const HALO: (f64, f64) = (0.164, 1.80);
/// Rounds of weighing, and steps in each.
const ROUNDS: usize = 3;
const STEPS: usize = 7;
/// A share of the contrast that no drawing explains.
pub(super) const UNEXPLAINED: f64 = 0.01;
/// Tukey's limit, in standard deviations.
pub(super) const TUKEY: f64 = 4.685;
/// Normalised median absolute deviation to standard deviation.
const MAD_TO_SD: f64 = 1.482_602_218_505_602;
/// Share of its standard deviation by which a parameter is moved for its derivative.
const DELTA: f64 = 0.03;
/// Parameters stay within this many standard deviations of what is known before.
const LIMIT: f64 = 4.0;

/// What is known before: values and standard deviations.
#[derive(Clone)]
pub(super) struct Before {
    pub(super) p: Vec<f64>,
    pub(super) sd: Vec<f64>,
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
        if looks.joint_within() {
            // The body's edge lies somewhere between the joint and the first segment's middle.
            let along = marks[1] - marks[0];
            let by = along * (looks.halves[0] / cell / along.length());
            let spread = hand.hypot(looks.halves[0] / cell);
            let v = marks[0] - samples.origin;
            set(layout.mark(0), v.x / cell + by.x, spread);
            set(layout.mark(0) + 1, v.y / cell + by.y, spread);
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
        // Light that falls off by a twentieth over the patch.
        set(layout.ground() + 1, 0.0, 0.05);
        set(layout.ground() + 2, 0.0, 0.05);
        if layout.first == EndKind::Body {
            set(layout.body(), looks.body, 0.3 * contrast);
            set(layout.body() + 1, 0.0, 0.6);
            // The end of a body that limbs spring from: a radius of a few blur spots.
            set(layout.body() + 2, 0.15 * cell / w, 0.15 * cell / w);
            // Partly coherent light moves the body's edge toward the dark side, the waist of a socket not (measurement model, section 4): by how much
            // is known for short first segments only by that. More, and their waist is taken for the next joint.
            let (edge, u_edge) = match looks.coherence {
                Coherence::Unknown => (0.5 * X50_MINUS_X25_PER_W, X50_MINUS_X25_PER_W / 12f64.sqrt()),
                Coherence::Incoherent => (0.0, 0.0),
            };
            let long = ((marks[1] - marks[0]).length() / (4.0 * w)).min(1.0);
            let spread = u_edge.max(0.25 * long * long);
            set(layout.sunk(), -looks.body.signum() * edge * w / cell, spread * w / cell);
        }
        Self { p, sd }
    }
}

/// Where a fit came to rest.
pub(super) struct Settled {
    pub(super) p: Vec<f64>,
    pub(super) light: Vec<f64>,
    pub(super) layer: Layer,
    pub(super) scatter: f64,
    pub(super) cost: f64,
}

/// A patch of samples cut into squares.
struct Squares {
    /// Samples each way.
    side: usize,
    columns: usize,
    across: usize,
    count: usize,
}

impl Squares {
    /// The square that holds the sample at a place in the patch.
    fn of(&self, place: usize) -> usize {
        (place / self.columns / self.side) * self.across + (place % self.columns) / self.side
    }
}

/// Everything that stays the same during a fit.
#[derive(Clone)]
pub(super) struct Problem<'a> {
    pub(super) samples: &'a Samples,
    pub(super) layout: Layout,
    pub(super) before: Before,
    /// Standard deviations of core and halo, cells.
    sigma: (f64, f64),
    weights: Vec<f64>,
    pub(super) contrast: f64,
    /// The blur spot, samples.
    w_samples: f64,
}

impl<'a> Problem<'a> {
    /// `None` where the chain has no light of its own.
    pub(super) fn new(
        samples: &'a Samples,
        layout: Layout,
        marks: &[Point<Image>],
        w: f64,
        looks: &Looks,
    ) -> Option<Self> {
        let cell = samples.cell_px;
        // The soft rim of the drawing and the mean over a sample are part of the blur.
        let own = 1.0 / 12.0 + if samples.per > 1 { 0.25 } else { 0.0 };
        let core = ((CORE.1 * w / cell).powi(2) - own).max(0.04).sqrt();
        let before = Before::of(samples, &layout, marks, w, looks);
        let contrast = median_of(looks.tones.iter().map(|t| t.abs()))?;
        let first = 1.0 / (looks.noise.hypot(0.03 * contrast)).powi(2);
        let weights = vec![first; samples.used.len()];
        let w_samples = w / (cell * samples.per as f64);
        Some(Self { samples, layout, before, sigma: (core, HALO.1 * w / cell), weights, contrast, w_samples })
    }

    fn core(&self, p: &[f64]) -> f64 {
        self.sigma.0 * p[self.layout.blur()].exp()
    }

    /// How much light falls on a sample, over that in the middle of the patch: it shines on animal and ground alike.
    fn shine(&self, p: &[f64], place: usize) -> f64 {
        let [b, c] = [1, 2].map(|k| p[self.layout.ground() + k]);
        let x = (place % self.samples.columns) as f64 / self.samples.columns as f64 - 0.5;
        let y = (place / self.samples.columns) as f64 / self.samples.rows as f64 - 0.5;
        1.0 + b * x + c * y
    }

    fn light(&self, p: &[f64]) -> (Layer, Vec<f64>) {
        let layer = drawn(&self.layout, p, self.samples.whole());
        let core = self.samples.seen(&layer.blurred(self.core(p)));
        let halo = self.samples.seen(&layer.blurred(self.sigma.1));
        let ground = p[self.layout.ground()];
        let at = |(u, (a, b)): (&(usize, f64), (&f64, &f64))| self.shine(p, u.0) * (ground + CORE.0 * a + HALO.0 * b);
        let light = self.samples.used.iter().zip(core.iter().zip(&halo)).map(at).collect();
        (layer, light)
    }

    pub(super) fn cost(&self, p: &[f64], light: &[f64]) -> f64 {
        let data: f64 =
            self.samples.used.iter().zip(light).zip(&self.weights).map(|((u, l), w)| w * (u.1 - l).powi(2)).sum();
        let before: f64 = (0..p.len()).map(|i| ((p[i] - self.before.p[i]) / self.before.sd[i]).powi(2)).sum();
        data + before
    }

    /// Derivatives of the light by every parameter in units of its standard deviation; the halo's part of a change is left out.
    pub(super) fn slopes(&self, p: &[f64], (light, layer): (&[f64], &Layer)) -> DMatrix<f64> {
        let mut out = DMatrix::zeros(self.samples.used.len(), p.len());
        let ground = self.layout.ground();
        let shine: Vec<f64> = self.samples.used.iter().map(|u| self.shine(p, u.0)).collect();
        for j in 0..p.len() {
            let mut moved = p.to_vec();
            moved[j] += DELTA * self.before.sd[j];
            // Of the light as it would be if it were even.
            let column: Vec<f64> = if j == ground {
                vec![moved[j] - p[j]; shine.len()]
            } else if j == ground + 1 || j == ground + 2 {
                let more = |(u, (s, l)): (&(usize, f64), (&f64, &f64))| (self.shine(&moved, u.0) - s) * l / (s * s);
                self.samples.used.iter().zip(shine.iter().zip(light)).map(more).collect()
            } else if j == self.layout.blur() {
                let seen = |p: &[f64]| self.samples.seen(&layer.blurred(self.core(p)));
                seen(&moved).iter().zip(&seen(p)).map(|(a, b)| CORE.0 * (a - b)).collect()
            } else {
                let Some(change) = self.change(p, layer, (j, &moved)) else { continue };
                self.samples.seen(&change.blurred(self.core(p)))
            };
            out.column_mut(j).iter_mut().zip(column.iter().zip(&shine)).for_each(|(to, (v, s))| *to = v * s / DELTA);
        }
        out
    }

    /// What moving a parameter changes of the drawing's core, with room for the blur; `None` where it changes nothing.
    fn change(&self, p: &[f64], layer: &Layer, (j, moved): (usize, &[f64])) -> Option<Layer> {
        let whole = self.samples.whole();
        let window = changed(&self.layout, j, p, moved, whole);
        let (new, old) = (drawn(&self.layout, moved, window), layer.part(window));
        let [x0, y0, x1, y1] = old.differs_in(&new)?;
        let reach = (REACH_SIGMA * self.core(p)).ceil() as usize;
        let (left, top) = (window[0] + x0, window[1] + y0);
        let (right, bottom) = (window[0] + x1 + reach, window[1] + y1 + reach);
        let room = [left.saturating_sub(reach), top.saturating_sub(reach), right.min(whole[2]), bottom.min(whole[3])];
        let mut out = Layer::window(room);
        for row in y0..y1 {
            let from = (window[1] + row - room[1]) * out.columns + left - room[0];
            let span = row * old.columns + x0..row * old.columns + x1;
            let differences = new.values[span.clone()].iter().zip(&old.values[span]).map(|(a, b)| CORE.0 * (a - b));
            out.values[from..from + x1 - x0].iter_mut().zip(differences).for_each(|(to, v)| *to = v);
        }
        Some(out)
    }

    /// The normal matrix in units of the standard deviations, data alone, and the downhill vector with what is known before.
    pub(super) fn equations(&self, p: &[f64], light: &[f64], slopes: &DMatrix<f64>) -> (DMatrix<f64>, DVector<f64>) {
        let n = p.len();
        let mut weighted = slopes.clone();
        for mut column in weighted.column_iter_mut() {
            column.iter_mut().zip(&self.weights).for_each(|(v, w)| *v *= w);
        }
        let mut normal = DMatrix::zeros(n, n);
        for a in 0..n {
            for b in 0..=a {
                normal[(a, b)] = weighted.column(a).dot(&slopes.column(b));
                normal[(b, a)] = normal[(a, b)];
            }
        }
        let rest = DVector::from_iterator(light.len(), self.samples.used.iter().zip(light).map(|(u, l)| u.1 - l));
        let pull = DVector::from_fn(n, |i, _| (self.before.p[i] - p[i]) / self.before.sd[i]);
        (normal, weighted.tr_mul(&rest) + pull)
    }

    pub(super) fn solve(&self, mut p: Vec<f64>) -> Option<(Vec<f64>, Vec<f64>, Layer)> {
        let (mut layer, mut light) = self.light(&p);
        let mut cost = self.cost(&p, &light);
        let mut damping = 1e-2;
        for _ in 0..STEPS {
            let slopes = self.slopes(&p, (&light, &layer));
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
    pub(super) fn reweigh(&mut self, light: &[f64]) -> f64 {
        let rest = || self.samples.used.iter().zip(light).map(|(u, l)| u.1 - l);
        let scatter = MAD_TO_SD * median_of(rest().map(f64::abs)).unwrap_or(0.0);
        let variance = scatter * scatter + (UNEXPLAINED * self.contrast).powi(2);
        let say = |r: f64| {
            let q = r * r / (variance * TUKEY * TUKEY);
            if q < 1.0 { (1.0 - q).powi(2) / variance } else { 0.0 }
        };
        self.weights = rest().map(say).collect();
        scatter
    }

    /// The patch in squares of half a blur spot.
    fn squares(&self) -> Squares {
        let side = (0.6 * self.w_samples).round().max(2.0) as usize;
        let (columns, across) = (self.samples.columns, self.samples.columns / side + 1);
        Squares { side, columns, across, count: across * (self.samples.rows / side + 1) }
    }

    /// By how much neighbours depart together: variance of sums over squares of half a blur spot over that of independent samples.
    pub(super) fn together(&self, light: &[f64]) -> f64 {
        let squares = self.squares();
        let mut sums = vec![0.0; squares.count];
        let mut single = 0.0;
        for ((u, l), weight) in self.samples.used.iter().zip(light).zip(&self.weights) {
            let r = weight.sqrt() * (u.1 - l);
            sums[squares.of(u.0)] += r;
            single += r * r;
        }
        sums.iter().map(|s| s * s).sum::<f64>() / single.max(1e-12)
    }

    /// How unevenly light comes through the chain from place to place, which the drawing does not follow: standard deviation of means over
    /// half a blur spot beyond what noise makes of them, as a share of the contrast.
    pub(super) fn mottle(&self, light: &[f64], layer: &Layer) -> f64 {
        let squares = self.squares();
        let mut cells = vec![(0.0, 0.0); squares.count];
        let (mut steps, mut pairs, mut before) = (0.0, 0.0, None);
        let inside = self.samples.seen(layer);
        for (((u, l), tone), of_chain) in self.samples.used.iter().zip(light).zip(inside).zip(&self.samples.of_chain) {
            // Beside the body's edge other limbs may spring from it.
            if tone.abs() < 0.5 * self.contrast || !of_chain {
                continue;
            }
            let r = u.1 - l;
            let cell = &mut cells[squares.of(u.0)];
            (cell.0, cell.1) = (cell.0 + r, cell.1 + 1.0);
            if let Some((place, r_before)) = before
                && place + 1 == u.0
            {
                (steps, pairs) = (steps + f64::powi(r - r_before, 2), pairs + 1.0);
            }
            before = Some((u.0, r));
        }
        let noise = 0.5 * steps / f64::max(pairs, 1.0);
        let full = |c: &&(f64, f64)| c.1 >= 0.5 * (squares.side * squares.side) as f64;
        let (count, sum) = cells
            .iter()
            .filter(full)
            .fold((0.0, 0.0), |(count, sum), (r, n)| (count + 1.0, sum + r * r / (n * n) - noise / n));
        (sum / f64::max(count, 1.0)).max(0.0).sqrt() / self.contrast
    }

    /// Solves and weighs in turn.
    pub(super) fn settle(&mut self, mut p: Vec<f64>) -> Option<Settled> {
        let mut last = None;
        for _ in 0..ROUNDS {
            let (found, light, layer) = self.solve(p)?;
            let scatter = self.reweigh(&light);
            p = found;
            last = Some((light, layer, scatter));
        }
        let (light, layer, scatter) = last?;
        let cost = self.cost(&p, &light);
        Some(Settled { p, light, layer, scatter, cost })
    }

    /// Where the fit begins: as known before, with the turn of the body's edge that fits best.
    pub(super) fn start(&self) -> Vec<f64> {
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
