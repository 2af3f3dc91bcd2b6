//! The canvas as a widget.

use eframe::egui;
use egui::{
    Align2, Color32, ColorImage, FontId, Pos2, Rect, Response, Sense, Stroke, StrokeKind, TextureHandle, Ui, Vec2,
    pos2, vec2,
};

use super::bar::bar;
use super::pyramid::Pyramid;
use super::textures::{self, Textures};
use super::tiles;
use super::tone::ToneView;
use super::view::{OnCanvas, View};
use crate::desktop::theme;
use crate::slide::ScaleMap;
use crate::units::{Image, Point, Vector};

/// Side of the loupe, points, and of the square of pixels that it can hold.
const LOUPE_POINTS: f32 = 190.0;
const LOUPE_PIXELS: usize = 64;

/// What is known of the picture shown.
#[derive(Debug)]
pub struct About<'a> {
    /// A number that no other picture has.
    pub id: u64,
    /// Its pixels.
    pub pyramid: &'a Pyramid,
    /// Its scale map, where there is one, and the factor of the pooled readings on lengths through it.
    pub map: Option<(&'a ScaleMap, f64)>,
    /// Diameter of the blur spot in the picture, px.
    pub blur_px: Option<f64>,
}

/// The canvas's state: what is seen of the picture and how.
pub struct Canvas {
    view: Option<View>,
    of: Option<u64>,
    /// Tone and channel.
    pub tone: ToneView,
    /// Whether the loupe follows the pointer.
    pub loupe: bool,
    size: OnCanvas,
    /// True while all of the picture is to be seen, whatever size the canvas takes.
    whole: bool,
    textures: Textures,
    loupe_texture: Option<((u64, ToneView, i64, i64), TextureHandle)>,
}

impl std::fmt::Debug for Canvas {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Canvas").field("view", &self.view).field("tone", &self.tone).finish_non_exhaustive()
    }
}

impl std::fmt::Debug for Frame {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Frame").field("rect", &self.rect).field("view", &self.view).finish_non_exhaustive()
    }
}

impl Default for Canvas {
    fn default() -> Self {
        Self {
            view: None,
            of: None,
            tone: ToneView::default(),
            loupe: true,
            size: OnCanvas::new(800.0, 600.0),
            whole: true,
            textures: Textures::default(),
            loupe_texture: None,
        }
    }
}

/// One frame of the canvas.
pub struct Frame {
    /// Clicks and drags.
    pub response: Response,
    /// Where the canvas is.
    pub rect: Rect,
    /// Draws on it.
    pub painter: egui::Painter,
    /// How the picture stands.
    pub view: View,
    picture_px: (usize, usize),
}

impl Frame {
    /// Where an image point is on the screen.
    #[must_use]
    pub fn screen(&self, p: Point<Image>) -> Pos2 {
        on_screen(&self.view, self.rect, p)
    }

    /// The image point under a place on the screen.
    #[must_use]
    pub fn image(&self, at: Pos2) -> Point<Image> {
        let d = at - self.rect.center();
        self.view.image_from_canvas(OnCanvas::new(f64::from(d.x), f64::from(d.y)))
    }

    /// The image point under the pointer, where it is over the picture.
    #[must_use]
    pub fn pointer(&self) -> Option<Point<Image>> {
        let p = self.image(self.response.hover_pos()?);
        self.is_inside(p).then_some(p)
    }

    /// True inside the picture.
    #[must_use]
    pub fn is_inside(&self, p: Point<Image>) -> bool {
        p.x >= 0.0 && p.y >= 0.0 && p.x <= self.picture_px.0 as f64 && p.y <= self.picture_px.1 as f64
    }
}

fn on_screen(view: &View, rect: Rect, p: Point<Image>) -> Pos2 {
    let at = view.canvas_from_image(p);
    rect.center() + vec2(at.x as f32, at.y as f32)
}

impl Canvas {
    /// Shows the whole picture again, from the next frame on.
    pub const fn show_whole(&mut self) {
        self.whole = true;
    }

    /// One image pixel a point.
    pub fn show_pixels(&mut self) {
        self.whole = false;
        if let Some(view) = &mut self.view {
            view.zoom = 1.0;
        }
    }

    /// Zooms about the middle.
    pub fn zoom_by(&mut self, factor: f64, picture_px: (usize, usize)) {
        let size = self.size;
        self.whole = false;
        self.view = self.view.map(|v| v.zoomed(factor, OnCanvas::default(), picture_px, size));
    }

