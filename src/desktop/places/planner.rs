//! Planner: what each aperture will resolve, before the shot.

use eframe::egui;
use egui::{RichText, Ui};
use egui_plot::{AxisHints, Corner, GridMark, HLine, Legend, Line, LineStyle, Plot, PlotPoints};

use super::super::message::first_large;
use super::super::theme;
use super::super::work::Work;
use super::parts::{attention, field, line, named, warnings};
use super::planner_preview::{OwnPicture, PreviewPane, Rendered};
use super::setups::Setups;
use crate::optics::planner::{Advice, LensKind, Plan, PlanRequest, PlanRow, PlannedLying, PlannedPlacement, plan};
use crate::optics::{ApertureNote, PupilMagnification};
use crate::uncertainty::significant;
use crate::units::{Angle, Um, parse_length};

/// What is typed.
#[derive(Clone, Debug, PartialEq)]
struct Form {
    magnification: String,
    lens: LensKind,
    apertures: String,
    pupil: String,
    pixel: String,
    columns: String,
    wanted: String,
    animal: String,
    thickness: String,
    speed: String,
    level: String,
    snapped: bool,
}

impl Default for Form {
    fn default() -> Self {
        Self {
            magnification: "4".into(),
            lens: LensKind::Macro,
            apertures: String::new(),
            pupil: String::new(),
            pixel: "3.72um".into(),
            columns: String::new(),
            wanted: "12um".into(),
            animal: "500um".into(),
            thickness: String::new(),
            speed: String::new(),
            level: String::new(),
            snapped: false,
        }
    }
}

/// The place.
#[derive(Debug, Default)]
pub(crate) struct PlannerPlace {
    form: Form,
    made: Option<(Form, Result<Box<Plan>, String>)>,
    preview: PreviewPane,
}

fn number(what: &str, text: &str) -> Result<f64, String> {
    let plain = text.trim().trim_end_matches(['x', '×', '°']).trim_start_matches("f/").replace(',', ".");
    match plain.parse::<f64>() {
        Ok(v) if v.is_finite() && v > 0.0 => Ok(v),
        _ => Err(format!("{what}: \"{}\" is not a number above 0", text.trim())),
    }
}

fn maybe<T>(text: &str, read: impl FnOnce(&str) -> Result<T, String>) -> Result<Option<T>, String> {
    if text.trim().is_empty() { Ok(None) } else { read(text).map(Some) }
}

fn length(what: &'static str) -> impl Fn(&str) -> Result<Um, String> {
    move |text| parse_length(text).map_err(|e| format!("{what}: {e}"))
}

impl Form {
    fn request(&self) -> Result<PlanRequest, String> {
        let pixel = length("pixel pitch")(&self.pixel)?;
        let mut r = PlanRequest::new(number("magnification", &self.magnification)?, pixel);
        r.lens = self.lens;
        let note = |n: f64| match self.lens {
            LensKind::Objective => ApertureNote::NumericalAperture(n),
            LensKind::Telecentric => ApertureNote::Effective(n),
            LensKind::Macro | LensKind::Reversed => ApertureNote::Marked(n),
        };
        let given: Vec<f64> = self
            .apertures
            .split([' ', ';'])
            .filter(|w| !w.trim().is_empty())
            .map(|w| number("apertures", w))
            .collect::<Result<_, _>>()?;
        if !given.is_empty() {
            r.apertures = given.into_iter().map(note).collect();
        } else if !self.lens.has_marked_aperture() {
            return Err(match self.lens {
                LensKind::Objective => "type the objective's numerical aperture, as 0.1".to_owned(),
                _ => "type the effective apertures, as 24 32 48".to_owned(),
            });
        }
        r.pupil = maybe(&self.pupil, |t| number("pupil magnification", t))?
            .map_or(PupilMagnification::Unknown, PupilMagnification::Known);
        let columns = maybe(&self.columns, |t| number("columns", t))?;
        r.picture_px = columns.map(|c| (c as u32, (c * 2.0 / 3.0) as u32));
        r.wanted = maybe(&self.wanted, length("wanted part"))?;
        r.animal = maybe(&self.animal, length("animal"))?;
        r.thickness = maybe(&self.thickness, length("thickness"))?;
        r.speed_um_per_s = maybe(&self.speed, length("speed"))?.map(Um::get);
        if let Some(degrees) = maybe(&self.level, |t| number("level within", t))? {
            r.lying = PlannedLying::Within(Angle::from_degrees(degrees));
        }
        if self.snapped {
            r.placement = PlannedPlacement::Snapped;
        }
        Ok(r)
    }
}

