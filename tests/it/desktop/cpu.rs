//! Draws frames on the processor: no graphics card, the same to the last bit everywhere.

use std::collections::HashMap;
use std::sync::Arc;

use eframe::egui;
use egui::epaint::{ImageData, Primitive, Vertex};
use egui::{Color32, ColorImage, Pos2, TextureId, TexturesDelta};
use image::RgbaImage;

#[derive(Default)]
pub(super) struct Cpu {
    textures: HashMap<TextureId, ColorImage>,
}

impl egui_kittest::TestRenderer for Cpu {
    fn handle_delta(&mut self, delta: &mut TexturesDelta) {
        let mut set: Vec<_> = delta.set.drain().collect();
        set.sort_by_key(|s| s.0);
        for (id, deltas) in set {
            for delta in deltas {
                let ImageData::Color(image) = &delta.image;
                match delta.pos {
                    None => {
                        self.textures.insert(id, Arc::unwrap_or_clone(image.clone()));
                    }
                    Some([x, y]) => {
                        let texture = self.textures.get_mut(&id).expect("a part follows its whole");
                        let (width, [w, h]) = (texture.size[0], image.size);
                        for row in 0..h {
                            let to = (y + row) * width + x;
                            texture.pixels[to..to + w].copy_from_slice(&image.pixels[row * w..(row + 1) * w]);
                        }
                    }
                }
            }
        }
        self.textures.retain(|id, _| !delta.free.contains(id));
        delta.free.clear();
    }

    fn render(&mut self, ctx: &egui::Context, output: &egui::FullOutput) -> Result<RgbaImage, String> {
        let ppp = ctx.pixels_per_point();
        let size = ctx.content_rect().size() * ppp;
        let mut ground = Ground { width: size.x.round() as i32, height: size.y.round() as i32, pixels: Vec::new() };
        ground.pixels = vec![[0.0; 4]; (ground.width * ground.height) as usize];
        for p in ctx.tessellate(output.shapes.clone(), ppp) {
            let Primitive::Mesh(mesh) = &p.primitive else { continue };
            let texture = self.textures.get(&mesh.texture_id).ok_or("missing texture")?;
            let clip = p.clip_rect * ppp;
            for i in mesh.indices.chunks_exact(3) {
                let corners = [0, 1, 2].map(|k| mesh.vertices[i[k] as usize]);
                ground.triangle(corners, texture, clip, ppp);
            }
        }
        let mut image = RgbaImage::new(ground.width as u32, ground.height as u32);
        for (pixel, c) in image.pixels_mut().zip(&ground.pixels) {
            let [r, g, b, a] = c.map(|v| v.round().clamp(0.0, 255.0) as u8);
            pixel.0 = Color32::from_rgba_premultiplied(r, g, b, a).to_srgba_unmultiplied();
        }
        Ok(image)
    }
}

struct Ground {
    width: i32,
    height: i32,
    pixels: Vec<[f32; 4]>,
}

fn edge(a: Pos2, b: Pos2, c: Pos2) -> f32 {
    (b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x)
}

impl Ground {
    fn triangle(&mut self, mut v: [Vertex; 3], texture: &ColorImage, clip: egui::Rect, ppp: f32) {
        let mut q = v.map(|v| v.pos * ppp);
        let mut area = edge(q[0], q[1], q[2]);
        if area == 0.0 {
            return;
        }
        if area < 0.0 {
            q.swap(1, 2);
            v.swap(1, 2);
            area = -area;
        }
        // The top-left rule: a pixel on a shared edge is drawn once.
        let top_left = |a: Pos2, b: Pos2| (a.y == b.y && b.x > a.x) || b.y < a.y;
        let owned = [top_left(q[1], q[2]), top_left(q[2], q[0]), top_left(q[0], q[1])];
        let range =
            |k: fn(Pos2) -> f32| q.iter().map(|p| k(*p)).fold((f32::MAX, f32::MIN), |a, b| (a.0.min(b), a.1.max(b)));
        let within = |(low, high): (f32, f32), a: f32, b: f32, most: i32| {
            (low.floor() as i32).max(a.round() as i32).max(0)..(high.ceil() as i32).min(b.round() as i32).min(most)
        };
        for y in within(range(|p| p.y), clip.min.y, clip.max.y, self.height) {
            for x in within(range(|p| p.x), clip.min.x, clip.max.x, self.width) {
                let s = egui::pos2(x as f32 + 0.5, y as f32 + 0.5);
                let e = [edge(q[1], q[2], s), edge(q[2], q[0], s), edge(q[0], q[1], s)];
                if (0..3).any(|i| e[i] < 0.0 || (e[i] == 0.0 && !owned[i])) {
                    continue;
                }
                let source = colour(&v, e.map(|k| k / area), texture);
                let d = &mut self.pixels[(y * self.width + x) as usize];
                for k in 0..4 {
                    d[k] = source[k] + d[k] * (1.0 - source[3] / 255.0);
                }
            }
        }
    }
}

/// Bilinear texture times the corners' colour.
fn colour(v: &[Vertex; 3], share: [f32; 3], texture: &ColorImage) -> [f32; 4] {
    let [w, h] = texture.size.map(|s| s as f32);
    let mean = |k: fn(&Vertex) -> f32| (0..3).map(|i| share[i] * k(&v[i])).sum::<f32>();
    let (u, t) = (mean(|v| v.uv.x) * w - 0.5, mean(|v| v.uv.y) * h - 0.5);
    let (x0, y0) = (u.floor(), t.floor());
    let (fx, fy) = (u - x0, t - y0);
    let at = |x: f32, y: f32| {
        texture.pixels[y.clamp(0.0, h - 1.0) as usize * texture.size[0] + x.clamp(0.0, w - 1.0) as usize].to_array()
    };
    let (a, b, c, d) = (at(x0, y0), at(x0 + 1.0, y0), at(x0, y0 + 1.0), at(x0 + 1.0, y0 + 1.0));
    std::array::from_fn(|k| {
        let top = f32::from(a[k]) * (1.0 - fx) + f32::from(b[k]) * fx;
        let bottom = f32::from(c[k]) * (1.0 - fx) + f32::from(d[k]) * fx;
        let vertex = (0..3).map(|i| share[i] * f32::from(v[i].color.to_array()[k])).sum::<f32>();
        (top * (1.0 - fy) + bottom * fy) / 255.0 * vertex
    })
}