    /// Moves what is seen, in shares of the canvas.
    pub fn pan_by(&mut self, x: f64, y: f64) {
        let by = OnCanvas::new(-x * self.size.x, -y * self.size.y);
        self.whole = false;
        self.view = self.view.map(|v| v.panned(by));
    }

    /// Quarter turns clockwise.
    pub fn turn(&mut self, quarters: i8) {
        self.view = self.view.map(|v| v.turned(quarters));
        self.show_whole();
    }

    /// Mirrors left to right.
    pub fn mirror(&mut self) {
        self.view = self.view.map(|v| v.mirrored(false));
    }

    /// Brings an image point to the middle with at least this zoom.
    pub fn look_at(&mut self, p: Point<Image>, least_zoom: f64) {
        // All of it is in sight already.
        if self.whole && self.view.is_some_and(|v| v.zoom >= least_zoom) {
            return;
        }
        self.whole = false;
        self.view = self.view.map(|v| View { centre: p, zoom: v.zoom.max(least_zoom), ..v });
    }

    /// A step on the screen as one in the picture, both in image pixels.
    #[must_use]
    pub fn step(&self, right_px: f64, down_px: f64) -> Vector<Image> {
        let Some(view) = self.view.filter(|v| v.zoom.is_finite()) else { return Vector::new(right_px, down_px) };
        view.image_from_canvas(OnCanvas::new(right_px * view.zoom, down_px * view.zoom)) - view.centre
    }

    /// The place of the picture in the middle of the canvas.
    #[must_use]
    pub fn middle(&self) -> Option<Point<Image>> {
        self.view.map(|v| v.centre)
    }

    /// Points per image pixel.
    #[must_use]
    pub fn zoom(&self) -> Option<f64> {
        self.view.map(|v| v.zoom).filter(|z| z.is_finite())
    }

