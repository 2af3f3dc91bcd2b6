//! `plan`: what a setup will resolve, before the shot.

use std::path::{Path, PathBuf};

use super::console::Console;
use super::table::lines_of;
use super::{Failure, parse};
use crate::exchange::draw::{Corner, Overlay, OverlayItem, ScaleBar, Tone};
use crate::exchange::plot::{Axis, Data, Panel, Plot, Series};
use crate::exchange::preview::{self, Shot};
use crate::optics::planner::{Advice, Exposure, Plan, PlanRequest, PlanRow, PlannedLying, PlannedPlacement, plan};
use crate::optics::{Aperture, ApertureNote, PupilMagnification, Spectrum, System};
use crate::photo::{Limits, Photo};
use crate::setup::sensor_format;
use crate::uncertainty::significant;
use crate::units::{Angle, Point, PxPerUm, Um};

/// Says what each aperture resolves and what it costs, before the shot.
///
/// Give magnification and pixel pitch, and what matters: the part that must be resolved, the animal's length and thickness, its speed.
/// Every figure follows from physics in focus; real lenses are a little worse wide open.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Example: motestick plan --magnification 5 --aperture 8 --pixel 3.72um --want 12um --animal 0.8mm --speed 1mm --plot plan.png"
)]
pub(super) struct Args {
    /// Magnification on the sensor
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    magnification: f64,
    /// The aperture you have in mind, as marked; the usual whole stops are compared with it. Several may be given
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening", num_args = 1.., value_delimiter = ',')]
    aperture: Vec<f64>,
    /// Effective aperture instead, as some cameras show it
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    effective_aperture: Option<f64>,
    /// Numerical aperture of an objective instead
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive, group = "opening")]
    na: Option<f64>,
    /// Pupil magnification of the lens; unknown unless given, which widens the figures
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    pupil: Option<f64>,
    /// Pitch of the recorded pixels on the sensor, as 3.72um; for footage that of the binned or scaled pixels
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, required_unless_present = "sensor")]
    pixel: Option<Um>,
    /// Sensor format instead of --pixel, with --columns: 36x24, 24x16, 22x15, 17x13, 13x9 and others
    #[arg(long, value_name = "NAME", conflicts_with = "pixel", requires = "columns")]
    sensor: Option<String>,
    /// Columns of the recorded picture
    #[arg(long, value_name = "PIXELS")]
    columns: Option<u32>,
    /// Rows of the recorded picture; two thirds of the columns unless given
    #[arg(long, value_name = "PIXELS", requires = "columns")]
    rows: Option<u32>,
    /// Length of the part that must be resolved, as 12um
    #[arg(long, value_name = "LENGTH", value_parser = parse::length)]
    want: Option<Um>,
    /// Length of the animal, as 0.8mm
    #[arg(long, value_name = "LENGTH", value_parser = parse::length)]
    animal: Option<Um>,
    /// Thickness of the animal along the view
    #[arg(long, value_name = "LENGTH", value_parser = parse::length)]
    thickness: Option<Um>,
    /// Speed of the animal: how far it walks in a second, as 1mm
    #[arg(long, value_name = "LENGTH", value_parser = parse::length)]
    speed: Option<Um>,
    /// Exposure time in seconds, as 1/250 or 0.004
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    shutter: Option<f64>,
    /// Frames a second, for footage
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    frame_rate: Option<f64>,
    /// Time in which the sensor is read from first to last row, seconds
    #[arg(long, value_name = "SECONDS", value_parser = seconds)]
    readout: Option<f64>,
    /// Wavelength of the light; 0.55um unless given
    #[arg(long, value_name = "LENGTH", value_parser = parse::length, conflicts_with = "white")]
    wavelength: Option<Um>,
    /// White light
    #[arg(long)]
    white: bool,
    /// Refractive index around the animal: 1.333 in water
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    index: Option<f64>,
    /// An exposure that was right in this light: aperture, seconds and ISO, as "8 1/60 400"
    #[arg(long, value_name = "EXPOSURE", value_parser = exposure)]
    exposed: Option<Exposure>,
    /// The animal will lie level within this many degrees; unknown unless given
    #[arg(long, value_name = "DEGREES", value_parser = parse::tilt_degrees)]
    level_within: Option<f64>,
    /// Marks will be snapped to edges, not set by hand
    #[arg(long)]
    snapped: bool,
    /// Draw blur, depth and expected uncertainty against aperture: FILE.png or FILE.svg
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// A sharp picture of an animal to show what the plan would record of it: two apertures side by side
    #[arg(long, value_name = "SHARP", requires_all = ["preview_scale", "out"])]
    preview: Option<PathBuf>,
    /// Scale of the sharp picture, pixels per µm; it must be finer than the planned one
    #[arg(long, value_name = "NUMBER", value_parser = parse::positive)]
    preview_scale: Option<f64>,
    /// Where the preview is written, a PNG file
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

