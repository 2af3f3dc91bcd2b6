//! How sharp the picture is in its parts, from the graduations in each.
//!
//! A graduation is looked at in pieces; a piece that shows the line at its place with at least a third of its contrast adds to the mean
//! profile of its ninth of the picture. The blur of a part is that of the whole picture times the ratio of the profiles' widths at half
//! height, each without the lines' own width; so parts compare even where that width is only assumed.

use super::reading::{Family, Graduation, MeasuredBlur, Reading, Ruler};
use crate::photo::Light;
use crate::units::{Image, Point, Px, Um, Vector};

/// Profile bin, px.
const BIN_PX: f64 = 0.25;
/// Most pieces of a graduation on either side of its middle.
const PIECES: i32 = 12;
/// Fewest pieces that make a profile.
const LEAST_PIECES: usize = 4;
/// Least share of the graduation's contrast that a piece must show.
const LEAST_CONTRAST: f64 = 0.3;
/// What widths at half height tell of the blur, relative: the shape of the response is taken as alike (test below).
const SHAPE: f64 = 0.04;
/// Square of the width at half height of a Gaussian with the variance of a bar, over the square of the bar's width: 8 ln 2 / 12.
const BAR: f64 = 0.462;
/// 10–90 % width of an edge over the width at half height of the line response, for a Gaussian: 2.5631 / 2.3548.
const EDGE_PER_LINE: f64 = 1.0885;
/// A part is blurred where its blur is this many times that of the sharpest.
const BLURRED: f64 = 1.25;

/// The blur in one ninth of the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RegionBlur {
    /// Column of the ninth: 0 left, 1 middle, 2 right.
    pub column: usize,
    /// Row of the ninth: 0 top, 1 middle, 2 bottom.
    pub row: usize,
    /// Mean place of the pieces of graduations.
    pub at: Point<Image>,
    /// The blur spot there. Its uncertainty is that against the other parts: the lines' own width, assumed for all alike, is left out.
    pub blur: MeasuredBlur,
    /// Pieces of graduations that it rests on.
    pub pieces: usize,
}

impl RegionBlur {
    /// The ninth in words.
    #[must_use]
    pub const fn words(&self) -> &'static str {
        place_words(self.column, self.row)
    }
}

const fn place_words(column: usize, row: usize) -> &'static str {
    match (column, row) {
        (0, 0) => "top left",
        (1, 0) => "top",
        (2, 0) => "top right",
        (0, 1) => "left",
        (1, 1) => "centre",
        (2, 1) => "right",
        (0, _) => "bottom left",
        (1, _) => "bottom",
        _ => "bottom right",
    }
}

/// What the parts say of the focus.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Focus {
    /// Fewer than two parts show graduations.
    NotTold,
    /// The parts are alike within a quarter.
    Even,
    /// One side is out of focus: the slide is tilted, or not at the right height there.
    OutToOneSide {
        /// The blurriest part.
        blurred: RegionBlur,
        /// The sharpest part.
        sharp: RegionBlur,
    },
    /// The middle is sharp and both ends are not: a curved field, or a slide tilted about the middle.
    OutAtTheEnds {
        /// The blurriest part.
        blurred: RegionBlur,
        /// The sharpest part.
        sharp: RegionBlur,
    },
}