    /// Takes the room and what the pointer does there.
    pub fn begin(&mut self, ui: &mut Ui, about: &About<'_>) -> Frame {
        let (rect, response) =
            ui.allocate_exact_size(ui.available_size().max(vec2(50.0, 50.0)), Sense::click_and_drag());
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, "Picture canvas"));
        self.size = OnCanvas::new(f64::from(rect.width()), f64::from(rect.height()));
        let picture_px = about.pyramid.picture_px();
        let view = match self.view {
            Some(view) if self.of == Some(about.id) && !self.whole => view,
            Some(view) if self.of == Some(about.id) => view.fitted(picture_px, self.size),
            _ => View::whole(picture_px, self.size),
        };
        self.whole |= self.of != Some(about.id);
        (self.view, self.of) = (Some(view), Some(about.id));
        let painter = ui.painter_at(rect);
        Frame { response, rect, painter, view, picture_px }
    }

    /// Pans and zooms by the pointer; `pans` false leaves a drag with the first button to others.
    pub fn navigate(&mut self, ui: &Ui, frame: &mut Frame, pans: bool) {
        let r = &frame.response;
        let mut view = frame.view;
        let dragged = (pans && r.dragged_by(egui::PointerButton::Primary)) || r.dragged_by(egui::PointerButton::Middle);
        if dragged {
            let d = r.drag_delta();
            view = view.panned(OnCanvas::new(f64::from(d.x), f64::from(d.y)));
        }
        if let Some(at) = r.hover_pos() {
            let (scroll, pinch) = ui.input(|i| (i.smooth_scroll_delta(), i.zoom_delta()));
            let factor = f64::from(pinch) * (f64::from(scroll.y) / 220.0).exp();
            if (factor - 1.0).abs() > 1e-6 {
                let d = at - frame.rect.center();
                let at = OnCanvas::new(f64::from(d.x), f64::from(d.y));
                view = view.zoomed(factor, at, frame.picture_px, self.size);
            }
        }
        view = view.held(frame.picture_px);
        self.whole &= view == frame.view;
        (self.view, frame.view) = (Some(view), view);
    }

    /// Draws the picture.
    pub fn paint(&mut self, ui: &Ui, frame: &Frame, about: &About<'_>) {
        frame.painter.rect_filled(frame.rect, 0.0, theme::surround(ui.visuals().dark_mode));
        let ppp = f64::from(ui.ctx().pixels_per_point());
        let wanted = tiles::in_sight(&frame.view, frame.picture_px, self.size, ppp);
        let place = |p: Point<Image>| frame.screen(p);
        if !self.textures.draw(&frame.painter, (about.id, about.pyramid), &self.tone, &wanted, place) {
            ui.ctx().request_repaint();
        }
        // Where a bright picture ends on a bright ground.
        let (width, height) = (frame.picture_px.0 as f64, frame.picture_px.1 as f64);
        let rim = Rect::from_two_pos(frame.screen(Point::new(0.0, 0.0)), frame.screen(Point::new(width, height)));
        let stroke = Stroke::new(1.0, theme::rim(ui.visuals().dark_mode));
        frame.painter.rect_stroke(rim, 0.0, stroke, StrokeKind::Outside);
    }

    /// Draws what goes with the pointer: crosshair, blur spot, read-out, loupe; and the scale bar.
    ///
    /// `watched` is the place that the loupe shows instead of the pointer, such as a mark being nudged.
    pub fn finish(&mut self, ui: &Ui, frame: &Frame, about: &About<'_>, placing: bool, watched: Option<Point<Image>>) {
        let pointer = frame.pointer();
        if let Some(p) = pointer.filter(|_| placing) {
            crosshair(&frame.painter, frame.screen(p), frame.rect, about.blur_px.map(|w| w * frame.view.zoom));
        }
        if let Some(p) = watched.or(pointer.filter(|_| placing)).filter(|_| self.loupe) {
            self.draw_loupe(ui, frame, about, p);
        }
        draw_bar(frame, about);
        draw_read_out(ui, frame, about, pointer);
    }

    fn draw_loupe(&mut self, ui: &Ui, frame: &Frame, about: &About<'_>, p: Point<Image>) {
        let zoom = (4.0 * frame.view.zoom).clamp(4.0, 24.0);
        // Enough of the loupe is filled at this zoom.
        let zoom = zoom.max(f64::from(LOUPE_POINTS) / (LOUPE_PIXELS as f64 - 2.0));
        let (column, row) = (p.x.floor() as i64, p.y.floor() as i64);
        let key = (about.id, self.tone, column, row);
        let outside = theme::surround(ui.visuals().dark_mode);
        if self.loupe_texture.as_ref().is_none_or(|(k, _)| *k != key) {
            let make = |[r, g, b]: [u8; 3]| Color32::from_rgb(r, g, b);
            let image = ColorImage::new(
                [LOUPE_PIXELS; 2],
                about.pyramid.square(column, row, LOUPE_PIXELS, &self.tone, make, outside),
            );
            match &mut self.loupe_texture {
                Some((k, texture)) => {
                    *k = key;
                    texture.set(image, textures::OPTIONS);
                }
                none => *none = Some((key, ui.ctx().load_texture("loupe", image, textures::OPTIONS))),
            }
        }
        let Some((_, texture)) = &self.loupe_texture else { return };
        let rect = loupe_rect(frame, frame.screen(p));
        let painter = frame.painter.with_clip_rect(rect);
        let view = View { centre: p, zoom, ..frame.view };
        let half = (LOUPE_PIXELS / 2) as f64;
        let (l, t) = (column as f64 - half, row as f64 - half);
        let side = LOUPE_PIXELS as f64;
        let uv = |x: f64, y: f64| pos2(((x - l) / side) as f32, ((y - t) / side) as f32);
        painter.add(textures::quad(texture.id(), [l, t, l + side, t + side], uv, &|q| on_screen(&view, rect, q)));
        let c = rect.center();
        for (a, b) in [
            (vec2(-14.0, 0.0), vec2(-3.0, 0.0)),
            (vec2(3.0, 0.0), vec2(14.0, 0.0)),
            (vec2(0.0, -14.0), vec2(0.0, -3.0)),
            (vec2(0.0, 3.0), vec2(0.0, 14.0)),
        ] {
            painter.line_segment([c + a, c + b], Stroke::new(3.0, theme::HALO));
            painter.line_segment([c + a, c + b], Stroke::new(1.0, theme::POINTER));
        }
        if let Some(w) = about.blur_px {
            blur_circle(&painter, c, w * zoom);
        }
        frame.painter.rect_stroke(rect, 0.0, Stroke::new(1.0, theme::HALO), StrokeKind::Outside);
        frame.painter.rect_stroke(rect.expand(1.0), 0.0, Stroke::new(1.0, theme::POINTER), StrokeKind::Outside);
    }
}

/// Room for the figure beside the pointer and for what stands in the upper left corner, points.
const FIGURE_WIDTH: f32 = 180.0;
const FIRST_LINE: f32 = 34.0;

