//! How far the light falls off from the middle of the picture to its corners.
//!
//! A lens used to the rim of its field darkens the corners, and such a lens distorts; an even ground is that of an objective with its
//! field to spare, or of light that was evened out on a bench. The fit takes it for what speaks for a plain scale before the graduations are asked.

use super::candidate::Candidate;
use super::scale_map::half_diagonal;
use crate::photo::Light;
use crate::stats::{Loss, Matrix, quantile, robust_least_squares};

/// Patches each way, and samples each way in one.
const PATCHES: usize = 9;
const SAMPLES: usize = 14;

/// One patch of the picture.
#[derive(Clone, Copy, Debug)]
struct Patch {
    /// Its middle from that of the picture, half diagonals.
    at: (f64, f64),
    /// Whether the ruling is there.
    ruled: bool,
    /// Light of its ground.
    level: f64,
}

/// Share of the light in the middle that the corners lack, a slope across the picture apart, with its standard uncertainty; negative where they are
/// brighter. Absent where too little of the ground is seen.
pub(super) fn fall_off(light: &Light, ruling: &Candidate) -> Option<(f64, f64)> {
    let patches = patches(light, ruling);
    // Blurred lines dim or brighten what is taken for ground; where they are everywhere or nowhere, alike.
    let ruled = patches.iter().filter(|p| p.ruled).count();
    let partly = ruled.min(patches.len() - ruled) > PATCHES;
    let row = |p: &Patch| {
        let (x, y) = p.at;
        let step = partly.then_some(f64::from(u8::from(p.ruled)));
        [x * x + y * y, 1.0, x, y].into_iter().chain(step)
    };
    let design = Matrix::from_rows(patches.len(), 4 + usize::from(partly), patches.iter().flat_map(row).collect())?;
    let levels: Vec<f64> = patches.iter().map(|p| p.level).collect();
    // Specks, scratches and the stage beside the slide are no ground.
    let found = robust_least_squares(&design, &levels, None, Loss::TUKEY).ok()?;
    let middle = found.fit.parameters[1];
    (middle > 0.0).then(|| (-found.fit.parameters[0] / middle, found.covariance.at(0, 0).max(0.0).sqrt() / middle))
}

fn patches(light: &Light, ruling: &Candidate) -> Vec<Patch> {
    let (width, height) = (light.width() as f64, light.height() as f64);
    let half_diagonal = half_diagonal(light.width(), light.height());
    let (half_t, _) = ruling.half_size();
    let (low, high) = ruling.lines.extent();
    // The ground between lines: what is brighter than most where they are dark, darker than most where they are bright.
    let share = if ruling.lines.bright { 0.25 } else { 0.75 };
    let at = |patch: usize, sample: f64, size: f64| (patch as f64 + sample / SAMPLES as f64) / PATCHES as f64 * size;
    let patch = |place: usize| {
        let (i, j) = (place % PATCHES, place / PATCHES);
        let pixel = |n: usize| {
            let (column, row) = ((n % SAMPLES) as f64 + 0.5, (n / SAMPLES) as f64 + 0.5);
            light.at(at(i, column, width) as usize, at(j, row, height) as usize)
        };
        let values: Vec<f64> = (0..SAMPLES * SAMPLES).map(pixel).filter(|v| v.is_finite()).map(f64::from).collect();
        let level = quantile(&values, share).ok()?;
        let middle = 0.5 * SAMPLES as f64;
        let (x, y) = (at(i, middle, width), at(j, middle, height));
        let (t, s) = ruling.frame.ts(x, y);
        let at = ((x - 0.5 * width) / half_diagonal, (y - 0.5 * height) / half_diagonal);
        Some(Patch { at, ruled: t.abs() < half_t && s > low && s < high, level })
    };
    (0..PATCHES * PATCHES).filter_map(patch).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::slide::{Ruling, SlideScene, render};
    use crate::photo::{Channel, Limits, Photo};
    use crate::slide::{candidate, periodic, pyramid};

    /// The fall-off read on a slide of 100 divisions whose light falls off by so much at the corners and, across the picture, by `gradient`.
    fn read(vignette: f64, gradient: f64, dark_field: bool) -> (f64, f64) {
        let scene = SlideScene {
            centre_um: [500.0, 50.0],
            rulings: vec![Ruling::default()],
            vignette,
            gradient,
            gradient_direction_deg: 30.0,
            dark_field,
            dirt_specks: 60,
            scratches: 3,
            ..SlideScene::default()
        };
        let rendered = render(&scene).unwrap();
        let photo = Photo::from_bytes(&rendered.picture.file().unwrap().0, &Limits::default()).unwrap();
        let light = photo.light(Channel::Even);
        let levels = pyramid::pyramid(&light, periodic::TILE).levels;
        let clusters = periodic::clusters(&levels);
        let size = (light.width() as f64, light.height() as f64);
        let found = candidate::candidates(&levels, &clusters, size);
        fall_off(&light, &found[0]).unwrap()
    }

    #[test]
    fn dark_corners_are_told_from_a_slope_and_from_dirt() {
        for dark_field in [false, true] {
            let (even, u) = read(0.0, 0.4, dark_field);
            assert!(even.abs() < 0.02 && u < 0.02, "{dark_field}: {even} ± {u}");
            let (dark, u) = read(0.25, 0.4, dark_field);
            assert!((dark - 0.25).abs() < 0.04 && u < 0.02, "{dark_field}: {dark} ± {u}");
        }
    }
}
