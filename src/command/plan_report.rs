//! A plan for people: two tables, the aperture asked for in detail, and advice.

use super::table::{lines_of, percent};
use crate::optics::planner::{Advice, Expected, LensKind, Plan, PlanRow};
use crate::uncertainty::significant;
use crate::units::Um;

fn um(v: Um) -> String {
    significant(v.get(), 3)
}

/// The whole report.
pub(super) fn text(p: &Plan, recording: &str) -> String {
    let mut out = lines_of(&head(p, recording), 0);
    out.push_str("\n\nWhat each aperture resolves (lengths in µm on the animal)\n");
    out.push_str(&table(p, &resolution(p)));
    out.push_str(&format!(
        "\nWhat it costs (depth in µm front to back; light in stops against {}; U with k = 2 in µm)\n",
        p.reference_text
    ));
    out.push_str(&table(p, &cost()));
    if let Some(asked) = &p.asked {
        out.push_str(&detail(asked));
    }
    match &p.advice {
        Some(Advice::Best(best)) => {
            out.push_str(&format!("\nBest for the wanted part: {}: {}\n", best.aperture_text, best.reason));
        }
        Some(Advice::DependsOnPupil(d)) => out.push_str(&format!("\nThe wanted part: {}\n", d.text)),
        Some(Advice::NotAtThisMagnification(remedy)) => out.push_str(&format!("\nThe wanted part: {}\n", remedy.text)),
        None => {}
    }
    if let Some(best) = p.best_for_animal.as_ref().filter(|_| p.apertures.len() > 1) {
        out.push_str(&format!(
            "Best for the animal's length, from one picture: {best} (least expected uncertainty).\n"
        ));
    }
    if let Some(stretch) = p.rolling_stretch_um {
        out.push_str(&format!(
            "The rolling shutter stretches or squeezes the moving animal by up to {} µm.\n",
            um(stretch)
        ));
    }
    if ranged(p) {
        out.push_str("A range a–b reaches over the pupil magnifications 2 to 0.28 that an unknown lens may have.\n");
    }
    out.push_str("Blur is a lower bound: real lenses are worse, most of all wide open.");
    out
}

fn ranged(p: &Plan) -> bool {
    p.apertures.iter().any(|r| r.blur_spot_high_um.get() > 1.001 * r.blur_spot_low_um.get())
}

fn head(p: &Plan, recording: &str) -> Vec<(&'static str, String)> {
    let mut lens = format!("{} at {}x", p.lens.words(), significant(p.magnification, 3));
    if p.lens.has_marked_aperture() && p.apertures.iter().any(|r| r.aperture.is_some()) {
        match p.pupil_magnification {
            Some(pupil) if p.lens == LensKind::Reversed => {
                lens.push_str(&format!(", pupil magnification {} as mounted", significant(pupil, 3)));
            }
            Some(pupil) => lens.push_str(&format!(", pupil magnification {}", significant(pupil, 3))),
            None => lens.push_str(", pupil magnification not known"),
        }
    }
    if p.refractive_index != 1.0 {
        lens.push_str(&format!(", in a medium of index {}", p.refractive_index));
    }
    let scale = significant(p.scale_px_per_um.get(), 4);
    let pixels =
        format!("{} µm on the sensor, {} µm on the animal ({scale} px/µm)", um(p.pixel_um), um(p.pixel_on_animal_um));
    let mut head = vec![("lens", lens), ("pixels", pixels)];
    if !recording.is_empty() {
        head.push(("recording", recording.to_owned()));
    }
    if let Some((w, h)) = p.field_width_um.zip(p.field_height_um) {
        head.push(("field", format!("{} × {} µm", significant(w.get(), 4), significant(h.get(), 4))));
    }
    head.push(("light", format!("{} µm", um(p.wavelength_um))));
    let counted = format!(
        "depth of field with a blur of {} px ({} µm on the sensor), scale ± {} (k = 2)",
        significant(p.accepted_blur_px.get(), 2),
        significant(p.accepted_blur_on_sensor_um.get(), 3),
        percent(2.0 * p.u_scale_rel)
    );
    head.push(("counted", counted));
    head
}

/// A column: its heading, and what it says of a row; left out where no row says anything.
type Column<'a> = (String, Box<dyn Fn(&PlanRow) -> Option<String> + 'a>);

fn column<'a>(name: &str, of: impl Fn(&PlanRow) -> Option<String> + 'a) -> Column<'a> {
    (name.to_owned(), Box::new(of))
}

fn name_column<'a>() -> Column<'a> {
    column("aperture", |r| Some(format!("{}{}", if r.asked { "> " } else { "  " }, r.aperture_text)))
}

/// `1.6–7.8`; nothing where both ends are the same.
fn range(low: Um, high: Um) -> Option<String> {
    (high.get() > 1.001 * low.get()).then(|| format!("{}–{}", significant(low.get(), 2), significant(high.get(), 2)))
}

