//! Tiles on the graphics card: a few uploads a frame, the least recently used go first.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use eframe::egui;
use egui::{Color32, ColorImage, Mesh, Pos2, TextureFilter, TextureHandle, TextureOptions, pos2};

use super::pyramid::Pyramid;
use super::tiles::{self, Tile};
use super::tone::ToneView;
use crate::units::{Image, Point};

/// Time for making tiles ready in one frame, and the number of them, whichever ends first; one is always made. What the driver does
/// with them comes on top: about as much again.
const UPLOAD_TIME: Duration = Duration::from_millis(4);
const MOST_UPLOADS: usize = 8;
/// Tiles kept, 1 MiB each. Far above what a screen shows at once.
const MOST_TILES: usize = 192;

/// Pixels are to be seen as pixels when enlarged.
pub(super) const OPTIONS: TextureOptions = TextureOptions {
    magnification: TextureFilter::Nearest,
    minification: TextureFilter::Linear,
    wrap_mode: egui::TextureWrapMode::ClampToEdge,
    mipmap_mode: None,
};

struct Held {
    texture: TextureHandle,
    used: u64,
}

/// Uploads of one frame so far.
struct Uploads {
    done: usize,
    since: Instant,
}

impl Uploads {
    fn is_enough(&self) -> bool {
        self.done >= MOST_UPLOADS || (self.done > 0 && self.since.elapsed() >= UPLOAD_TIME)
    }
}

/// The tiles of one picture in one tone.
#[derive(Default)]
pub(super) struct Textures {
    of: Option<(u64, ToneView)>,
    tiles: BTreeMap<Tile, Held>,
    frame: u64,
}

impl std::fmt::Debug for Textures {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Textures").field("of", &self.of).field("tiles", &self.tiles.len()).finish()
    }
}

impl Textures {
    /// Draws the tiles; where one is not there yet, what is there of a coarser level. True when all were there.
    pub(super) fn draw(
        &mut self,
        painter: &egui::Painter,
        picture: (u64, &Pyramid),
        tone: &ToneView,
        wanted: &[Tile],
        place: impl Fn(Point<Image>) -> Pos2,
    ) -> bool {
        let (id, pyramid) = picture;
        if self.of != Some((id, *tone)) {
            self.tiles.clear();
            self.of = Some((id, *tone));
        }
        self.frame += 1;
        let size = pyramid.picture_px();
        let whole = Tile { level: tiles::levels(size) - 1, x: 0, y: 0 };
        let mut uploads = Uploads { done: 0, since: Instant::now() };
        self.hold(painter.ctx(), pyramid, tone, whole, &mut uploads);
        let mut complete = true;
        for &tile in wanted {
            if self.hold(painter.ctx(), pyramid, tone, tile, &mut uploads) {
                self.put(painter, pyramid, tile, tile.extent(size), &place);
                continue;
            }
            complete = false;
            let mut coarser = tile;
            while coarser.level < whole.level {
                coarser = coarser.parent();
                if self.tiles.contains_key(&coarser) {
                    self.put(painter, pyramid, coarser, tile.extent(size), &place);
                    break;
                }
            }
        }
        self.forget();
        complete
    }

    /// Makes a tile resident where this frame's uploads allow it.
    fn hold(
        &mut self,
        ctx: &egui::Context,
        pyramid: &Pyramid,
        tone: &ToneView,
        tile: Tile,
        uploads: &mut Uploads,
    ) -> bool {
        if let Some(held) = self.tiles.get_mut(&tile) {
            held.used = self.frame;
            return true;
        }
        let (w, h) = pyramid.tile_size(tile);
        if uploads.is_enough() || w == 0 || h == 0 {
            return false;
        }
        uploads.done += 1;
        let pixels = pyramid.tile_pixels(tile, tone, |[r, g, b]| Color32::from_rgb(r, g, b));
        let name = format!("tile {}/{}/{}", tile.level, tile.x, tile.y);
        let texture = ctx.load_texture(name, ColorImage::new([w, h], pixels), OPTIONS);
        self.tiles.insert(tile, Held { texture, used: self.frame });
        true
    }

    /// Draws the part `[left, top, right, bottom]` of the picture from a tile that holds it.
    fn put(
        &mut self,
        painter: &egui::Painter,
        pyramid: &Pyramid,
        tile: Tile,
        part: [f64; 4],
        place: &impl Fn(Point<Image>) -> Pos2,
    ) {
        let Some(held) = self.tiles.get_mut(&tile) else { return };
        held.used = self.frame;
        let (w, h) = pyramid.tile_size(tile);
        let [left, top, ..] = tile.extent(pyramid.picture_px());
        let step = f64::from(1_u32 << tile.level);
        let uv = |x: f64, y: f64| pos2(((x - left) / step / w as f64) as f32, ((y - top) / step / h as f64) as f32);
        painter.add(quad(held.texture.id(), part, uv, place));
    }

    fn forget(&mut self) {
        if self.tiles.len() <= MOST_TILES {
            return;
        }
        let mut old: Vec<(u64, Tile)> =
            self.tiles.iter().filter(|(_, h)| h.used < self.frame).map(|(t, h)| (h.used, *t)).collect();
        old.sort_unstable();
        for (_, tile) in old.into_iter().take(self.tiles.len() - MOST_TILES) {
            self.tiles.remove(&tile);
        }
    }
}

/// A textured part of the picture, placed corner by corner so that it may be turned.
pub(super) fn quad(
    texture: egui::TextureId,
    [l, t, r, b]: [f64; 4],
    uv: impl Fn(f64, f64) -> Pos2,
    place: &impl Fn(Point<Image>) -> Pos2,
) -> Mesh {
    let mut mesh = Mesh::with_texture(texture);
    for (x, y) in [(l, t), (r, t), (r, b), (l, b)] {
        mesh.vertices.push(egui::epaint::Vertex { pos: place(Point::new(x, y)), uv: uv(x, y), color: Color32::WHITE });
    }
    mesh.indices = vec![0, 1, 2, 0, 2, 3];
    mesh
}
