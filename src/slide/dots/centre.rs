//! Centres of dots to a small fraction of a pixel: the common radial profile fitted to each dot, in linear light.
//!
//! A dot's pixels are modelled as sloping ground plus amplitude times the common profile, displaced and a little larger or smaller:
//! `I = c + c_x x + c_y y + A [T(r) (1 + s·x) − δ·∇T − ε r T′(r)]`, linear in c, A, Aδ and Aε. The slope s of the light over the dot
//! itself comes from the contrasts of all dots, a smooth surface: left out, it would shift dots by a quarter of their radius² times s.
//! The slope of the ground is free (haze about dirt). The profile has a centre by its symmetry, so no choice of it can shift the dots.
//! Everything but δ eliminated, the normal matrix over the noise is the information about the centre. Clipped pixels are left
//! out; a prior holds the slope of the ground where only clipped ground would tell it.

use super::lattice::Lattice;
use crate::photo::Light;
use nalgebra::{Matrix2, SMatrix, SVector};
use rayon::prelude::*;

/// Radius of the pixels that belong to a dot, as a share of the distance of the dots.
const REACH: f64 = 0.46;
/// Prior of the ground's change over the reach, as a share of the dot's contrast: haze about dirt; and where the ground is clipped.
const SLOPE: f64 = 0.2;
const SLOPE_CLIPPED: f64 = 0.01;
/// Prior of a dot's departure from the common size.
const SIZE: f64 = 0.15;
/// Rounds of fitting and renewing the profile.
const ROUNDS: usize = 4;

/// A located dot.
#[derive(Clone, Copy, Debug)]
pub(super) struct Dot {
    /// Column and row in the lattice.
    pub(super) place: (i32, i32),
    /// Centre, image px.
    pub(super) x: f64,
    pub(super) y: f64,
    /// Information about the centre, 1/px².
    pub(super) information: Matrix2<f64>,
    /// Linear light of the ground and the dot's difference from it.
    pub(super) ground: f64,
    pub(super) contrast: f64,
    /// Size against the common one, minus 1.
    pub(super) size: f64,
    /// Noise of a pixel, linear light.
    pub(super) pixel_sd: f64,
    /// Share of clipped pixels in the dot's inner half.
    pub(super) clipped: f64,
}

/// The common profile, 1 in the middle and 0 beyond, against the distance from the centre.
#[derive(Clone, Debug)]
pub(super) struct Profile {
    step_px: f64,
    table: Vec<f64>,
}

impl Profile {
    /// Value and derivative by px.
    pub(super) fn at(&self, r: f64) -> (f64, f64) {
        let u = r / self.step_px;
        let i = u as usize;
        if i + 2 >= self.table.len() {
            return (0.0, 0.0);
        }
        let f = u - i as f64;
        // Even about the centre.
        let p0 = self.table[if i == 0 { 1 } else { i - 1 }];
        let (p1, p2, p3) = (self.table[i], self.table[i + 1], self.table[i + 2]);
        let (c1, c2, c3) = (0.5 * (p2 - p0), p0 - 2.5 * p1 + 2.0 * p2 - 0.5 * p3, 1.5 * (p1 - p2) + 0.5 * (p3 - p0));
        (p1 + f * (c1 + f * (c2 + f * c3)), (c1 + f * (2.0 * c2 + 3.0 * f * c3)) / self.step_px)
    }

    /// Diameter at half height, px.
    pub(super) fn diameter(&self) -> f64 {
        let i = self.table.iter().position(|v| *v < 0.5).unwrap_or(self.table.len()).max(1);
        let (a, b) = (self.table[i - 1], self.table.get(i).copied().unwrap_or(0.0));
        2.0 * self.step_px * (i as f64 - 1.0 + (a - 0.5) / (a - b).max(1e-12))
    }

    /// Distance from the centre on both sides and value.
    pub(super) fn points(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        let n = self.table.len() as i64;
        (1 - n..n).map(|i| (i as f64 * self.step_px, self.table[i.unsigned_abs() as usize]))
    }
}

/// The dots of a lattice, located, with their profile.
#[derive(Clone, Debug)]
pub(super) struct Located {
    pub(super) dots: Vec<Dot>,
    pub(super) profile: Profile,
}