fn seconds(text: &str) -> Result<f64, String> {
    let wrong = || format!("\"{text}\" is no time; write seconds as 1/250 or 0.004");
    let value = match text.split_once('/') {
        Some((top, bottom)) => {
            top.trim().parse::<f64>().map_err(|_e| wrong())? / bottom.trim().parse::<f64>().map_err(|_e| wrong())?
        }
        None => text.trim().replace(',', ".").parse().map_err(|_e| wrong())?,
    };
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err(wrong()) }
}

fn exposure(text: &str) -> Result<Exposure, String> {
    let parts: Vec<&str> = text.split_whitespace().collect();
    let [aperture, shutter, iso] = parts.as_slice() else {
        return Err(format!("\"{text}\" needs aperture, seconds and ISO, as \"8 1/60 400\""));
    };
    Ok(Exposure { aperture: parse::positive(aperture)?, shutter_s: seconds(shutter)?, iso: parse::positive(iso)? })
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    let request = request(args)?;
    let made = plan(&request).map_err(Failure::usage)?;
    if let Some(file) = &args.plot {
        let plot = drawn(&made);
        let svg = file.extension().is_some_and(|e| e.eq_ignore_ascii_case("svg"));
        let bytes = if svg { Ok(plot.to_svg(1200, 1000).into_bytes()) } else { plot.to_png(1200, 1000) };
        let bytes = bytes.map_err(Failure::usage)?;
        std::fs::write(file, bytes)
            .map_err(|e| Failure::Usage(format!("the plot cannot be written to {}: {e}", file.display())))?;
    }
    if let (Some(sharp), Some(scale), Some(out)) = (&args.preview, args.preview_scale, &args.out) {
        let png = previewed(args, &request, &made, sharp, PxPerUm::new(scale))?;
        std::fs::write(out, png)
            .map_err(|e| Failure::Usage(format!("the preview cannot be written to {}: {e}", out.display())))?;
    }
    for w in &made.warnings {
        console.warn(&format!("warning: {w}"));
    }
    if args.json { console.say_json(&made) } else { console.say(&text(&made)) }
}

