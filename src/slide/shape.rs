//! The common shape of the graduations.

use crate::optics::diffraction_mtf;

/// Nodes of the integral over frequencies.
const NODES: usize = 96;
/// Support of the table to either side, widths at half height.
const REACH: f64 = 2.0;
/// Most steps of the table to half the height of a line.
const MOST_STEPS: usize = 1001;
/// Usual width of a ruled line over the division, and its spread (common practice: 1.5 to 3 µm in 10).
const USUAL_LINE: (f64, f64) = (0.2, 0.07);
/// Noise of a harmonic relative to the first, beyond which harmonics do not tell shapes apart.
const HARMONIC_SD: f64 = 0.003;

/// Frequencies, over that of the division, which an even row does not show, and how far they may change at a time.
const BETWEEN: [f64; 2] = [0.4, 0.7];
const BETWEEN_SD: f64 = 0.08;

/// What makes the image of a ruled line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Optical {
    /// Where diffraction ends all contrast, cycles per px.
    pub(super) cut_off: f64,
    /// Width of the ruled line, px.
    pub(super) line_px: f64,
    /// Pixels and all that is not diffraction, as a Gaussian, px.
    pub(super) sigma_px: f64,
}

impl Optical {
    /// A line of usual width, sharp pixels.
    pub(super) const fn usual(cut_off: f64, pitch_px: f64) -> Self {
        Self { cut_off, line_px: USUAL_LINE.0 * pitch_px, sigma_px: 0.3 }
    }

    /// Contrast left at the frequency `f`, cycles per px.
    fn contrast(self, f: f64) -> f64 {
        diffraction_mtf(f / self.cut_off) * of_line(self.line_px, f) * of_gauss(self.sigma_px, f)
    }

    /// The one whose even row of lines, `pitch_px` apart, has these harmonics (first, second, …), up to one common factor.
    ///
    /// In an even row of lines nothing but harmonics shows; where these are few, `old` keeps the shape what it was.
    pub(super) fn of_harmonics(harmonics: &[f64], pitch_px: f64, old: &Shape) -> Option<Self> {
        let first = *harmonics.first().filter(|h| **h > 0.0)?;
        let between = BETWEEN.map(|n| old.transform(n / pitch_px));
        // Where a shape is looked at: at the harmonics, then between them.
        let frequencies: Vec<f64> =
            (1..=harmonics.len()).map(|n| n as f64).chain(BETWEEN).map(|n| n / pitch_px).collect();
        let cost = |line_px: f64, contrast: Vec<f64>| -> f64 {
            let (model, at_between) = contrast.split_at(harmonics.len());
            let (mut top, mut bottom) = (0.0, 0.0);
            for (m, h) in model.iter().zip(harmonics) {
                top += m * h;
                bottom += m * m;
            }
            let factor = top / bottom.max(1e-30);
            let misfit: f64 =
                model.iter().zip(harmonics).map(|(m, h)| ((h - factor * m) / (HARMONIC_SD * first)).powi(2)).sum();
            let change: f64 =
                at_between.iter().zip(&between).map(|(c, t)| ((factor * c / t - 1.0) / BETWEEN_SD).powi(2)).sum();
            misfit + change + ((line_px / pitch_px - USUAL_LINE.0) / USUAL_LINE.1).powi(2)
        };
        let (low, high) = (1.05 / pitch_px, 1.5_f64.max(2.0 / pitch_px));
        let mut best: Option<(f64, Self)> = None;
        let keep = |c: f64, o: Self, best: &mut Option<(f64, Self)>| {
            let better = best.is_none_or(|(old, _)| c < old) && c.is_finite();
            if better {
                *best = Some((c, o));
            }
            better
        };
        // On a lattice each part of the contrast is had once for each of its own values.
        let cut_offs = part(24, &frequencies, |i| low * (high / low).powf(i / 23.0), |c, f| diffraction_mtf(f / c));
        let sigmas = part(9, &frequencies, |j| 0.3 * pitch_px.max(1.5).powf(j / 8.0), of_gauss);
        let lines = part(5, &frequencies, |k| pitch_px * (USUAL_LINE.0 + (k - 2.0) * 0.5 * USUAL_LINE.1), of_line);
        for (cut_off, a) in &cut_offs {
            for (sigma_px, b) in &sigmas {
                for (line_px, c) in &lines {
                    let contrast = a.iter().zip(b).zip(c).map(|((a, b), c)| a * c * b).collect();
                    let o = Self { cut_off: *cut_off, line_px: *line_px, sigma_px: *sigma_px };
                    keep(cost(*line_px, contrast), o, &mut best);
                }
            }
        }
        let consider = |o: Self, best: &mut Option<(f64, Self)>| {
            keep(cost(o.line_px, frequencies.iter().map(|f| o.contrast(*f)).collect()), o, best)
        };
        let mut reach = 0.08;
        for _ in 0..60 {
            let (_, o) = best?;
            let mut moved = false;
            for by in [1.0 + reach, 1.0 / (1.0 + reach)] {
                moved |= consider(Self { cut_off: o.cut_off * by, ..o }, &mut best);
                moved |= consider(Self { line_px: o.line_px * by, ..o }, &mut best);
                moved |= consider(Self { sigma_px: (o.sigma_px * by).max(0.29), ..o }, &mut best);
            }
            if !moved {
                reach *= 0.5;
                if reach < 1e-3 {
                    break;
                }
            }
        }
        best.map(|b| b.1)
    }
}