/// Locates the dots from their rough centres. Absent where the dots show no profile.
pub(super) fn locate(light: &Light, lattice: &Lattice, rough: &dyn Fn(usize) -> (f64, f64)) -> Option<Located> {
    let reach = REACH * lattice.pitch_px;
    let mut dots: Vec<Dot> =
        lattice.taken.iter().filter_map(|(place, blob)| first_look(light, *place, rough(*blob), reach)).collect();
    let mut profile = profile(light, &dots, reach)?;
    for round in 0..ROUNDS {
        let fall = Fall::of(&dots, light);
        dots = dots.par_iter().filter_map(|d| fit(light, d, &profile, reach, fall.slope(d.x, d.y))).collect();
        if round + 1 < ROUNDS {
            profile = self::profile(light, &dots, reach)?;
        }
    }
    (!dots.is_empty()).then_some(Located { dots, profile })
}

/// The pixels about a point, with their offsets from it.
pub(super) fn patch(light: &Light, x: f64, y: f64, reach: f64) -> impl Iterator<Item = Pixel> + '_ {
    let range = |v: f64, size: usize| {
        let from = (v - reach - 0.5).ceil().max(0.0) as usize;
        let to = ((v + reach - 0.5).floor() + 1.0).clamp(0.0, size as f64) as usize;
        from..to.max(from)
    };
    let columns = range(x, light.width());
    range(y, light.height()).flat_map(move |row| {
        columns.clone().filter_map(move |column| {
            let (dx, dy) = (column as f64 + 0.5 - x, row as f64 + 0.5 - y);
            let r = dx.hypot(dy);
            let value = f64::from(light.at(column, row));
            (r <= reach).then(|| Pixel { dx, dy, r, value, clipped: light.is_clipped(column, row) })
        })
    })
}

/// One pixel of a patch.
#[derive(Clone, Copy, Debug)]
pub(super) struct Pixel {
    pub(super) dx: f64,
    pub(super) dy: f64,
    pub(super) r: f64,
    pub(super) value: f64,
    pub(super) clipped: bool,
}

/// Ground from the rim of the patch, contrast from its middle.
fn first_look(light: &Light, place: (i32, i32), at: (f64, f64), reach: f64) -> Option<Dot> {
    let (mut rim, mut core) = ((0.0, 0.0), (0.0, 0.0));
    for p in patch(light, at.0, at.1, reach) {
        let into = if p.r > 0.87 * reach {
            &mut rim
        } else if p.r < (0.2 * reach).max(0.75) {
            &mut core
        } else {
            continue;
        };
        into.0 += p.value;
        into.1 += 1.0;
    }
    if rim.1 < 4.0 || core.1 < 1.0 {
        return None;
    }
    let ground = rim.0 / rim.1;
    let contrast = core.0 / core.1 - ground;
    Some(Dot {
        place,
        x: at.0,
        y: at.1,
        information: Matrix2::zeros(),
        ground,
        contrast,
        size: 0.0,
        pixel_sd: 0.02 * contrast.abs(),
        clipped: 0.0,
    })
}

/// Mean profile of the dots of about the usual contrast.
fn profile(light: &Light, dots: &[Dot], reach: f64) -> Option<Profile> {
    let step_px = (reach / 48.0).max(0.125);
    let count = (reach / step_px).floor() as usize + 1;
    let usual = median(dots.iter().map(|d| d.contrast).collect());
    let used = dots.par_iter().filter(|d| (0.5..2.0).contains(&(d.contrast / usual)));
    let sums = used
        .fold(
            || vec![(0.0, 0.0); count + 1],
            |mut sums, d| {
                for p in patch(light, d.x, d.y, reach).filter(|p| !p.clipped) {
                    let u = p.r / step_px;
                    let (i, f) = (u as usize, u.fract());
                    let t = (p.value - d.ground) / d.contrast;
                    for (i, w) in [(i, 1.0 - f), (i + 1, f)] {
                        if let Some(s) = sums.get_mut(i) {
                            s.0 += w * t;
                            s.1 += w;
                        }
                    }
                }
                sums
            },
        )
        .reduce(
            || vec![(0.0, 0.0); count + 1],
            |mut a, b| {
                for (x, y) in a.iter_mut().zip(b) {
                    x.0 += y.0;
                    x.1 += y.1;
                }
                a
            },
        );
    // Empty places (clipped ground) take the value before them.
    let mut table = Vec::with_capacity(count);
    for (sum, weight) in &sums[..count] {
        let last = table.last().copied();
        table.push(if *weight > 0.5 { sum / weight } else { last? });
    }
    // The rim is the ground by definition, the middle the height.
    let rim = table[count - (count / 12).max(1)..].iter().sum::<f64>() / (count / 12).max(1) as f64;
    let inner = (count / 8).max(1);
    let top = table[..inner].iter().sum::<f64>() / inner as f64 - rim;
    if top.is_nan() || top < 0.1 {
        return None;
    }
    for v in &mut table {
        *v = (*v - rim) / top;
    }
    Some(Profile { step_px, table })
}