fn request(args: &Args) -> Result<PlanRequest, Failure> {
    let pitch = match (args.pixel, &args.sensor, args.columns) {
        (Some(pixel), _, _) => pixel,
        (None, Some(name), Some(columns)) => sensor_format(name).map_err(Failure::usage)?.pixel_pitch(columns),
        _ => return Err(Failure::Usage("give --pixel, or --sensor with --columns".to_owned())),
    };
    let mut r = PlanRequest::new(args.magnification, pitch);
    apertures(args, &mut r);
    r.pupil = args.pupil.map_or(PupilMagnification::Unknown, PupilMagnification::Known);
    r.picture_px = args.columns.map(|c| (c, args.rows.unwrap_or(c / 3 * 2 + c % 3 * 2 / 3)));
    if args.white {
        r.spectrum = Spectrum::white();
    } else if let Some(wavelength) = args.wavelength {
        r.spectrum = Spectrum::single(wavelength).map_err(Failure::usage)?;
    }
    if let Some(index) = args.index {
        r.refractive_index = index;
    }
    (r.wanted, r.animal, r.thickness) = (args.want, args.animal, args.thickness);
    r.speed_um_per_s = args.speed.map(Um::get);
    (r.shutter_s, r.frame_rate_hz, r.readout_s) = (args.shutter, args.frame_rate, args.readout);
    r.exposure = args.exposed;
    if let Some(degrees) = args.level_within {
        r.lying = PlannedLying::Within(Angle::from_degrees(degrees));
    }
    if args.snapped {
        r.placement = PlannedPlacement::Snapped;
    }
    Ok(r)
}

/// The apertures asked for, among the usual stops where they are marked ones.
fn apertures(args: &Args, r: &mut PlanRequest) {
    if let Some(n) = args.effective_aperture {
        r.apertures = vec![ApertureNote::Effective(n)];
        r.asked = Some(0);
    } else if let Some(na) = args.na {
        r.apertures = vec![ApertureNote::NumericalAperture(na)];
        r.asked = Some(0);
    } else if let Some(first) = args.aperture.first() {
        let mut all: Vec<f64> = crate::optics::planner::WHOLE_STOPS.to_vec();
        for n in &args.aperture {
            if !all.iter().any(|a| (a / n - 1.0).abs() < 1e-6) {
                all.push(*n);
            }
        }
        all.sort_by(f64::total_cmp);
        r.asked = all.iter().position(|a| (a / first - 1.0).abs() < 1e-6);
        r.apertures = all.into_iter().map(ApertureNote::Marked).collect();
    }
}

/// Two apertures of the plan beside each other: those asked for, or the one asked for and the widest.
fn previewed(
    args: &Args,
    request: &PlanRequest,
    made: &Plan,
    sharp: &Path,
    scale: PxPerUm,
) -> Result<Vec<u8>, Failure> {
    let photo = Photo::open(sharp, &Limits::default()).map_err(Failure::usage)?;
    let find = |n: f64| made.apertures.iter().position(|r| r.aperture.is_some_and(|a| (a / n - 1.0).abs() < 1e-6));
    let mut rows: Vec<usize> = args.aperture.iter().take(2).filter_map(|n| find(*n)).collect();
    if rows.is_empty() {
        rows.push(request.asked.unwrap_or(made.apertures.len() - 1));
    }
    if rows.len() == 1 && rows[0] != 0 {
        rows.insert(0, 0);
    }
    let mut all = Vec::new();
    for (n, &i) in rows.iter().enumerate() {
        let aperture =
            Aperture::new(request.apertures[i], request.magnification, request.pupil).map_err(Failure::usage)?;
        let system = System::in_focus(aperture, request.pixel_pitch)
            .and_then(|s| s.with_spectrum(request.spectrum.clone()).with_refractive_index(request.refractive_index))
            .map_err(Failure::usage)?;
        let shot = Shot { system, stops: made.apertures[i].exposure_stops };
        all.push(preview::preview(&photo, scale, &shot, n as u64 + 1).map_err(Failure::usage)?);
    }
    let (width, height, rgb) = preview::side_by_side(&all);
    let panel = width as f64 / all.len() as f64;
    let mut overlay = Overlay {
        items: Vec::new(),
        // All panels show the same field at the same size.
        scale_bar: Some(ScaleBar {
            scale: all[0].scale * (height as f64 / all[0].side_px as f64),
            corner: Corner::BottomRight,
        }),
    };
    for (n, &i) in rows.iter().enumerate() {
        let row = &made.apertures[i];
        let text = format!("{}, blur {} µm", row.aperture_text, significant(row.blur_spot_um.get(), 2));
        overlay.items.push(OverlayItem::Label { at: Point::new(n as f64 * panel + 12.0, 24.0), text, tone: Tone::Sky });
    }
    let png = crate::exchange::draw::encode_rgb(&rgb, width, height).map_err(Failure::usage)?;
    let shown = Photo::from_bytes(&png, &Limits::default()).map_err(Failure::usage)?;
    Ok(overlay.draw_on(&shown).map_err(Failure::usage)?.png)
}