impl PlannerPlace {
    fn plan(&mut self) -> &Result<Box<Plan>, String> {
        if self.made.as_ref().is_some_and(|(form, _)| *form != self.form) {
            self.made = None;
        }
        let form = &self.form;
        let make = || (form.clone(), form.request().and_then(|r| plan(&r).map(Box::new).map_err(|e| e.to_string())));
        &self.made.get_or_insert_with(make).1
    }

    /// The side: what is typed.
    pub(crate) fn panel(&mut self, ui: &mut Ui, setups: &Setups) {
        ui.heading("What will it resolve?");
        ui.label("Before the shot: which aperture splits the part that matters.");
        ui.add_space(4.0);
        if !setups.all().is_empty() {
            ui.menu_button("Take from a setup", |ui| {
                for s in setups.all() {
                    if ui.button(&s.name).clicked() {
                        self.take(s);
                        ui.close();
                    }
                }
            });
        }
        let f = &mut self.form;
        field(ui, "Magnification", &mut f.magnification, "as 4");
        named(ui, "Lens", |ui, label| {
            egui::ComboBox::from_id_salt("lens")
                .selected_text(f.lens.words())
                .show_ui(ui, |ui| {
                    for lens in [LensKind::Macro, LensKind::Reversed, LensKind::Objective, LensKind::Telecentric] {
                        ui.selectable_value(&mut f.lens, lens, lens.words());
                    }
                })
                .response
                .labelled_by(label);
        });
        let (name, hint) = match f.lens {
            LensKind::Objective => ("Numerical aperture", "as 0.1"),
            LensKind::Telecentric => ("Effective apertures", "as 24 32 48"),
            _ => ("Apertures", "the usual stops"),
        };
        field(ui, name, &mut f.apertures, hint);
        field(ui, "Pupil magnification", &mut f.pupil, "unknown");
        field(ui, "Pixel pitch", &mut f.pixel, "as 3.72um");
        field(ui, "Picture's columns", &mut f.columns, "as 6000");
        field(ui, "Part that matters", &mut f.wanted, "as 12um");
        field(ui, "Animal's length", &mut f.animal, "as 500um");
        field(ui, "Thickness", &mut f.thickness, "as 120um");
        field(ui, "Speed, per second", &mut f.speed, "as 1mm");
        field(ui, "Animal level within", &mut f.level, "degrees; else unknown");
        ui.checkbox(&mut f.snapped, "Marks will be snapped");
        ui.separator();
        match self.plan() {
            Err(words) => attention(ui, "No plan yet", words),
            Ok(p) => {
                egui::Grid::new("plan facts").num_columns(2).show(ui, |ui| {
                    line(ui, "A pixel is", format!("{} µm on the animal", significant(p.pixel_on_animal_um.get(), 3)));
                    if let (Some(w), Some(h)) = (p.field_width_um, p.field_height_um) {
                        line(ui, "Field", format!("{} × {} µm", significant(w.get(), 3), significant(h.get(), 3)));
                    }
                });
                warnings(ui, &p.warnings);
            }
        }
    }

    fn take(&mut self, s: &crate::setup::Setup) {
        let f = &mut self.form;
        let o = &s.optics;
        if let Some(m) = o.magnification {
            f.magnification = format!("{m}");
        }
        let pitch = o.pixel_pitch_um.or_else(|| o.magnification.map(|m| m / s.pooled_readings().scale.get()));
        if let Some(p) = pitch {
            f.pixel = format!("{}um", significant(p, 4));
        }
        f.pupil = o.pupil_magnification.map_or_else(String::new, |p| format!("{p}"));
        f.columns = format!("{}", s.picture_width_px);
        if let Some(na) = o.numerical_aperture {
            (f.lens, f.apertures) = (LensKind::Objective, format!("{na}"));
        }
    }

