//! Graduations on the picture.

use eframe::egui;
use egui::{Pos2, Stroke, Vec2, vec2};

use super::super::canvas::Frame;
use super::super::theme;
use crate::slide::{Family, Graduation, Reading, Rejection};

/// Distance from the pointer within which a graduation is pointed at, points.
pub(super) const REACH: f32 = 9.0;

/// Draws all graduations in sight; the one under the pointer. The one that keys have `stepped` to has a ring around it.
///
/// Those in the fit are ticks along their line (dots: rings), those left out are crosses, in a ring where a person did it.
pub(super) fn graduations(frame: &Frame, reading: &Reading, stepped: Option<&Graduation>) -> Option<Graduation> {
    let pointer = frame.response.hover_pos();
    let mut nearest: Option<(f32, Graduation)> = None;
    let along = frame_direction(frame, reading.rotation.get());
    let sight = frame.rect.expand(12.0);
    for g in &reading.graduations {
        let at = frame.screen(g.at);
        if !sight.contains(at) {
            continue;
        }
        draw(frame, g, at, along);
        if let Some(p) = pointer {
            let d = p.distance(at);
            if d < REACH && nearest.as_ref().is_none_or(|n| d < n.0) {
                nearest = Some((d, *g));
            }
        }
    }
    if let Some(g) = stepped {
        frame.painter.circle_stroke(frame.screen(g.at), 13.0, Stroke::new(4.0, theme::HALO));
        frame.painter.circle_stroke(frame.screen(g.at), 13.0, Stroke::new(2.0, theme::AT_WORK));
    }
    let (_, g) = nearest?;
    frame.painter.circle_stroke(frame.screen(g.at), 10.0, Stroke::new(1.5, theme::POINTER));
    Some(g)
}

/// A direction in the picture as it is on the screen, of length 1.
fn frame_direction(frame: &Frame, angle_rad: f64) -> Vec2 {
    let c = frame.view.centre;
    let tip = frame.screen(crate::units::Point::new(c.x + angle_rad.cos(), c.y + angle_rad.sin()));
    (tip - frame.screen(c)).normalized()
}

fn draw(frame: &Frame, g: &Graduation, at: Pos2, along: Vec2) {
    let across = vec2(-along.y, along.x);
    let stroke = |lines: &[[Pos2; 2]], color| {
        for line in lines {
            frame.painter.line_segment(*line, Stroke::new(4.0, theme::HALO));
        }
        for line in lines {
            frame.painter.line_segment(*line, Stroke::new(2.0, color));
        }
    };
    if g.rejected.is_some() {
        let (a, b) = ((along + across) * 4.5, (along - across) * 4.5);
        stroke(&[[at - a, at + a], [at - b, at + b]], theme::LEFT_OUT);
        if g.rejected == Some(Rejection::ByHand) {
            frame.painter.circle_stroke(at, 8.0, Stroke::new(2.0, theme::LEFT_OUT));
        }
        return;
    }
    match g.family {
        Family::Dot { .. } => {
            frame.painter.circle_stroke(at, 5.0, Stroke::new(4.0, theme::HALO));
            frame.painter.circle_stroke(at, 5.0, Stroke::new(2.0, theme::USED));
        }
        Family::Across => stroke(&[[at - along * 9.0, at + along * 9.0]], theme::USED),
        _ => stroke(&[[at - across * 9.0, at + across * 9.0]], theme::USED),
    }
}

/// What is known of a graduation.
pub(super) fn words_about(g: &Graduation) -> String {
    let fit = match g.rejected {
        None => "in the fit".to_owned(),
        Some(why) => format!("left out: {}", why.reason()),
    };
    format!("graduation {}, {:+.3} px from the scale map (u {:.3} px), {fit}", g.index, g.residual.get(), g.u.get())
}
