//! The plot of a plan: blur, depth and expected uncertainty against the aperture.

use crate::exchange::draw::{MarkShape, Tone};
use crate::exchange::plot::{Axis, Data, Panel, Plot, Series};
use crate::optics::planner::{Expected, Plan, PlanRow};
use crate::uncertainty::significant;

/// The plot, ready to be written.
pub(super) fn drawn(p: &Plan) -> Plot {
    let curves = Curves { plan: p, by: By::of(p) };
    let mut blur = curves.curve("blur spot", Tone::ORDER[0], |r| Some(r.blur_spot_um.get()));
    blur.extend(curves.band(Tone::ORDER[0], |r| Some((r.blur_spot_low_um.get(), r.blur_spot_high_um.get()))));
    let resolved = curves.curve("smallest resolved length", Tone::ORDER[1], |r| Some(r.smallest_resolved_um.get()));
    blur.extend(resolved.into_iter().map(Series::dashed));
    if let Some(wanted) = p.wanted_um {
        blur.push(Series::new("wanted part", Data::Across(wanted.get())));
    }
    let mut depth = curves.curve("depth of field", Tone::ORDER[0], |r| Some(r.depth_um.get()));
    depth.extend(curves.band(Tone::ORDER[0], |r| Some((r.depth_low_um.get(), r.depth_high_um.get()))));
    let mut uncertainty = Vec::new();
    for (name, tone, of) in [
        ("wanted part", Tone::ORDER[0], (|r: &PlanRow| r.wanted.as_ref()) as fn(&PlanRow) -> Option<&Expected>),
        ("animal's length", Tone::ORDER[1], |r: &PlanRow| r.animal.as_ref()),
    ] {
        if p.apertures.iter().any(|r| of(r).is_some()) {
            uncertainty.extend(curves.curve(name, tone, |r| of(r).map(|e| 2.0 * e.u_um.get())));
            let ends = |e: &Expected| (2.0 * e.u_low_um.get(), 2.0 * e.u_high_um.get());
            uncertainty.extend(curves.band(tone, |r| of(r).map(ends)));
        }
    }
    let from_zero = |label: &str| Axis { with_zero: true, ..Axis::new(label, "µm") };
    let x = || curves.by.axis(p);
    let mut panels =
        vec![Panel::new(x(), from_zero("on the animal"), blur), Panel::new(x(), from_zero("depth of field"), depth)];
    if !uncertainty.is_empty() {
        panels.push(Panel::new(x(), from_zero("expected U, k = 2"), uncertainty));
    }
    let mut plot = Plot::new(&format!("Plan at {}x", significant(p.magnification, 3)), panels);
    plot.subtitle = format!(
        "recorded pixels of {} µm on the sensor; blur and depth are on the animal, for a perfect lens{}",
        significant(p.pixel_um.get(), 3),
        if curves.ranged() {
            "; curves are for a pupil magnification of 1, bands for the range 2 to 0.28 of an unknown one"
        } else {
            ""
        }
    );
    plot
}

/// What stands on the axis across.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum By {
    Marked,
    Effective,
    Numerical,
}

impl By {
    fn of(p: &Plan) -> Self {
        if p.apertures.iter().all(|r| r.aperture.is_some()) {
            Self::Marked
        } else if p.apertures.iter().all(|r| r.aperture_text.starts_with("NA")) {
            Self::Numerical
        } else {
            Self::Effective
        }
    }

    fn x(self, r: &PlanRow) -> f64 {
        match self {
            Self::Marked => r.aperture.unwrap_or(r.effective_aperture),
            Self::Effective => r.effective_aperture,
            Self::Numerical => r.numerical_aperture,
        }
    }

    fn axis(self, p: &Plan) -> Axis {
        let mut axis = match self {
            Self::Marked => Axis::new("aperture as marked", "f-number"),
            Self::Effective => Axis::new("effective aperture", "f-number"),
            Self::Numerical => Axis::new("numerical aperture", ""),
        };
        // All panels share the axis; a single aperture gets some room, so that its figures can be read off it.
        let all = p.apertures.iter().map(|r| self.x(r));
        let (low, high) = all.fold((f64::INFINITY, 0.0_f64), |(a, b), x| (a.min(x), b.max(x)));
        let room = if high > 1.001 * low { 0.05 * (high - low) } else { 0.5 * high };
        axis.range = Some((low - room, high + room));
        axis
    }
}

struct Curves<'a> {
    plan: &'a Plan,
    by: By,
}

impl Curves<'_> {
    /// Rows from left to right.
    fn rows(&self) -> Vec<&PlanRow> {
        let mut rows: Vec<&PlanRow> = self.plan.apertures.iter().collect();
        rows.sort_by(|a, b| self.by.x(a).total_cmp(&self.by.x(b)));
        rows
    }

    fn ranged(&self) -> bool {
        self.plan.apertures.iter().any(|r| r.blur_spot_high_um.get() > 1.001 * r.blur_spot_low_um.get())
    }

    /// A line with a point at every aperture.
    fn curve(&self, name: &str, tone: Tone, of: impl Fn(&PlanRow) -> Option<f64>) -> Vec<Series> {
        let points: Vec<(f64, f64)> = self.rows().into_iter().filter_map(|r| Some((self.by.x(r), of(r)?))).collect();
        vec![
            Series::new(name, Data::Line(points.clone())).tone(tone),
            Series::new("", Data::Points(points)).tone(tone).shape(MarkShape::ORDER[0]),
        ]
    }

    /// A band over what the pupil leaves open; nothing where nothing is open.
    fn band(&self, tone: Tone, of: impl Fn(&PlanRow) -> Option<(f64, f64)>) -> Option<Series> {
        let points = self.rows().into_iter().filter_map(|r| of(r).map(|(low, high)| (self.by.x(r), low, high)));
        self.ranged().then(|| Series::new("", Data::Band(points.collect())).tone(tone))
    }
}
