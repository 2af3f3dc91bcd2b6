//! Where the picture stands on the canvas: pan, zoom, turn and flip.
//!
//! Canvas coordinates are logical points from the canvas's middle, x to the right, y down. No toolkit types here.

use crate::units::{Image, Point};

/// A place on the canvas, points from its middle.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct OnCanvas {
    /// To the right.
    pub x: f64,
    /// Down.
    pub y: f64,
}

impl OnCanvas {
    /// From coordinates in points.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Distance to another place, points.
    #[must_use]
    pub fn distance(self, other: Self) -> f64 {
        (self.x - other.x).hypot(self.y - other.y)
    }
}

/// Largest magnification on the screen, points per image pixel.
const MOST_ZOOM: f64 = 80.0;
/// Smallest, as a share of the zoom that shows the whole picture.
const LEAST_OF_FIT: f64 = 0.5;
/// Share of the canvas that the whole picture takes.
const FIT_SHARE: f64 = 0.97;

/// The canvas's view of a picture.
///
/// `canvas = R(turn) · flip · zoom · (image − centre)`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// The place of the picture in the middle of the canvas, image coordinates.
    pub centre: Point<Image>,
    /// Points per image pixel.
    pub zoom: f64,
    /// Quarter turns clockwise, 0 to 3.
    pub quarters: u8,
    /// Mirrored left to right, before turning.
    pub flipped: bool,
}

impl View {
    /// The whole picture, upright.
    #[must_use]
    pub fn whole(picture_px: (usize, usize), canvas: OnCanvas) -> Self {
        let view = Self {
            centre: Point::new(picture_px.0 as f64 * 0.5, picture_px.1 as f64 * 0.5),
            zoom: 1.0,
            quarters: 0,
            flipped: false,
        };
        view.fitted(picture_px, canvas)
    }

    /// The same turn and flip, showing the whole picture.
    #[must_use]
    pub fn fitted(self, picture_px: (usize, usize), canvas: OnCanvas) -> Self {
        let centre = Point::new(picture_px.0 as f64 * 0.5, picture_px.1 as f64 * 0.5);
        Self { centre, zoom: self.zoom_of_whole(picture_px, canvas), ..self }
    }

    /// The zoom that shows the whole picture.
    #[must_use]
    pub fn zoom_of_whole(&self, picture_px: (usize, usize), canvas: OnCanvas) -> f64 {
        let (mut w, mut h) = (picture_px.0.max(1) as f64, picture_px.1.max(1) as f64);
        if self.quarters % 2 == 1 {
            (w, h) = (h, w);
        }
        (FIT_SHARE * (canvas.x.max(1.0) / w).min(canvas.y.max(1.0) / h)).min(MOST_ZOOM)
    }

    /// Cosine and sine of the turn, exact.
    const fn cos_sin(&self) -> (f64, f64) {
        match self.quarters % 4 {
            0 => (1.0, 0.0),
            1 => (0.0, 1.0),
            2 => (-1.0, 0.0),
            _ => (0.0, -1.0),
        }
    }

    /// Where an image point stands on the canvas.
    #[must_use]
    pub fn canvas_from_image(&self, p: Point<Image>) -> OnCanvas {
        let (cos, sin) = self.cos_sin();
        let (dx, dy) = ((p.x - self.centre.x) * self.zoom, (p.y - self.centre.y) * self.zoom);
        let dx = if self.flipped { -dx } else { dx };
        OnCanvas::new(cos * dx - sin * dy, sin * dx + cos * dy)
    }

    /// The image point under a place on the canvas.
    #[must_use]
    pub fn image_from_canvas(&self, at: OnCanvas) -> Point<Image> {
        let d = self.image_vector(at);
        Point::new(self.centre.x + d.0, self.centre.y + d.1)
    }

    /// A displacement on the canvas as one in the picture, px.
    fn image_vector(&self, d: OnCanvas) -> (f64, f64) {
        let (cos, sin) = self.cos_sin();
        let (x, y) = (cos * d.x + sin * d.y, -sin * d.x + cos * d.y);
        let x = if self.flipped { -x } else { x };
        (x / self.zoom, y / self.zoom)
    }

    /// Moves the picture with the hand by a displacement in points.
    #[must_use]
    pub fn panned(self, by: OnCanvas) -> Self {
        let (dx, dy) = self.image_vector(by);
        Self { centre: Point::new(self.centre.x - dx, self.centre.y - dy), ..self }
    }

    /// Zooms by a factor; what is under `at` stays there.
    #[must_use]
    pub fn zoomed(self, factor: f64, at: OnCanvas, picture_px: (usize, usize), canvas: OnCanvas) -> Self {
        let least = LEAST_OF_FIT * self.zoom_of_whole(picture_px, canvas);
        let zoom = (self.zoom * factor).clamp(least.min(self.zoom), MOST_ZOOM.max(self.zoom));
        let under = self.image_from_canvas(at);
        let zoomed = Self { zoom, ..self };
        let now = zoomed.image_from_canvas(at);
        let (dx, dy) = (under.x - now.x, under.y - now.y);
        Self { centre: Point::new(zoomed.centre.x + dx, zoomed.centre.y + dy), ..zoomed }
    }

    /// A quarter turn, clockwise for `1` and back for `-1`.
    #[must_use]
    pub fn turned(self, quarters: i8) -> Self {
        Self { quarters: (i16::from(self.quarters) + i16::from(quarters)).rem_euclid(4) as u8, ..self }
    }

    /// Mirrored as seen: left becomes right (or above becomes below).
    #[must_use]
    pub fn mirrored(self, upside_down: bool) -> Self {
        // A mirror behind a turn is the mirror before it with the turn the other way round.
        let quarters = (4 - self.quarters % 4) % 4;
        let quarters = if upside_down { (quarters + 2) % 4 } else { quarters };
        Self { flipped: !self.flipped, quarters, ..self }
    }

