//! Plots of the core, drawn in the window with the same data, names and shapes.

use eframe::egui;
use egui::Ui;
use egui_plot::{Bar, BarChart, Corner, HLine, Legend, Line, LineStyle, MarkerShape, Plot, PlotPoints, Points, VLine};

use super::super::super::theme;
use crate::exchange::plot::{Data, Panel, Series};

const SHAPES: [MarkerShape; 4] = [MarkerShape::Circle, MarkerShape::Diamond, MarkerShape::Square, MarkerShape::Up];

fn label(name: &str, unit: &str) -> String {
    if unit.is_empty() { name.to_owned() } else { format!("{name}, {unit}") }
}

/// Draws a panel of a plot.
pub(super) fn panel(ui: &mut Ui, id: &str, panel: &Panel, height: f32) {
    let dark = ui.visuals().dark_mode;
    let mut plot = Plot::new(id)
        .height(height)
        .allow_scroll(false)
        .allow_drag(false)
        .allow_zoom(false)
        .allow_boxed_zoom(false)
        .x_axis_label(label(&panel.x.label, &panel.x.unit))
        .y_axis_label(label(&panel.y.label, &panel.y.unit))
        .grid_color(theme::grid(dark))
        .legend(Legend::default().position(Corner::RightTop));
    if let Some((low, high)) = panel.y.range {
        plot = plot.include_y(low).include_y(high);
    }
    plot.show(ui, |plot| {
        for (i, s) in panel.series.iter().enumerate() {
            draw(plot, s, i, dark);
        }
    });
}

fn draw(plot: &mut egui_plot::PlotUi<'_>, s: &Series, place: usize, dark: bool) {
    let color = match place {
        0 => theme::series(dark),
        1 => theme::second(dark),
        _ => theme::third(dark),
    };
    let style = if s.dashed { LineStyle::dashed_loose() } else { LineStyle::Solid };
    let line = |points: Vec<[f64; 2]>| {
        Line::new(s.name.clone(), PlotPoints::from(points)).color(color).width(2.0).style(style)
    };
    let shape = SHAPES[place % SHAPES.len()];
    let dots = |points: Vec<[f64; 2]>| Points::new(s.name.clone(), points).color(color).radius(3.0).shape(shape);
    match &s.data {
        Data::Points(all) => plot.points(dots(all.iter().map(|p| [p.0, p.1]).collect())),
        Data::PointsWithErrors(all) => {
            for (x, y, u) in all {
                let bar = vec![[*x, y - u], [*x, y + u]];
                plot.line(Line::new(s.name.clone(), PlotPoints::from(bar)).color(color.gamma_multiply(0.6)).width(1.0));
            }
            plot.points(dots(all.iter().map(|p| [p.0, p.1]).collect()));
        }
        Data::Line(all) => plot.line(line(all.iter().map(|p| [p.0, p.1]).collect())),
        Data::Band(all) => {
            plot.line(line(all.iter().map(|p| [p.0, p.1]).collect()));
            plot.line(line(all.iter().map(|p| [p.0, p.2]).collect()));
        }
        Data::Bars(all) => {
            let bar = |(from, to, height): &(f64, f64, f64)| {
                Bar::new(f64::midpoint(*from, *to), *height).width(0.96 * (to - from))
            };
            plot.bar_chart(BarChart::new(s.name.clone(), all.iter().map(bar).collect()).color(color));
        }
        Data::Across(y) => plot.hline(HLine::new(s.name.clone(), *y).color(color).style(style)),
        Data::Upwards(x) => plot.vline(VLine::new(s.name.clone(), *x).color(color).style(style)),
    }
}