/// One step of a dot's fit. Absent where it lies at the picture's border, or the fit wanders off.
fn fit(light: &Light, dot: &Dot, profile: &Profile, reach: f64, fall: (f64, f64)) -> Option<Dot> {
    const TERMS: usize = 7;
    type Row = SVector<f64, TERMS>;
    let (w, h) = (light.width() as f64, light.height() as f64);
    if dot.x < reach || dot.y < reach || dot.x > w - reach || dot.y > h - reach {
        return None;
    }
    let row = |p: &Pixel| -> Row {
        let (t, slope) = profile.at(p.r);
        let (ux, uy) = if p.r > 1e-9 { (p.dx / p.r, p.dy / p.r) } else { (0.0, 0.0) };
        let lit = t * (1.0 + fall.0 * p.dx + fall.1 * p.dy);
        Row::from_column_slice(&[1.0, p.dx / reach, p.dy / reach, lit, -slope * ux, -slope * uy, -slope * p.r])
    };
    let (mut normal, mut right) = (SMatrix::<f64, TERMS, TERMS>::zeros(), Row::zeros());
    let (mut n, mut inner, mut clipped, mut rim) = (0.0, 0.0, 0.0, 0.0);
    for p in patch(light, dot.x, dot.y, reach) {
        if p.r < 0.25 * profile.diameter() {
            inner += 1.0;
            clipped += f64::from(u8::from(p.clipped));
        }
        if p.clipped {
            continue;
        }
        let b = row(&p);
        normal += b * b.transpose();
        right += b * p.value;
        n += 1.0;
        rim += f64::from(u8::from(p.r > 0.8 * reach));
    }
    if n < 12.0 {
        return None;
    }
    let variance = dot.pixel_sd.powi(2).max(1e-14);
    let scale2 = dot.contrast.powi(2);
    // The outer fifth of the reach holds 0.36 of its pixels.
    let slope = if rim < 0.15 * std::f64::consts::PI * reach * reach { SLOPE_CLIPPED } else { SLOPE };
    for (i, sd) in [(1, slope), (2, slope), (6, SIZE)] {
        normal[(i, i)] += variance / (sd * sd * scale2);
    }
    let factor = normal.cholesky()?;
    let x = factor.solve(&right);
    let amplitude = x[3];
    let mut squares = 0.0;
    for p in patch(light, dot.x, dot.y, reach).filter(|p| !p.clipped) {
        squares += (p.value - row(&p).dot(&x)).powi(2);
    }
    let variance = squares / (n - TERMS as f64).max(1.0);
    let inverse = factor.inverse();
    let spread = inverse.fixed_view::<2, 2>(4, 4).into_owned() * (variance / (amplitude * amplitude));
    let (dx, dy) = (x[4] / amplitude, x[5] / amplitude);
    let step = dx.hypot(dy);
    if step.is_nan() || step > 0.25 * reach + 0.5 || amplitude * dot.contrast <= 0.0 {
        return None;
    }
    Some(Dot {
        x: dot.x + dx,
        y: dot.y + dy,
        information: spread.try_inverse()?,
        ground: x[0],
        contrast: amplitude,
        size: x[6] / amplitude,
        pixel_sd: variance.sqrt(),
        clipped: clipped / f64::max(inner, 1.0),
        ..*dot
    })
}

/// How the light over the plate changes: a cubic surface through the logarithms of the dots' contrasts.
struct Fall {
    middle: (f64, f64),
    unit: f64,
    coefficients: SVector<f64, 10>,
}

impl Fall {
    fn of(dots: &[Dot], light: &Light) -> Self {
        let (w, h) = (light.width() as f64, light.height() as f64);
        let mut fall = Self { middle: (0.5 * w, 0.5 * h), unit: 0.5 * w.max(h), coefficients: SVector::zeros() };
        let logs: Vec<f64> = dots.iter().map(|d| d.contrast.abs().max(1e-9).ln()).collect();
        fall.coefficients[0] = median(logs.clone());
        for _ in 0..5 {
            let off: Vec<f64> =
                dots.iter().zip(&logs).map(|(d, l)| l - fall.terms(d.x, d.y).dot(&fall.coefficients)).collect();
            let cut = 5.0 * 1.4826 * median(off.iter().map(|v| v.abs()).collect()) + 1e-6;
            let (mut normal, mut right) = (SMatrix::<f64, 10, 10>::identity() * 1e-3, SVector::<f64, 10>::zeros());
            for (d, v) in dots.iter().zip(&off) {
                let t = fall.terms(d.x, d.y);
                let weight = (1.0 - (v / cut).powi(2)).max(0.0).powi(2);
                normal += t * t.transpose() * weight;
                right += t * (weight * v);
            }
            if let Some(c) = normal.cholesky() {
                fall.coefficients += c.solve(&right);
            }
        }
        fall
    }