    /// Keeps at least a part of the picture in sight.
    #[must_use]
    pub fn held(self, picture_px: (usize, usize)) -> Self {
        let hold = |v: f64, most: usize| v.clamp(0.0, most as f64);
        Self { centre: Point::new(hold(self.centre.x, picture_px.0), hold(self.centre.y, picture_px.1)), ..self }
    }

    /// The part of the picture in sight: left, top, right, bottom in px, within the picture; `None` when nothing is.
    #[must_use]
    pub fn in_sight(&self, picture_px: (usize, usize), canvas: OnCanvas) -> Option<[f64; 4]> {
        let (hx, hy) = (0.5 * canvas.x, 0.5 * canvas.y);
        let corners = [(-hx, -hy), (hx, -hy), (hx, hy), (-hx, hy)];
        let mut sight = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
        for (x, y) in corners {
            let p = self.image_from_canvas(OnCanvas::new(x, y));
            sight = [sight[0].min(p.x), sight[1].min(p.y), sight[2].max(p.x), sight[3].max(p.y)];
        }
        let (w, h) = (picture_px.0 as f64, picture_px.1 as f64);
        let sight = [sight[0].max(0.0), sight[1].max(0.0), sight[2].min(w), sight[3].min(h)];
        (sight[0] < sight[2] && sight[1] < sight[3]).then_some(sight)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn view() -> impl Strategy<Value = View> {
        (-500.0..9000.0_f64, -500.0..9000.0_f64, 0.01..60.0_f64, 0..4_u8, any::<bool>())
            .prop_map(|(x, y, zoom, quarters, flipped)| View { centre: Point::new(x, y), zoom, quarters, flipped })
    }

    fn place() -> impl Strategy<Value = OnCanvas> {
        (-2000.0..2000.0_f64, -1200.0..1200.0_f64).prop_map(|(x, y)| OnCanvas::new(x, y))
    }

    const PICTURE: (usize, usize) = (6000, 4000);
    const CANVAS: OnCanvas = OnCanvas::new(1000.0, 600.0);

    proptest! {
        #[test]
        fn there_and_back(v in view(), at in place()) {
            let back = v.canvas_from_image(v.image_from_canvas(at));
            prop_assert!(back.distance(at) < 1e-6, "{back:?} {at:?}");
        }

        #[test]
        fn what_is_under_the_pointer_stays_there(v in view(), at in place(), factor in 0.2..5.0_f64) {
            let under = v.image_from_canvas(at);
            let zoomed = v.zoomed(factor, at, PICTURE, CANVAS);
            prop_assert!(zoomed.canvas_from_image(under).distance(at) < 1e-6);
            prop_assert!(zoomed.zoom <= MOST_ZOOM.max(v.zoom));
        }

        #[test]
        fn the_hand_takes_the_picture_along(v in view(), at in place(), by in place()) {
            let under = v.image_from_canvas(at);
            let moved = v.panned(by).canvas_from_image(under);
            prop_assert!(moved.distance(OnCanvas::new(at.x + by.x, at.y + by.y)) < 1e-6);
        }

        #[test]
        fn lengths_are_zoomed_alike_in_all_directions(v in view(), a in place(), b in place()) {
            let (p, q) = (v.image_from_canvas(a), v.image_from_canvas(b));
            prop_assert!(((q - p).length() * v.zoom - a.distance(b)).abs() < 1e-6);
        }

        #[test]
        fn turns_and_mirrors_are_as_seen(v in view(), at in place()) {
            let p = v.image_from_canvas(at);
            let turned = v.turned(1).canvas_from_image(p);
            prop_assert!(turned.distance(OnCanvas::new(-at.y, at.x)) < 1e-6, "clockwise with y down");
            let mirrored = v.mirrored(false).canvas_from_image(p);
            prop_assert!(mirrored.distance(OnCanvas::new(-at.x, at.y)) < 1e-6);
            let upside_down = v.mirrored(true).canvas_from_image(p);
            prop_assert!(upside_down.distance(OnCanvas::new(at.x, -at.y)) < 1e-6);
        }

        #[test]
        fn what_is_in_sight_is_all_that_is_in_sight(v in view(), at in place()) {
            let canvas = OnCanvas::new(2.0 * at.x.abs() + 2.0, 2.0 * at.y.abs() + 2.0);
            let p = v.image_from_canvas(at);
            let inside = p.x > 0.0 && p.y > 0.0 && p.x < PICTURE.0 as f64 && p.y < PICTURE.1 as f64;
            match v.in_sight(PICTURE, canvas) {
                Some([l, t, r, b]) => prop_assert!(!inside || (p.x >= l - 1e-6 && p.x <= r + 1e-6 && p.y >= t - 1e-6 && p.y <= b + 1e-6)),
                None => prop_assert!(!inside),
            }
        }
    }

    #[test]
    fn the_whole_picture_fits_upright_and_turned() {
        for quarters in 0..4 {
            let v = View { quarters, ..View::whole(PICTURE, CANVAS) }.fitted(PICTURE, CANVAS);
            for (x, y) in [(0.0, 0.0), (6000.0, 0.0), (0.0, 4000.0), (6000.0, 4000.0)] {
                let at = v.canvas_from_image(Point::new(x, y));
                assert!(at.x.abs() <= 0.5 * CANVAS.x && at.y.abs() <= 0.5 * CANVAS.y, "{quarters} {at:?}");
            }
            assert_eq!(v.in_sight(PICTURE, CANVAS), Some([0.0, 0.0, 6000.0, 4000.0]));
        }
    }
}
