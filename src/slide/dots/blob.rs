//! Isolated spots of one size: the picture cut half-way between ground and spot, and its connected parts.
//!
//! Ground and spot level are the extremes of blocks a little wider than the distance of the dots, medians over their
//! neighbourhood, so that uneven light does not move the cut and missing dots do not spoil it.

use crate::slide::pyramid::Level;

/// Side of a block over the distance of the dots: each holds at least one whole dot and some ground.
const BLOCK: f64 = 1.4;
/// Blocks with less than this share of the typical contrast lie beside the plate.
const LEAST_CONTRAST: f64 = 0.2;
/// Areas that a spot may have, as a share of the square of the distance: dots of 0.12 to 0.75 of it in diameter.
const AREAS: (f64, f64) = (0.012, 0.45);

/// One spot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Blob {
    /// Centre of its light, full-size image px.
    pub(super) x: f64,
    pub(super) y: f64,
    /// Area within half height, full-size px².
    pub(super) area: f64,
    /// Ratio of its principal radii of gyration, 1 for a disc.
    pub(super) ellipticity: f64,
}

/// The spots of a picture.
#[derive(Clone, Debug)]
pub(super) struct Blobs {
    /// Brighter than the ground.
    pub(super) bright: bool,
    pub(super) all: Vec<Blob>,
}

/// Finds the spots of a pattern with about this distance from spot to spot, full-size px.
pub(super) fn blobs(level: &Level<'_>, pitch_px: f64) -> Option<Blobs> {
    let pitch = pitch_px / level.step_px as f64;
    let cut = Cut::of(level, pitch)?;
    let all = parts(level, &cut)
        .into_iter()
        .filter(|p| !p.at_border && (AREAS.0..AREAS.1).contains(&(p.count / (pitch * pitch))))
        .filter_map(|p| p.blob(level.step_px as f64))
        .collect();
    Some(Blobs { bright: cut.bright, all })
}

/// The level of the cut and of the ground over the picture.
struct Cut {
    bright: bool,
    columns: usize,
    rows: usize,
    side: usize,
    /// Ground and half of the contrast (negative for dark spots) of each block.
    values: Vec<(f32, f32)>,
}

impl Cut {
    fn of(level: &Level<'_>, pitch: f64) -> Option<Self> {
        let side = (BLOCK * pitch).ceil().max(4.0) as usize;
        let (columns, rows) = (level.width / side, level.height / side);
        if columns < 3 || rows < 3 {
            return None;
        }
        // Lowest, highest and where the mean lies between them.
        let mut line = vec![0.0; side];
        let blocks: Vec<(f32, f32, f32)> = (0..columns * rows)
            .map(|b| {
                let (x, y) = (b % columns * side, b / columns * side);
                let (mut lo, mut hi, mut sum) = (f32::MAX, f32::MIN, 0.0);
                for row in y..y + side {
                    level.fill(x, row, &mut line);
                    for v in &line {
                        lo = lo.min(*v);
                        hi = hi.max(*v);
                        sum += v;
                    }
                }
                (lo, hi, (sum / (side * side) as f32 - lo) / (hi - lo).max(1e-9))
            })
            .collect();
        let typical = quantile(blocks.iter().map(|b| b.1 - b.0).collect(), 0.75)?;
        let least = LEAST_CONTRAST as f32 * typical;
        if typical.is_nan() || typical <= 0.0 {
            return None;
        }
        // Spots cover the smaller part, so the mean lies near the ground.
        let bright = quantile(blocks.iter().filter(|b| b.1 - b.0 > least).map(|b| b.2).collect(), 0.5)? < 0.5;
        let around = |b: usize, pick: fn(&(f32, f32, f32)) -> f32| -> Option<f32> {
            let (c, r) = (b % columns, b / columns);
            let near = (r.saturating_sub(2)..(r + 3).min(rows))
                .flat_map(|r| (c.saturating_sub(2)..(c + 3).min(columns)).map(move |c| r * columns + c));
            quantile(near.map(|b| &blocks[b]).filter(|b| b.1 - b.0 > least).map(pick).collect(), 0.5)
        };
        let values = (0..blocks.len())
            .map(|b| match (around(b, |v| v.0), around(b, |v| v.1)) {
                (Some(lo), Some(hi)) if bright => (lo, 0.5 * (hi - lo)),
                (Some(lo), Some(hi)) => (hi, 0.5 * (lo - hi)),
                _ => (f32::NAN, f32::NAN),
            })
            .collect();
        Some(Self { bright, columns, rows, side, values })
    }