/// The blur spot in each ninth of the picture that shows enough graduations.
///
/// # Inputs
/// The linear light that was read, the reading, and the division it was read with.
/// # Accuracy
/// Within a quarter on clean pictures while neighbouring lines do not overlap (test `a_part_has_the_blur_that_was_rendered`).
#[must_use]
pub fn blur_by_region(light: &Light, reading: &Reading, division: Um) -> Vec<RegionBlur> {
    if matches!(reading.ruler, Ruler::Dots { .. } | Ruler::ByHand) {
        return vec![];
    }
    let pitch = (division * reading.scale).get();
    let reach = (0.48 * pitch).min(4.0 * reading.line_width.get()).max(2.0);
    let mut parts: Vec<Sum> = (0..9).map(|_| Sum::new(reach)).collect();
    let (w, h) = (light.width() as f64, light.height() as f64);
    for g in reading.graduations.iter().filter(|g| g.rejected.is_none()) {
        let Some(line) = Line::of(reading, g) else { continue };
        let length = (1.5 * pitch).clamp(6.0, 40.0);
        for i in -PIECES..=PIECES {
            let middle = g.at + line.along * (f64::from(i) * length);
            if !(0.0..w).contains(&middle.x) || !(0.0..h).contains(&middle.y) {
                continue;
            }
            let Some(piece) = piece(light, reading, g, &line, (middle, length, reach)) else { continue };
            let column = ((3.0 * middle.x / w) as usize).min(2);
            let row = ((3.0 * middle.y / h) as usize).min(2);
            parts[3 * row + column].add(&piece, middle);
        }
    }
    let noise = 1.0 / reading.signal_to_noise.unwrap_or(1.0).max(1.0);
    let bar = BAR * (0.2 * pitch).min(0.67 * reading.line_width.get()).powi(2);
    let own = |width: f64| (width * width - bar).max(0.04 * width * width).sqrt();
    let whole = reading.blur.map_or(EDGE_PER_LINE, |b| b.width.get() / own(reading.line_width.get()));
    parts
        .iter()
        .enumerate()
        .filter(|(_, p)| p.pieces >= LEAST_PIECES)
        .filter_map(|(i, p)| {
            let (width, u_width) = p.width(noise)?;
            let n = p.pieces as f64;
            let w = whole * own(width);
            // dw/dF = F / own: the lines' own width makes the blur more uncertain than the profile is.
            let u = (whole * width / own(width) * u_width).hypot(SHAPE * w);
            Some(RegionBlur {
                column: i % 3,
                row: i / 3,
                at: Point::new(p.middle.0 / n, p.middle.1 / n),
                blur: MeasuredBlur { width: Px::new(w), u: Px::new(u) },
                pieces: p.pieces,
            })
        })
        .collect()
}

/// What the parts together say of the focus.
#[must_use]
pub fn focus(parts: &[RegionBlur]) -> Focus {
    let size = |r: &&RegionBlur| r.blur.width.get();
    let order = |a: &&RegionBlur, b: &&RegionBlur| size(a).total_cmp(&size(b));
    let (Some(sharp), Some(blurred)) = (parts.iter().min_by(order), parts.iter().max_by(order)) else {
        return Focus::NotTold;
    };
    if parts.len() < 2 {
        return Focus::NotTold;
    }
    let doubt = blurred.blur.u.get().hypot(sharp.blur.u.get());
    let more = blurred.blur.width.get() - sharp.blur.width.get();
    if more < (BLURRED - 1.0) * sharp.blur.width.get() || more < 3.0 * doubt {
        return Focus::Even;
    }
    // Across from the blurriest part, seen from the sharpest: is it blurred too?
    let away = blurred.at - sharp.at;
    let opposite = parts.iter().filter(|p| {
        let d = p.at - sharp.at;
        d.x * away.x + d.y * away.y < -0.3 * (away.x * away.x + away.y * away.y)
    });
    let both = opposite.map(|p| p.blur.width.get()).fold(0.0, f64::max) > BLURRED * sharp.blur.width.get();
    let (blurred, sharp) = (*blurred, *sharp);
    if both { Focus::OutAtTheEnds { blurred, sharp } } else { Focus::OutToOneSide { blurred, sharp } }
}

/// A graduation as a straight line in the picture.
struct Line {
    /// Unit vector along the line.
    along: Vector<Image>,
    /// Slide coordinate across the line at its middle, µm, and its slope, µm/px.
    value_um: f64,
    per_px: f64,
    across: bool,
}

impl Line {
    fn of(reading: &Reading, g: &Graduation) -> Option<Self> {
        let [jx, jy] = reading.map.jacobian_at(g.at);
        let across = g.family == Family::Across;
        let (gx, gy) = if across { (jx.y, jy.y) } else { (jx.x, jy.x) };
        let per_px = gx.hypot(gy);
        let p = reading.map.slide_from_image(g.at);
        let value_um = if across { p.y } else { p.x };
        (per_px > 0.0).then(|| Self { along: Vector::new(-gy / per_px, gx / per_px), value_um, per_px, across })
    }
}