    /// Takes a preview that the background rendered.
    pub(crate) fn rendered(&mut self, rendered: Rendered) {
        self.preview.arrived(rendered);
    }

    /// The middle: advice, table, plots and preview.
    pub(crate) fn middle(&mut self, ui: &mut Ui, own: Option<&OwnPicture>, work: &mut Work) {
        let dark = ui.visuals().dark_mode;
        self.plan();
        let request = self.form.request();
        let Some((_, Ok(p))) = &self.made else {
            ui.centered_and_justified(|ui| ui.label("The plan appears here once the fields at the side make sense."));
            return;
        };
        egui::ScrollArea::vertical().id_salt("plan").auto_shrink(false).show(ui, |ui| {
            match &p.advice {
                Some(Advice::Best(best)) => {
                    ui.heading(format!("For the part that matters: {}", best.aperture_text));
                    ui.label(first_large(&best.reason));
                }
                Some(Advice::DependsOnPupil(d)) => {
                    ui.heading("It depends on the pupil magnification");
                    ui.label(first_large(&d.text));
                }
                Some(Advice::NotAtThisMagnification(r)) => {
                    ui.heading("The part that matters is not resolved");
                    ui.label(first_large(&r.text));
                }
                None => {}
            }
            if let Some(best) = &p.best_for_animal {
                ui.label(format!("Least expected uncertainty for the animal's length, from one picture: {best}"));
            }
            ui.add_space(8.0);
            table(ui, p);
            ui.add_space(10.0);
            if p.apertures.len() > 1 {
                plots(ui, p, dark);
            }
            if let Ok(request) = &request {
                self.preview.show(ui, (request, p), own, work);
            }
            ui.label(RichText::new("Lengths are on the animal. Blur is a lower bound: real lenses are worse, most of all wide open. U is for k = 2.").weak());
        });
    }
}