    /// Ground and half contrast at a pixel, bilinear between the blocks' centres; NaN beside the plate.
    fn at(&self, x: usize, y: usize) -> (f32, f32) {
        let place = |v: usize, count: usize| {
            let u = ((v as f32 + 0.5) / self.side as f32 - 0.5).clamp(0.0, (count - 1) as f32);
            let i = (u as usize).min(count - 2);
            (i, u - i as f32)
        };
        let ((i, f), (j, g)) = (place(x, self.columns), place(y, self.rows));
        let corner = |i: usize, j: usize| self.values[j * self.columns + i];
        let (a, b, c, d) = (corner(i, j), corner(i + 1, j), corner(i, j + 1), corner(i + 1, j + 1));
        let mix = |p: f32, q: f32, r: f32, s: f32| (p * (1.0 - f) + q * f) * (1.0 - g) + (r * (1.0 - f) + s * f) * g;
        (mix(a.0, b.0, c.0, d.0), mix(a.1, b.1, c.1, d.1))
    }
}

fn quantile(mut v: Vec<f32>, share: f64) -> Option<f32> {
    if v.is_empty() {
        return None;
    }
    let i = ((v.len() - 1) as f64 * share) as usize;
    Some(*v.select_nth_unstable_by(i, f32::total_cmp).1)
}

/// Sums over one connected part, level pixels.
#[derive(Clone, Copy, Debug, Default)]
struct Part {
    count: f64,
    at_border: bool,
    /// Σ of w, wx, wy with w the departure from the ground.
    light: [f64; 3],
    /// Σ of x, y, xx, xy, yy.
    shape: [f64; 5],
}

impl Part {
    fn add(&mut self, other: &Self) {
        self.count += other.count;
        self.at_border |= other.at_border;
        for (a, b) in self.light.iter_mut().zip(other.light) {
            *a += b;
        }
        for (a, b) in self.shape.iter_mut().zip(other.shape) {
            *a += b;
        }
    }

    fn pixel(x: f64, y: f64, w: f64, at_border: bool) -> Self {
        Self { count: 1.0, at_border, light: [w, w * x, w * y], shape: [x, y, x * x, x * y, y * y] }
    }

    fn blob(&self, step: f64) -> Option<Blob> {
        let [w, wx, wy] = self.light;
        if w <= 0.0 {
            return None;
        }
        let [x, y, xx, xy, yy] = self.shape.map(|v| v / self.count);
        // A square pixel's own extent keeps the smallest parts from being lines.
        let (sxx, sxy, syy) = (xx - x * x + 1.0 / 12.0, xy - x * y, yy - y * y + 1.0 / 12.0);
        let (half, spread) = (0.5 * (sxx + syy), (0.25 * (sxx - syy).powi(2) + sxy * sxy).sqrt());
        Some(Blob {
            x: (wx / w + 0.5) * step,
            y: (wy / w + 0.5) * step,
            area: self.count * step * step,
            ellipticity: ((half + spread) / (half - spread).max(1e-9)).sqrt(),
        })
    }
}

/// The connected parts beyond the cut, by runs of each row joined with those of the row above.
fn parts(level: &Level<'_>, cut: &Cut) -> Vec<Part> {
    let mut sums: Vec<Part> = Vec::new();
    let mut parent: Vec<u32> = Vec::new();
    let mut above: Vec<(usize, usize, u32)> = Vec::new();
    for y in 0..level.height {
        let runs: Vec<(usize, usize, u32)> = runs(level, cut, y)
            .into_iter()
            .map(|(from, to, part)| {
                let label = sums.len() as u32;
                sums.push(part);
                parent.push(label);
                (from, to, label)
            })
            .collect();
        let mut k = 0;
        for &(from, to, label) in &runs {
            while k < above.len() && above[k].1 <= from {
                k += 1;
            }
            for other in above[k..].iter().take_while(|o| o.0 < to) {
                let (a, b) = (root(&mut parent, other.2), root(&mut parent, label));
                parent[a.max(b) as usize] = a.min(b);
            }
        }
        above = runs;
    }
    for label in (0..sums.len()).rev() {
        let to = root(&mut parent, label as u32) as usize;
        if to != label {
            let own = std::mem::take(&mut sums[label]);
            sums[to].add(&own);
        }
    }
    sums.into_iter().filter(|p| p.count > 0.0).collect()
}