/// Mean light over the distance from the line, in bins, ground 0 and line 1; nothing where no line is to be seen.
fn piece(
    light: &Light,
    reading: &Reading,
    g: &Graduation,
    line: &Line,
    (middle, length, reach): (Point<Image>, f64, f64),
) -> Option<Vec<(f64, f64)>> {
    let mut bins = vec![(0.0, 0.0); bins_of(reach)];
    let half = (0.5 * length).hypot(reach);
    let (x0, x1) = bounds(middle.x, half, light.width())?;
    let (y0, y1) = bounds(middle.y, half, light.height())?;
    for row in y0..y1 {
        for column in x0..x1 {
            let p = Point::new(column as f64 + 0.5, row as f64 + 0.5);
            let d = p - middle;
            if (d.x * line.along.x + d.y * line.along.y).abs() > 0.5 * length || light.is_clipped(column, row) {
                continue;
            }
            let on = reading.map.slide_from_image(p);
            let off = (if line.across { on.y } else { on.x } - line.value_um) / line.per_px;
            let bin = (off / BIN_PX + 0.5 * bins.len() as f64).floor();
            if bin >= 0.0 && (bin as usize) < bins.len() {
                let b = &mut bins[bin as usize];
                b.0 += f64::from(light.at(column, row));
                b.1 += 1.0;
            }
        }
    }
    let n = bins.len();
    let mean = |range: &dyn Fn(f64) -> bool| {
        let inside = |i: &usize| range(((*i as f64 + 0.5) / n as f64 - 0.5).abs() * 2.0);
        let (sum, count) = (0..n).filter(inside).fold((0.0, 0.0), |a, i| (a.0 + bins[i].0, a.1 + bins[i].1));
        (count > 0.0).then(|| sum / count)
    };
    let ground = mean(&|r| r > 0.75)?;
    let core = (1.0_f64).max(0.25 * reading.line_width.get()) / reach;
    let height = mean(&|r| r < core)? - ground;
    let off_centre = mean(&|r| (0.5..0.75).contains(&r)).map_or(0.0, |v| v - ground);
    if height * g.contrast.signum() < LEAST_CONTRAST * g.contrast.abs() || off_centre.abs() > 0.6 * height.abs() {
        return None;
    }
    // By the graduation's own contrast over all of its length, pieces stay comparable in noise.
    Some(bins.iter().map(|b| ((b.0 - ground * b.1) / height, b.1)).collect())
}

fn bins_of(reach: f64) -> usize {
    2 * (reach / BIN_PX).round().max(4.0) as usize
}

/// Pixels within `half` of a place.
fn bounds(at: f64, half: f64, size: usize) -> Option<(usize, usize)> {
    let (from, to) = ((at - half).floor().max(0.0), (at + half).ceil().min(size as f64));
    (from < to).then_some((from as usize, to as usize))
}

/// Sums over the pieces of one part.
struct Sum {
    bins: Vec<(f64, f64)>,
    pieces: usize,
    middle: (f64, f64),
}

impl Sum {
    fn new(reach: f64) -> Self {
        Self { bins: vec![(0.0, 0.0); bins_of(reach)], pieces: 0, middle: (0.0, 0.0) }
    }

    fn add(&mut self, piece: &[(f64, f64)], middle: Point<Image>) {
        for (a, b) in self.bins.iter_mut().zip(piece) {
            a.0 += b.0;
            a.1 += b.1;
        }
        self.pieces += 1;
        self.middle.0 += middle.x;
        self.middle.1 += middle.y;
    }