/// A column: heading and what it says of a row.
type Column = (&'static str, fn(&PlanRow) -> Option<String>);

const COLUMNS: [Column; 11] = [
    ("aperture", |r| Some(r.aperture_text.clone())),
    ("effective", |r| Some(format!("f/{}", significant(r.effective_aperture, 3)))),
    ("blur, µm", |r| Some(significant(r.blur_spot_um.get(), 3))),
    ("blur range", |r| {
        let (low, high) = (r.blur_spot_low_um.get(), r.blur_spot_high_um.get());
        (high > 1.001 * low).then(|| format!("{} to {}", significant(low, 2), significant(high, 2)))
    }),
    ("blur, px", |r| Some(significant(r.blur_spot_px.get(), 2))),
    ("depth, µm", |r| Some(significant(r.depth_um.get(), 3))),
    ("resolves, µm", |r| Some(significant(r.smallest_resolved_high_um.get(), 3))),
    ("the part", |r| r.wanted_verdict.map(str::to_owned)),
    ("U part, µm", |r| r.wanted.as_ref().map(|e| significant(2.0 * e.u_um.get(), 2))),
    ("U animal, µm", |r| r.animal.as_ref().map(|e| significant(2.0 * e.u_um.get(), 2))),
    ("light, stops", |r| Some(format!("{:+.1}", r.exposure_stops).replace('-', "−"))),
];

fn table(ui: &mut Ui, p: &Plan) {
    let shown: Vec<&Column> = COLUMNS.iter().filter(|(_, of)| p.apertures.iter().any(|r| of(r).is_some())).collect();
    egui::ScrollArea::horizontal().id_salt("plan table").show(ui, |ui| {
        egui::Grid::new("plan table").num_columns(shown.len()).striped(true).spacing([11.0, 6.0]).show(ui, |ui| {
            for (name, _) in &shown {
                ui.label(RichText::new(*name).strong());
            }
            ui.end_row();
            for r in &p.apertures {
                for (_, of) in &shown {
                    ui.label(RichText::new(of(r).unwrap_or_default()).monospace());
                }
                ui.end_row();
            }
        });
    });
}

fn plots(ui: &mut Ui, p: &Plan, dark: bool) {
    // Stops stand at equal distances.
    let points = |of: &dyn Fn(&PlanRow) -> Option<f64>| -> Vec<[f64; 2]> {
        p.apertures.iter().enumerate().filter_map(|(i, r)| Some([i as f64, of(r)?])).collect()
    };
    let names: Vec<String> = p.apertures.iter().map(|r| r.aperture_text.clone()).collect();
    let blur = points(&|r| Some(r.blur_spot_um.get()));
    let resolves = points(&|r| Some(r.smallest_resolved_um.get()));
    let depth = points(&|r| Some(r.depth_um.get()));
    let animal = points(&|r| r.animal.as_ref().map(|e| 2.0 * e.u_um.get()));
    let wanted = points(&|r| r.wanted.as_ref().map(|e| 2.0 * e.u_um.get()));
    let plot = |id: &'static str| {
        let (names, n) = (names.clone(), names.len());
        let name = move |mark: GridMark, _: &std::ops::RangeInclusive<f64>| {
            let i = mark.value.round();
            let name = if i >= 0.0 && (mark.value - i).abs() < 1e-6 { names.get(i as usize) } else { None };
            name.cloned().unwrap_or_default()
        };
        Plot::new(id)
            .height(190.0)
            .allow_scroll(false)
            .allow_drag(false)
            .allow_zoom(false)
            .allow_boxed_zoom(false)
            .include_y(0.0)
            .grid_color(theme::grid(dark))
            .x_grid_spacer(move |_| (0..n).map(|i| GridMark { value: i as f64, step_size: 1.0 }).collect())
            .custom_x_axes(vec![AxisHints::new_x().label_spacing(24.0..=32.0).formatter(name)])
            .legend(Legend::default().position(Corner::LeftTop))
    };
    let (one, two, three) = (theme::series(dark), theme::second(dark), theme::third(dark));
    ui.columns(3, |columns| {
        columns[0].label(RichText::new("On the animal, µm, against the aperture").strong());
        plot("plan blur").show(&mut columns[0], |plot| {
            plot.line(Line::new("blur spot", PlotPoints::from(blur)).color(one).width(2.0));
            plot.line(
                Line::new("smallest resolved", PlotPoints::from(resolves))
                    .color(two)
                    .width(2.0)
                    .style(LineStyle::dashed_loose()),
            );
            if let Some(w) = p.wanted_um {
                plot.hline(HLine::new("the part", w.get()).color(three).style(LineStyle::dotted_dense()));
            }
        });
        columns[1].label(RichText::new("Depth of field, µm").strong());
        plot("plan depth").show(&mut columns[1], |plot| {
            plot.line(Line::new("depth of field", PlotPoints::from(depth)).color(one).width(2.0));
        });
        columns[2].label(RichText::new("Expected U (k = 2), µm").strong());
        // Room for the names above the lines.
        let highest = animal.iter().chain(&wanted).map(|p| p[1]).fold(0.0, f64::max);
        plot("plan u").include_y(1.4 * highest).show(&mut columns[2], |plot| {
            if !animal.is_empty() {
                plot.line(Line::new("animal's length", PlotPoints::from(animal)).color(one).width(2.0));
            }
            if !wanted.is_empty() {
                plot.line(
                    Line::new("the part", PlotPoints::from(wanted))
                        .color(two)
                        .width(2.0)
                        .style(LineStyle::dashed_loose()),
                );
            }
        });
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_becomes_a_request_or_words() {
        let form = Form::default();
        let r = form.request().expect("reads");
        assert_eq!((r.magnification, r.pixel_pitch, r.wanted), (4.0, Um::new(3.72), Some(Um::new(12.0))));
        let bad = |f: Form| f.request().unwrap_err();
        assert!(bad(Form { pixel: "3.72".into(), ..Form::default() }).contains("pixel pitch"));
        assert!(bad(Form { magnification: "x".into(), ..Form::default() }).contains("magnification"));
        assert!(bad(Form { lens: LensKind::Objective, ..Form::default() }).contains("numerical aperture"));
        let objective = Form { lens: LensKind::Objective, apertures: "0.1".into(), ..Form::default() };
        assert_eq!(objective.request().expect("reads").apertures, [ApertureNote::NumericalAperture(0.1)]);
    }
}