/// Runs of pixels beyond the cut in one row, `from..to`.
fn runs(level: &Level<'_>, cut: &Cut, y: usize) -> Vec<(usize, usize, Part)> {
    let sign = if cut.bright { 1.0 } else { -1.0 };
    let mut out = Vec::new();
    let mut open: Option<(usize, Part)> = None;
    let mut line = vec![0.0; level.width];
    level.fill(0, y, &mut line);
    for (x, v) in line.iter().enumerate() {
        let (ground, half) = cut.at(x, y);
        if sign * (v - ground - half) > 0.0 {
            let border = x == 0 || y == 0 || x + 1 == level.width || y + 1 == level.height;
            let pixel = Part::pixel(x as f64, y as f64, f64::from(sign * (v - ground)), border);
            open.get_or_insert((x, Part::default())).1.add(&pixel);
        } else if let Some((from, part)) = open.take() {
            out.push((from, x, part));
        }
    }
    out.extend(open.map(|(from, part)| (from, level.width, part)));
    out
}

fn root(parent: &mut [u32], mut label: u32) -> u32 {
    while parent[label as usize] != label {
        let next = parent[parent[label as usize] as usize];
        parent[label as usize] = next;
        label = next;
    }
    label
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Soft discs on sloping ground.
    fn plate(width: usize, height: usize, pitch: f64, radius: f64, sign: f32) -> Vec<f32> {
        (0..width * height)
            .map(|i| {
                let (x, y) = ((i % width) as f64 + 0.5, (i / width) as f64 + 0.5);
                let (dx, dy) = (x - (x / pitch).round() * pitch - 0.3, y - (y / pitch).round() * pitch + 0.2);
                let cover = (radius - dx.hypot(dy) + 0.5).clamp(0.0, 1.0);
                (0.5 + 0.3 * x / width as f64) as f32 * (1.0 + sign * 0.6 * cover as f32)
            })
            .collect()
    }

    #[test]
    fn spots_of_both_polarities_are_found_on_sloping_ground() {
        for (sign, bright) in [(1.0, true), (-1.0, false)] {
            let values = plate(400, 300, 12.5, 3.4, sign);
            let level = Level::of_values(400, 300, values, 1);
            let found = blobs(&level, 12.0).unwrap();
            assert_eq!(found.bright, bright);
            // 31 × 23 whole dots; those at x or y = 0 are cut by the border.
            assert_eq!(found.all.len(), 31 * 23, "{bright}");
            for b in &found.all {
                let (dx, dy) = (b.x - (b.x / 12.5).round() * 12.5 - 0.3, b.y - (b.y / 12.5).round() * 12.5 + 0.2);
                assert!(dx.abs() < 0.1 && dy.abs() < 0.1, "{b:?}");
                assert!((b.area / (std::f64::consts::PI * 3.4 * 3.4) - 1.0).abs() < 0.15, "{b:?}");
                assert!(b.ellipticity < 1.15, "{b:?}");
            }
        }
    }

    #[test]
    fn parts_that_meet_below_are_one() {
        // A U on even ground: two runs that join seven rows down.
        let mut values = vec![1.0_f32; 60 * 60];
        for y in 20..30 {
            for x in 20..30 {
                if y >= 27 || !(23..27).contains(&x) {
                    values[y * 60 + x] = 0.0;
                }
            }
        }
        let level = Level::of_values(60, 60, values, 1);
        let cut = Cut { bright: false, columns: 2, rows: 2, side: 30, values: vec![(1.0, -0.5); 4] };
        let found = parts(&level, &cut);
        assert_eq!(found.len(), 1);
        assert!((found[0].count - 72.0).abs() < 1e-12);
    }
}