fn text(p: &Plan) -> String {
    let um = |v: Um| significant(v.get(), 3);
    let mut head = vec![
        ("magnification", format!("{}x", significant(p.magnification, 3))),
        (
            "pixels",
            format!(
                "{} µm on the sensor, {} µm on the animal ({} px/µm)",
                um(p.pixel_um),
                um(p.pixel_on_animal_um),
                significant(p.scale_px_per_um.get(), 4)
            ),
        ),
    ];
    if let Some((w, h)) = p.field_width_um.zip(p.field_height_um) {
        head.push(("field", format!("{} × {} µm", significant(w.get(), 4), significant(h.get(), 4))));
    }
    head.push(("light", format!("{} µm", um(p.wavelength_um))));
    let mut out = lines_of(&head, 0);
    out.push_str("\n\n");
    out.push_str(&table(p));
    match &p.advice {
        Some(Advice::Best(best)) => {
            out.push_str(&format!("\nBest for the wanted part: {}. {}\n", best.aperture_text, best.reason));
        }
        Some(Advice::NotAtThisMagnification(remedy)) => out.push_str(&format!("\nThe wanted part: {}\n", remedy.text)),
        None => {}
    }
    if let Some(best) = &p.best_for_animal {
        out.push_str(&format!("Least expected uncertainty for the animal's length, from one picture: {best}\n"));
    }
    if let Some(stretch) = p.rolling_stretch_um {
        out.push_str(&format!(
            "A rolling shutter stretches or squeezes the moving animal by up to {} µm\n",
            um(stretch)
        ));
    }
    out.push_str("Lengths are on the animal. Blur is a lower bound: real lenses are worse, most of all wide open.");
    out
}

/// A column: its heading, and what it says of a row; left out where no row says anything.
type Column<'a> = (&'a str, Box<dyn Fn(&PlanRow) -> Option<String> + 'a>);

fn table(p: &Plan) -> String {
    let um = |v: Um| significant(v.get(), 3);
    let columns: Vec<Column<'_>> = vec![
        ("aperture", Box::new(|r| Some(format!("{}{}", if r.asked { "> " } else { "  " }, r.aperture_text)))),
        ("effective", Box::new(|r| Some(format!("f/{}", significant(r.effective_aperture, 3))))),
        ("NA", Box::new(|r| Some(significant(r.numerical_aperture, 2)))),
        ("Airy µm", Box::new(move |r| Some(um(r.airy_radius_um)))),
        ("blur µm", Box::new(move |r| Some(um(r.blur_spot_um)))),
        (
            "blur range µm",
            Box::new(|r| {
                let (low, high) = (r.blur_spot_low_um.get(), r.blur_spot_high_um.get());
                (high > 1.001 * low).then(|| format!("{} to {}", significant(low, 2), significant(high, 2)))
            }),
        ),
        ("blur px", Box::new(|r| Some(significant(r.blur_spot_px.get(), 2)))),
        ("depth µm", Box::new(move |r| Some(um(r.depth_um)))),
        ("resolves µm", Box::new(move |r| Some(um(r.smallest_resolved_um)))),
        ("wanted part", Box::new(|r| r.wanted_verdict.map(str::to_owned))),
        ("± wanted µm", Box::new(|r| r.wanted.as_ref().map(|e| significant(2.0 * e.u_um.get(), 2)))),
        ("± animal µm", Box::new(|r| r.animal.as_ref().map(|e| significant(2.0 * e.u_um.get(), 2)))),
        ("light, stops", Box::new(|r| Some(format!("{:+.1}", r.exposure_stops)))),
        ("longest shutter", Box::new(|r| r.longest_shutter_s.map(shutter_text))),
        ("ISO", Box::new(|r| r.iso_needed.map(|i| significant(i, 2)))),
        ("series", Box::new(|r| r.focus_steps.map(|n| n.to_string()))),
    ];
    let shown: Vec<(&str, Vec<String>)> = columns
        .iter()
        .map(|(name, of)| (*name, p.apertures.iter().map(|r| of(r).unwrap_or_default()).collect::<Vec<_>>()))
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