/// Contrast that the width of a line leaves at the frequency `f`, cycles per px.
fn of_line(line_px: f64, f: f64) -> f64 {
    let x = std::f64::consts::PI * line_px * f;
    if x < 1e-6 { 1.0 } else { x.sin() / x }
}

/// The same of a Gaussian.
fn of_gauss(sigma_px: f64, f: f64) -> f64 {
    (-2.0 * (std::f64::consts::PI * sigma_px * f).powi(2)).exp()
}

/// So many values of one part of the optics, each with what it leaves at these frequencies.
fn part(
    count: u32,
    frequencies: &[f64],
    value: impl Fn(f64) -> f64,
    leaves: impl Fn(f64, f64) -> f64,
) -> Vec<(f64, Vec<f64>)> {
    let of = |v: f64| (v, frequencies.iter().map(|f| leaves(v, *f)).collect());
    (0..count).map(|i| of(value(f64::from(i)))).collect()
}

/// The common line shape, peak 1, tabulated against the distance from its centre.
#[derive(Clone, Debug)]
pub(super) struct Shape {
    /// Distance between table entries, px.
    step: f64,
    /// From −reach to +reach.
    table: Vec<f64>,
}

impl Shape {
    /// The image of a ruled line by a lens and pixels, out to twice its width at half height; fainter tails are the strip's own matter.
    pub(super) fn optical(o: Optical) -> Self {
        let highest = o.cut_off.min(0.75 / o.sigma_px);
        let nodes: Vec<(f64, f64)> = (0..NODES)
            .map(|i| (i as f64 + 0.5) * highest / NODES as f64)
            .map(|f| (std::f64::consts::TAU * f, o.contrast(f)))
            .collect();
        let step = (0.04 / highest).min(0.125);
        // Each wave turns on by the same angle from one entry to the next.
        let turns: Vec<(f64, f64)> = nodes.iter().map(|(w, _)| (w * step).sin_cos()).collect();
        let mut waves: Vec<(f64, f64)> = nodes.iter().map(|(_, m)| (0.0, *m)).collect();
        let mut next = || {
            let value = waves.iter().map(|(_, c)| c).sum::<f64>();
            for ((s, c), (sin, cos)) in waves.iter_mut().zip(&turns) {
                (*s, *c) = (*s * cos + *c * sin, *c * cos - *s * sin);
            }
            value
        };
        let mut side = vec![next(), next()];
        let peak = side[0];
        // Half the width, by steps of a quarter of what the highest frequency resolves.
        while side[side.len() - 1] > 0.5 * peak && side.len() < MOST_STEPS {
            side.push(next());
        }
        let half = (REACH * 2.0 * (side.len() - 1) as f64).ceil() as usize;
        side.resize_with(half + 1, next);
        let ground = side[half];
        side.iter_mut().for_each(|v| *v = (*v - ground) / (peak - ground));
        let table = side.iter().skip(1).rev().chain(&side).copied().collect();
        Self { step, table }
    }

    /// What is left of the contrast at this frequency, cycles per px, times the line's area.
    pub(super) fn transform(&self, f: f64) -> f64 {
        self.points().map(|(d, v)| v * (std::f64::consts::TAU * f * d).cos()).sum::<f64>() * self.step
    }

    /// Distance between table entries, px.
    pub(super) const fn step(&self) -> f64 {
        self.step
    }

    /// Half the support, px.
    pub(super) fn reach(&self) -> f64 {
        (self.table.len() / 2) as f64 * self.step
    }

    /// Value and derivative by px; zero outside the support.
    pub(super) fn at(&self, d: f64) -> (f64, f64) {
        let u = d / self.step + (self.table.len() / 2) as f64;
        if u < 1.0 || u >= (self.table.len() - 2) as f64 {
            return (0.0, 0.0);
        }
        let i = u as usize;
        let f = u - i as f64;
        let (p0, p1, p2, p3) = (self.table[i - 1], self.table[i], self.table[i + 1], self.table[i + 2]);
        // Catmull-Rom: a smooth derivative matters more than the last digit of the value.
        let (c1, c2, c3) = (0.5 * (p2 - p0), p0 - 2.5 * p1 + 2.0 * p2 - 0.5 * p3, 1.5 * (p1 - p2) + 0.5 * (p3 - p0));
        (p1 + f * (c1 + f * (c2 + f * c3)), (c1 + f * (2.0 * c2 + 3.0 * f * c3)) / self.step)
    }

    /// Full width at half of the peak, px.
    pub(super) fn fwhm(&self) -> f64 {
        let peak = self.table.iter().copied().fold(f64::MIN, f64::max);
        let middle = self.table.iter().position(|v| *v == peak).unwrap_or(self.table.len() / 2);
        let side = |mut it: Box<dyn Iterator<Item = usize>>| -> f64 {
            let mut last = middle;
            for i in it.by_ref() {
                if self.table[i] < 0.5 * peak {
                    let (a, b) = (self.table[last], self.table[i]);
                    let part = if a > b { (a - 0.5 * peak) / (a - b) } else { 0.0 };
                    return ((last as f64 - middle as f64).abs() + part) * self.step;
                }
                last = i;
            }
            self.reach()
        };
        side(Box::new((0..middle).rev())) + side(Box::new(middle + 1..self.table.len()))
    }

    /// Distances and values of the table, px.
    pub(super) fn points(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let half = (self.table.len() / 2) as f64;
        self.table.iter().enumerate().map(move |(i, v)| ((i as f64 - half) * self.step, *v))
    }
}