    fn scaled(&self, x: f64, y: f64) -> (f64, f64) {
        ((x - self.middle.0) / self.unit, (y - self.middle.1) / self.unit)
    }

    fn terms(&self, x: f64, y: f64) -> SVector<f64, 10> {
        let (u, v) = self.scaled(x, y);
        SVector::from_column_slice(&[1.0, u, v, u * u, u * v, v * v, u * u * u, u * u * v, u * v * v, v * v * v])
    }

    /// Relative change of the light by px.
    fn slope(&self, x: f64, y: f64) -> (f64, f64) {
        let (u, v) = self.scaled(x, y);
        let c = &self.coefficients;
        let by_u = c[1] + 2.0 * c[3] * u + c[4] * v + 3.0 * c[6] * u * u + 2.0 * c[7] * u * v + c[8] * v * v;
        let by_v = c[2] + c[4] * u + 2.0 * c[5] * v + c[7] * u * u + 2.0 * c[8] * u * v + 3.0 * c[9] * v * v;
        (by_u / self.unit, by_v / self.unit)
    }
}

/// The middle value; NaN of none.
pub(super) fn median(mut v: Vec<f64>) -> f64 {
    if v.is_empty() {
        return f64::NAN;
    }
    let middle = v.len() / 2;
    *v.select_nth_unstable_by(middle, f64::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    /// Soft discs at places known to 1e-6 px on sloping ground, 8 × 8 of them, by 9-fold sampling of each pixel.
    fn plate(pitch: f64, radius: f64, soft: f64) -> (Light, Vec<(f64, f64)>) {
        let size = (9.0 * pitch) as usize;
        let centres: Vec<(f64, f64)> = (0..64)
            .map(|i| {
                let (c, r) = (f64::from(i % 8) + 1.0, f64::from(i / 8) + 1.0);
                (c * pitch * 0.999 + 0.31 * r, r * pitch * 0.999 - 0.17 * c)
            })
            .collect();
        let cover = |x: f64, y: f64| -> f64 {
            let near = centres.iter().map(|c| (x - c.0).hypot(y - c.1)).fold(f64::MAX, f64::min);
            1.0 / (1.0 + ((near - radius) / soft).exp())
        };
        let values = (0..size * size)
            .map(|i| {
                let (x, y) = ((i % size) as f64 + 0.5, (i / size) as f64 + 0.5);
                let mut sum = 0.0;
                for k in 0..9 {
                    sum += cover(x + f64::from(k % 3 - 1) / 3.0, y + f64::from(k / 3 - 1) / 3.0);
                }
                ((0.5 + 0.2 * x / size as f64) * (1.0 - 0.8 * sum / 9.0)) as f32
            })
            .collect();
        (Light::new(size, size, values), centres)
    }

    #[test]
    fn centres_are_right_on_sloping_ground() {
        for (pitch, radius, soft) in [(22.0, 5.5, 0.4), (15.0, 3.7, 0.7), (8.0, 1.8, 0.4)] {
            let (light, centres) = plate(pitch, radius, soft);
            let taken: BTreeMap<(i32, i32), usize> = (0..64).map(|i| ((i % 8, i / 8), i as usize)).collect();
            let lattice = Lattice { taken, pitch_px: pitch, strays: 0 };
            let rough = |i: usize| (centres[i].0 + 0.3, centres[i].1 - 0.25);
            let found = locate(&light, &lattice, &rough).unwrap();
            assert_eq!(found.dots.len(), 64, "pitch {pitch}");
            for d in &found.dots {
                let want = centres[(d.place.0 + 8 * d.place.1) as usize];
                let off = (d.x - want.0).hypot(d.y - want.1);
                assert!(off < 0.012, "pitch {pitch}, dot {:?}: {off} px off", d.place);
            }
            let diameter = found.profile.diameter();
            assert!((diameter / (2.0 * radius) - 1.0).abs() < 0.05, "pitch {pitch}: {diameter}");
        }
    }
}