/// In the corner away from the place watched and from the figure beside it.
fn loupe_rect(frame: &Frame, at: Pos2) -> Rect {
    let side = LOUPE_POINTS.min(0.45 * frame.rect.width()).min(0.45 * frame.rect.height());
    let inner = frame.rect.shrink(12.0);
    let near = at.x > frame.rect.right() - side - FIGURE_WIDTH && at.y < frame.rect.top() + side + 60.0;
    let min = if near { inner.left_top() + vec2(0.0, FIRST_LINE) } else { pos2(inner.right() - side, inner.top()) };
    Rect::from_min_size(min, Vec2::splat(side))
}

fn blur_circle(painter: &egui::Painter, at: Pos2, diameter: f64) {
    let radius = (0.5 * diameter) as f32;
    if radius > 1.5 {
        painter.circle_stroke(at, radius, Stroke::new(2.5, theme::HALO));
        painter.circle_stroke(at, radius, Stroke::new(1.0, theme::BLUR));
    }
}

fn crosshair(painter: &egui::Painter, at: Pos2, rect: Rect, blur: Option<f64>) {
    let gap = blur.map_or(8.0, |w| (0.5 * w as f32).clamp(8.0, 200.0));
    let lines = [
        [pos2(rect.left(), at.y), pos2(at.x - gap, at.y)],
        [pos2(at.x + gap, at.y), pos2(rect.right(), at.y)],
        [pos2(at.x, rect.top()), pos2(at.x, at.y - gap)],
        [pos2(at.x, at.y + gap), pos2(at.x, rect.bottom())],
    ];
    for line in lines {
        // On a bright ground its rim is seen, on a dark one the line itself.
        painter.line_segment(line, Stroke::new(3.0, theme::CROSSHAIR_RIM));
        painter.line_segment(line, Stroke::new(1.0, theme::CROSSHAIR));
    }
    if let Some(w) = blur {
        blur_circle(painter, at, w);
    }
}

fn plate(painter: &egui::Painter, rect: Rect) {
    painter.rect_filled(rect, 4.0, theme::PLATE);
}

fn draw_bar(frame: &Frame, about: &About<'_>) {
    let Some((map, pooling)) = about.map else { return };
    let scale = map.centre_scale() / pooling;
    let Some(bar) = bar(scale, frame.view.zoom, f64::from(frame.rect.width())) else { return };
    let right = frame.rect.right_bottom() - vec2(24.0, 24.0);
    let left = right - vec2(bar.points as f32, 0.0);
    let middle = pos2(0.5 * (left.x + right.x), right.y - 8.0);
    let galley = frame.painter.layout_no_wrap(bar.label.clone(), FontId::proportional(14.0), Color32::WHITE);
    let width = galley.size().x.max(bar.points as f32) + 20.0;
    plate(
        &frame.painter,
        Rect::from_min_max(pos2(middle.x - 0.5 * width, middle.y - 24.0), pos2(middle.x + 0.5 * width, right.y + 8.0)),
    );
    frame.painter.line_segment([left, right], Stroke::new(3.0, Color32::WHITE));
    frame.painter.text(middle, Align2::CENTER_BOTTOM, bar.label, FontId::proportional(14.0), Color32::WHITE);
}

fn draw_read_out(ui: &Ui, frame: &Frame, about: &About<'_>, pointer: Option<Point<Image>>) {
    let percent = 100.0 * frame.view.zoom * f64::from(ui.ctx().pixels_per_point());
    let mut text = if percent < 10.0 { format!("{percent:.1} %") } else { format!("{percent:.0} %") };
    if let Some(p) = pointer {
        text.push_str(&format!("   x {:.1}  y {:.1} px", p.x, p.y));
        if let Some((map, pooling)) = about.map {
            let q = map.slide_from_image(p);
            text.push_str(&format!("   {:.1}, {:.1} µm", q.x * pooling, q.y * pooling));
        }
        if let Some([r, g, b]) = about.pyramid.codes_at(p.x as usize, p.y as usize) {
            text.push_str(&if r == g && g == b { format!("   level {r}") } else { format!("   levels {r} {g} {b}") });
        }
    }
    let at = frame.rect.left_bottom() + vec2(12.0, -12.0);
    let galley = frame.painter.layout_no_wrap(text, FontId::monospace(12.0), Color32::WHITE);
    let rect = Rect::from_min_size(at - vec2(0.0, galley.size().y), galley.size());
    plate(&frame.painter, rect.expand2(vec2(6.0, 4.0)));
    frame.painter.galley(rect.min, galley, Color32::WHITE);
}