    /// Width at half height of the mean profile and its standard uncertainty, px; `noise` is that of a pixel over the contrast.
    fn width(&self, noise: f64) -> Option<(f64, f64)> {
        // Where lines stand at the same place in every pixel, some bins stay empty: those between are joined straight.
        let n = self.bins.len() as f64;
        let values: Vec<(f64, f64)> = (self.bins.iter().enumerate())
            .filter(|(_, b)| b.1 > 0.0)
            .map(|(i, b)| ((i as f64 + 0.5 - 0.5 * n) * BIN_PX, b.0 / b.1))
            .collect();
        let far = values.last()?.0;
        let (peak_at, peak) = (values.iter().enumerate())
            .filter(|(_, v)| v.0.abs() <= 0.25 * far)
            .map(|(i, v)| (i, v.1))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        let half = 0.5 * peak;
        // The first crossing on either side; the slope there turns noise into width.
        let crossing = |towards: &mut dyn Iterator<Item = usize>| {
            let mut last = peak_at;
            for i in towards {
                let (from, to) = (values[last], values[i]);
                if to.1 < half {
                    let slope = (from.1 - to.1) / (to.0 - from.0).abs();
                    return Some(((from.0 - values[peak_at].0).abs() + (from.1 - half) / slope, slope));
                }
                last = i;
            }
            None
        };
        let (right, right_slope) = crossing(&mut (peak_at + 1..values.len()))?;
        let (left, left_slope) = crossing(&mut (0..peak_at).rev())?;
        let full = self.bins.iter().map(|b| b.1).fold(1.0, f64::max);
        let sd = noise / full.sqrt();
        Some((left + right, (sd / left_slope).hypot(sd / right_slope)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::slide::{SlideScene, render};
    use crate::slide::{Request, read};

    fn parts_of(scene: &SlideScene, division_um: f64) -> Vec<RegionBlur> {
        let picture = render(scene).unwrap().picture;
        let light = Light::new(picture.width, picture.height, picture.linear_luminance());
        let reading = read(&light, &Request::new(Um::new(division_um))).unwrap();
        blur_by_region(&light, &reading, Um::new(division_um))
    }

    #[test]
    fn a_slide_in_focus_is_alike_all_over() {
        let parts = parts_of(&SlideScene { rotation_deg: 4.0, ..SlideScene::default() }, 10.0);
        assert!(parts.len() >= 3, "{parts:?}");
        assert_eq!(focus(&parts), Focus::Even, "{parts:?}");
    }

    /// A row of parts with these blur spots, px.
    fn row(widths: [f64; 3]) -> Vec<RegionBlur> {
        let part = |(column, w): (usize, &f64)| RegionBlur {
            column,
            row: 1,
            at: Point::new(200.0 + 400.0 * column as f64, 450.0),
            blur: MeasuredBlur { width: Px::new(*w), u: Px::new(SHAPE * w) },
            pieces: 100,
        };
        widths.iter().enumerate().map(part).collect()
    }

    #[test]
    fn parts_tell_on_which_side_the_focus_is_lost() {
        let Focus::OutToOneSide { blurred, sharp } = focus(&row([3.5, 3.6, 5.0])) else { panic!("to one side") };
        assert_eq!((blurred.column, sharp.column), (2, 0));
        assert!(matches!(focus(&row([5.0, 3.5, 5.1])), Focus::OutAtTheEnds { sharp, .. } if sharp.column == 1));
        assert_eq!(focus(&row([3.5, 3.6, 3.9])), Focus::Even);
    }

    /// A ruling whose lines stay apart however far they are out of focus here: 25 µm a division.
    fn wide(defocus_um: f64, defocus_slope: f64) -> SlideScene {
        let plain = SlideScene::default();
        let mut ruling = plain.rulings[0].clone();
        (ruling.division_um, ruling.divisions, ruling.line_um) = (25.0, 60, 5.0);
        SlideScene {
            rulings: vec![ruling],
            defocus_um,
            defocus_slope,
            rotation_deg: 4.0,
            centre_um: [750.0, 30.0],
            ..plain
        }
    }

    #[test]
    fn a_slide_out_of_focus_to_one_side_is_told() {
        // In focus 350 µm left of the middle, 120 µm off as far to the right: 1.1 waves at this aperture.
        let parts = parts_of(&wide(60.0, 0.17), 25.0);
        let Focus::OutToOneSide { blurred, sharp } = focus(&parts) else { panic!("{parts:?}") };
        assert_eq!((blurred.column, sharp.column), (2, 0), "{parts:?}");
    }

    #[test]
    fn a_slide_tilted_about_its_middle_is_blurred_at_the_ends() {
        let parts = parts_of(&wide(0.0, 0.35), 25.0);
        assert!(matches!(focus(&parts), Focus::OutAtTheEnds { sharp, .. } if sharp.column == 1), "{parts:?}");
    }

    #[test]
    fn a_part_has_the_blur_that_was_rendered() {
        // Further Gaussian blur all over, against the renderer's own blur spot.
        for extra_sigma_um in [0.0, 1.0, 1.5] {
            let scene = SlideScene { extra_sigma_um, rotation_deg: 4.0, ..SlideScene::default() };
            let truth = render(&scene).unwrap().truth.blur_spot_px;
            let parts = parts_of(&scene, 10.0);
            assert!(parts.len() >= 3, "{parts:?}");
            for part in parts {
                let got = part.blur.width.get();
                assert!((got / truth - 1.0).abs() < 0.25, "{got} px for {truth} px at {}", part.words());
            }
        }
    }

    #[test]
    fn lines_at_the_same_place_in_every_pixel_have_a_blur_too() {
        let parts = parts_of(&SlideScene::default(), 10.0);
        assert!(parts.len() >= 3, "{parts:?}");
    }

    #[test]
    fn nothing_to_compare_is_not_told() {
        assert_eq!(focus(&[]), Focus::NotTold);
    }
}