fn shutter_text(s: f64) -> String {
    if s < 0.4 { format!("1/{:.0} s", (1.0 / s).ceil()) } else { format!("{} s", significant(s, 2)) }
}

/// Blur, depth and expected uncertainty against the aperture.
fn drawn(p: &Plan) -> Plot {
    let x = |r: &PlanRow| r.aperture.unwrap_or(r.effective_aperture);
    let line = |of: &dyn Fn(&PlanRow) -> Option<f64>| -> Vec<(f64, f64)> {
        p.apertures.iter().filter_map(|r| Some((x(r), of(r)?))).collect()
    };
    let marked = p.apertures.iter().all(|r| r.aperture.is_some());
    let aperture = || Axis::new(if marked { "aperture as marked" } else { "effective aperture" }, "f-number");
    let mut blur = vec![
        Series::new("blur spot", Data::Line(line(&|r| Some(r.blur_spot_um.get())))),
        Series::new("smallest resolved length", Data::Line(line(&|r| Some(r.smallest_resolved_um.get())))).dashed(),
    ];
    if let Some(wanted) = p.wanted_um {
        blur.push(Series::new("wanted part", Data::Across(wanted.get())));
    }
    let mut uncertainty = Vec::new();
    for (name, of) in [
        ("wanted part", (|r: &PlanRow| r.wanted.as_ref().map(|e| 2.0 * e.u_um.get())) as fn(&PlanRow) -> Option<f64>),
        ("animal's length", |r: &PlanRow| r.animal.as_ref().map(|e| 2.0 * e.u_um.get())),
    ] {
        let points = line(&of);
        if !points.is_empty() {
            uncertainty.push(Series::new(name, Data::Line(points)));
        }
    }
    let from_zero = |label: &str, unit: &str| Axis { with_zero: true, ..Axis::new(label, unit) };
    let depth = Series::new("depth of field", Data::Line(line(&|r| Some(r.depth_um.get()))));
    let mut panels = vec![
        Panel::new(aperture(), from_zero("on the animal", "µm"), blur),
        Panel::new(aperture(), from_zero("depth of field", "µm"), vec![depth]),
    ];
    if !uncertainty.is_empty() {
        panels.push(Panel::new(aperture(), from_zero("expected U, k = 2", "µm"), uncertainty));
    }
    let mut plot = Plot::new(&format!("Plan at {}x", significant(p.magnification, 3)), panels);
    plot.subtitle = format!(
        "pixels of {} µm on the sensor; blur and depth are on the animal, for a perfect lens",
        significant(p.pixel_um.get(), 3)
    );
    plot
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_as_people_write_them() {
        assert_eq!(seconds("1/250"), Ok(0.004));
        assert_eq!(seconds("0,5"), Ok(0.5));
        assert!(seconds("fast").is_err() && seconds("0").is_err() && seconds("1/0").is_err());
        let e = exposure("8 1/60 400").expect("reads");
        assert_eq!((e.aperture, e.iso), (8.0, 400.0));
        assert!(exposure("8 1/60").unwrap_err().contains("ISO"));
        assert_eq!(shutter_text(0.0042), "1/239 s");
    }
}
