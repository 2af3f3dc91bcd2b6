//! Which tiles of which level are to be drawn. No toolkit types here.

use super::view::{OnCanvas, View};

/// Side of a tile, px of its level.
pub const TILE_PX: usize = 512;

/// One tile of a pyramid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Tile {
    /// 0 is full size; each further level has half the side.
    pub level: u8,
    /// Column of the tile.
    pub x: u32,
    /// Row of the tile.
    pub y: u32,
}

impl Tile {
    /// The tile of the next coarser level that holds it.
    #[must_use]
    pub const fn parent(self) -> Self {
        Self { level: self.level + 1, x: self.x / 2, y: self.y / 2 }
    }

    /// Extent in the picture: left, top, right, bottom in px, within the picture.
    #[must_use]
    pub fn extent(self, picture_px: (usize, usize)) -> [f64; 4] {
        let side = (TILE_PX << self.level) as f64;
        let (l, t) = (f64::from(self.x) * side, f64::from(self.y) * side);
        [l, t, (l + side).min(picture_px.0 as f64), (t + side).min(picture_px.1 as f64)]
    }
}

/// Size of a level, px.
#[must_use]
pub const fn level_size(picture_px: (usize, usize), level: u8) -> (usize, usize) {
    let step = 1 << level;
    (picture_px.0.div_ceil(step), picture_px.1.div_ceil(step))
}

/// Number of levels down to the one that is a single tile.
#[must_use]
pub fn levels(picture_px: (usize, usize)) -> u8 {
    let mut n = 1;
    while {
        let (w, h) = level_size(picture_px, n - 1);
        w.max(h) > TILE_PX
    } {
        n += 1;
    }
    n
}

/// The level with at least one of its pixels a screen pixel, but not four times as many.
#[must_use]
pub fn level_for(view: &View, pixels_per_point: f64, levels: u8) -> u8 {
    let pixels_per_screen_pixel = 1.0 / (view.zoom * pixels_per_point).max(1e-9);
    let level = pixels_per_screen_pixel.log2().floor().clamp(0.0, f64::from(levels.saturating_sub(1)));
    level as u8
}

/// The tiles in sight, the nearest to the middle first.
#[must_use]
pub fn in_sight(view: &View, picture_px: (usize, usize), canvas: OnCanvas, pixels_per_point: f64) -> Vec<Tile> {
    let Some([l, t, r, b]) = view.in_sight(picture_px, canvas) else { return Vec::new() };
    let level = level_for(view, pixels_per_point, levels(picture_px));
    let side = (TILE_PX << level) as f64;
    let last = |end: f64, whole: usize| {
        ((end / side).ceil() as u32).clamp(1, level_size((whole, 1), level).0.div_ceil(TILE_PX) as u32) - 1
    };
    let columns = (l / side) as u32..=last(r, picture_px.0);
    let mut tiles: Vec<Tile> =
        columns.flat_map(|x| ((t / side) as u32..=last(b, picture_px.1)).map(move |y| Tile { level, x, y })).collect();
    let from_middle = |tile: &Tile| {
        let (x, y) =
            ((f64::from(tile.x) + 0.5) * side - view.centre.x, (f64::from(tile.y) + 0.5) * side - view.centre.y);
        x * x + y * y
    };
    tiles.sort_by(|a, b| from_middle(a).total_cmp(&from_middle(b)));
    tiles
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Point;
    use proptest::prelude::*;

    #[test]
    fn levels_end_with_a_single_tile() {
        assert_eq!(levels((512, 300)), 1);
        assert_eq!(levels((513, 300)), 2);
        assert_eq!(levels((6000, 4000)), 5);
        assert_eq!(level_size((6000, 4000), 4), (375, 250));
        assert_eq!(levels((12_000, 8_400)), 6);
        assert_eq!(levels((1, 1)), 1);
    }

    #[test]
    fn a_whole_large_picture_is_a_few_tiles() {
        let canvas = OnCanvas::new(1280.0, 700.0);
        for picture in [(6000, 4000), (12_000, 8400), (400, 9000), (1, 1)] {
            let v = View::whole(picture, canvas);
            let tiles = in_sight(&v, picture, canvas, 1.0);
            assert!((1..=24).contains(&tiles.len()), "{picture:?}: {}", tiles.len());
        }
    }

    proptest! {
        #[test]
        fn tiles_cover_what_is_in_sight_once(
            x in 0.0..6000.0_f64, y in 0.0..4000.0_f64, zoom in 0.05..40.0_f64,
            quarters in 0..4_u8, flipped in any::<bool>(), ppp in 1.0..3.0_f64,
            sx in 0.0..1.0_f64, sy in 0.0..1.0_f64,
        ) {
            let (picture, canvas) = ((6000, 4000), OnCanvas::new(1100.0, 650.0));
            let v = View { centre: Point::new(x, y), zoom, quarters, flipped };
            let tiles = in_sight(&v, picture, canvas, ppp);
            let level = tiles.first().map_or(0, |t| t.level);
            prop_assert!(tiles.iter().all(|t| t.level == level));
            // Whatever pixel is in sight lies in exactly one tile.
            if let Some([l, t, r, b]) = v.in_sight(picture, canvas) {
                let (px, py) = (l + (r - l) * sx, t + (b - t) * sy);
                let holds = |tile: &&Tile| {
                    let [l, t, r, b] = tile.extent(picture);
                    px >= l && px < r && py >= t && py < b
                };
                let n = tiles.iter().filter(holds).count();
                prop_assert!(n == 1 || px >= 6000.0 || py >= 4000.0, "{n} at {px}, {py}");
            }
            // Not finer than the screen shows by more than a factor of two, nor coarser.
            let shown = zoom * ppp * f64::from(1_u32 << level);
            prop_assert!(shown <= 1.0 + 1e-9 || level == 0, "{shown}");
            prop_assert!(shown > 0.5 - 1e-9 || level == levels(picture) - 1, "{shown}");
        }

        #[test]
        fn a_parent_covers_its_tile(level in 0..4_u8, x in 0..12_u32, y in 0..8_u32) {
            let picture = (6000, 4000);
            let tile = Tile { level, x, y };
            let [l, t, r, b] = tile.extent(picture);
            prop_assume!(l < r && t < b);
            let [pl, pt, pr, pb] = tile.parent().extent(picture);
            prop_assert!(pl <= l && pt <= t && pr >= r && pb >= b);
        }
    }
}