fn resolution(p: &Plan) -> Vec<Column<'_>> {
    let mut all = vec![
        name_column(),
        column("effective", |r| Some(format!("f/{}", significant(r.effective_aperture, 3)))),
        column("NA", |r| Some(significant(r.numerical_aperture, 2))),
        column("Airy", |r| Some(um(r.airy_radius_um))),
        column("px/Airy", |r| Some(significant(r.px_per_airy_radius, 2))),
        column("Nyquist", |r| Some(r.nyquist_verdict.to_owned())),
        column("blur", |r| Some(um(r.blur_spot_um))),
        column("range", |r| range(r.blur_spot_low_um, r.blur_spot_high_um)),
        column("blur px", |r| Some(significant(r.blur_spot_px.get(), 2))),
        column("resolves", |r| Some(um(r.smallest_resolved_um))),
    ];
    if let Some(wanted) = p.wanted_um {
        all.push(column(&format!("the {} µm part", wanted.get()), |r| {
            let verdict = r.wanted_verdict?;
            Some(match r.wanted_resolved_from_pupil {
                Some(pupil) => format!("if P ≥ {}", significant((100.0 * pupil).ceil() / 100.0, 2)),
                None => verdict.to_owned(),
            })
        }));
    }
    all
}

fn expected_u(e: Option<&Expected>) -> Option<String> {
    e.map(|e| format!("± {}", significant(2.0 * e.u_um.get(), 2)))
}

fn cost() -> Vec<Column<'static>> {
    vec![
        name_column(),
        column("wave", |r| Some(um(r.depth_wave_um))),
        column("geom.", |r| Some(um(r.depth_geometric_um))),
        column("depth", |r| Some(um(r.depth_um))),
        column("range", |r| range(r.depth_low_um, r.depth_high_um)),
        column("U part", |r| expected_u(r.wanted.as_ref())),
        column("U animal", |r| expected_u(r.animal.as_ref())),
        column("stops", |r| Some(format!("{:+.1}", r.exposure_stops).replace("-0.0", "+0.0"))),
        column("shutter ≤", |r| r.longest_shutter_s.map(shutter_text)),
        column("ISO", |r| r.iso_needed.map(|i| significant(i, 2))),
        column("lacking", |r| r.light_lacking_stops.map(|s| format!("{:.1}", s.max(0.0)))),
        column("series", |r| {
            let step = significant(r.focus_step_um.get(), 2);
            r.focus_steps.map(|n| if n == 1 { "1".to_owned() } else { format!("{n} by {step}") })
        }),
    ]
}

fn table(p: &Plan, columns: &[Column<'_>]) -> String {
    let shown: Vec<(&str, Vec<String>)> = columns
        .iter()
        .map(|(name, of)| (name.as_str(), p.apertures.iter().map(|r| of(r).unwrap_or_default()).collect::<Vec<_>>()))
        .filter(|(_, cells)| cells.iter().any(|c| !c.is_empty()))
        .collect();
    let width = |(name, cells): &(&str, Vec<String>)| {
        cells.iter().map(|c| c.chars().count()).chain([name.chars().count()]).max().unwrap_or(0)
    };
    let mut lines = vec![String::new(); p.apertures.len() + 1];
    for (c, column) in shown.iter().enumerate() {
        let w = width(column);
        for (line, cell) in lines.iter_mut().zip(std::iter::once(column.0).chain(column.1.iter().map(String::as_str))) {
            if c == 0 {
                line.push_str(&format!("{cell:w$}"));
            } else {
                line.push_str(&format!("  {cell:>w$}"));
            }
        }
    }
    lines.join("\n") + "\n"
}

/// What makes blur and uncertainty at the aperture asked for.
fn detail(r: &PlanRow) -> String {
    let parts: Vec<String> = r
        .blur_parts
        .iter()
        .map(|p| format!("{} {} %", p.cause.words(), significant((100.0 * p.share).max(0.0), 2)))
        .collect();
    let mut lines = vec![("blur is made of", parts.join(", "))];
    if let Some(w) = r.blur_spot_at_half_thickness_um {
        lines.push(("at the animal's edge", format!("{} µm blur, half its thickness from focus", um(w))));
    }
    if let Some(path) = r.motion_um {
        lines.push(("movement", format!("{} µm during the exposure", um(path))));
    }
    for (name, e) in [("part, U is made of", r.wanted.as_ref()), ("animal, U is made of", r.animal.as_ref())] {
        if let Some(e) = e {
            lines.push((name, budget(e)));
        }
    }
    format!("\nAt {}\n{}\n", r.aperture_text, lines_of(&lines, 2))
}

fn budget(e: &Expected) -> String {
    let total: f64 = e.budget.iter().map(|t| t.u_um.get().powi(2)).sum();
    let share = |u: Um| 100.0 * u.get().powi(2) / total;
    let told: Vec<String> = e
        .budget
        .iter()
        .filter(|t| share(t.u_um) >= 1.0)
        .map(|t| format!("{} {:.0} %", t.source, share(t.u_um)))
        .collect();
    told.join(", ")
}

fn shutter_text(s: f64) -> String {
    if s < 0.4 { format!("1/{:.0} s", (1.0 / s).ceil()) } else { format!("{} s", significant(s, 2)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shutters_are_rounded_to_the_safe_side() {
        assert_eq!(shutter_text(0.0042), "1/239 s");
        assert_eq!(shutter_text(2.0), "2.0 s");
    }
}
