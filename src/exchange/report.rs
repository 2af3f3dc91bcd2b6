//! A notebook as one page of HTML that needs nothing else: pictures, plots and figures are in it.

use std::fmt::Write;

use super::card::{CardError, fields, small};
use super::draw::Tone;
use super::marked::{self, Drawn, figure_text};
use super::plot::{Axis, Data, Panel, Plot, Series};
use crate::notebook::{AnimalId, Growth, Notebook, PictureId, QuantitySummary, SizeClass, growth, sentence_of};
use crate::photo::Photo;
use crate::uncertainty::{Rounded, significant};

/// Animals shown with their picture; the others stand in the tables.
const MOST_PICTURES: usize = 60;
/// Animals from which on a distribution is drawn.
const ENOUGH_FOR_A_PLOT: usize = 5;
/// Animals from which on size classes are looked for.
const ENOUGH_FOR_CLASSES: usize = 12;
/// Most size classes looked for.
const MOST_CLASSES: usize = 7;

const STYLE: &str = "body{font:16px/1.45 Ubuntu,'DejaVu Sans',Verdana,sans-serif;color:#222;background:#fff;max-width:64rem;margin:2rem auto;padding:0 1rem}h1{font-size:1.6rem}h2{font-size:1.2rem;margin-top:2.2rem;border-bottom:1px solid #ccc}h3{font-size:1rem;margin-bottom:.3rem}table{border-collapse:collapse;margin:.6rem 0;font-size:.85rem}td,th{padding:.2rem .6rem;border-bottom:1px solid #ddd;text-align:left;vertical-align:top}td.n,th.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}img,svg{max-width:100%;height:auto}figure{margin:.6rem 0}.s{color:#666;font-size:.8rem;overflow-wrap:anywhere}.w{overflow-x:auto}th.n{white-space:normal;vertical-align:bottom}p.s{margin:.2rem 0}@media print{body{margin:0;max-width:none}figure,tr{break-inside:avoid}h2,h3{break-after:avoid}}";

/// The page. `photo` gives the opened picture of an id, or `None` where it cannot be had.
///
/// # Errors
/// [`CardError`] where a picture cannot be drawn.
pub fn report(notebook: &Notebook, photo: impl Fn(PictureId) -> Option<Photo>) -> Result<String, CardError> {
    let title = if notebook.title.is_empty() { "Measurements" } else { &notebook.title };
    let mut out = format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width\"><title>{0}</title><style>{STYLE}</style></head><body>\n<h1>{0}</h1>\n<p>{1}, {2} on {3} through {4}. Every figure is value ± U for 95 % coverage unless said otherwise.</p>\n",
        text(title),
        counted(notebook.animals.len(), "animal"),
        counted(notebook.measurements.len(), "measurement"),
        counted(notebook.pictures.len(), "picture"),
        counted(notebook.setups.len(), "setup")
    );
    if !notebook.remarks.is_empty() {
        put(&mut out, format_args!("<p>{}</p>\n", text(&notebook.remarks)));
    }
    let statistics = notebook.statistics();
    summaries(&mut out, notebook, &statistics);
    plots(&mut out, notebook, &statistics);
    animals(&mut out, notebook, photo)?;
    setups(&mut out, notebook);
    put(
        &mut out,
        format_args!(
            "<p class=\"s\">Notebook {}; written {} by {}.</p>\n</body></html>\n",
            notebook.id,
            text(&notebook.changed),
            text(&notebook.program)
        ),
    );
    Ok(out)
}

/// Writing to a string cannot fail.
fn put(out: &mut String, words: std::fmt::Arguments<'_>) {
    let _written = out.write_fmt(words);
}

fn counted(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

fn text(words: &str) -> String {
    let one = |c: char| match c {
        '&' => "&amp;".to_owned(),
        '<' => "&lt;".to_owned(),
        '>' => "&gt;".to_owned(),
        '"' => "&quot;".to_owned(),
        c => c.to_string(),
    };
    words.chars().map(one).collect()
}

fn summaries(out: &mut String, notebook: &Notebook, all: &[QuantitySummary]) {
    if all.is_empty() {
        return;
    }
    out.push_str("<h2>Statistics</h2>\n<div class=\"w\"><table><tr><th>quantity, unit</th><th class=\"n\">n</th><th class=\"n\">mean</th><th class=\"n\">95 % interval of the mean</th><th class=\"n\">median</th><th class=\"n\">range</th><th class=\"n\">s</th><th class=\"n\">SE</th><th class=\"n\">between animals</th><th class=\"n\">measuring</th></tr>\n");
    for s in all {
        let words = s.words();
        let unit = s.unit.symbol();
        let mut name = text(&words.name);
        name.push_str(&if unit.is_empty() { String::new() } else { format!(", {unit}") });
        if !s.outliers.is_empty() {
            let who = s.outliers.iter().filter_map(|id| notebook.animal(*id)).map(|a| text(&a.name));
            name.push_str(&format!(
                " <span class=\"s\">far from the rest: {}</span>",
                who.collect::<Vec<_>>().join(", ")
            ));
        }
        if s.not_resolved > 0 {
            name.push_str(&format!(" <span class=\"s\">not resolved in {}</span>", s.not_resolved));
        }
        let cells = [
            words.n,
            words.mean,
            words.interval,
            words.median,
            words.range,
            words.std_dev,
            words.std_error,
            words.between,
            words.measuring,
        ];
        put(out, format_args!("<tr><td>{name}</td>"));
        for cell in cells {
            put(out, format_args!("<td class=\"n\">{cell}</td>"));
        }
        out.push_str("</tr>\n");
    }
    out.push_str("</table></div>\n<p class=\"s\">n: number of animals; s: standard deviation between animals as observed; SE: standard deviation of the mean; measuring: standard uncertainty of one animal's value from what is its own, such as its marks; between animals: s without the measuring; far from the rest: more than 3.5 robust standard deviations from the median, counted all the same; the interval includes what all measurements share, such as the scale, which more animals do not lessen.</p>\n");
}

/// A histogram of one quantity with a bar for the measuring's own ± U, and the size classes where there are some.
#[must_use]
pub fn histogram(s: &QuantitySummary, classes: Option<&Growth>) -> Plot {
    let values: Vec<f64> = s.samples.iter().map(|v| v.value).collect();
    let (low, high) = s.range;
    let best = classes.and_then(|g| g.fits.get(g.best)).filter(|m| m.classes.len() > 1);
    // A bar wider than a class would hide it.
    let spread = |c: &SizeClass| c.between.hypot(s.measuring);
    let narrowest = best.map(|m| m.classes.iter().filter(|c| c.share > 0.03).map(spread).fold(f64::INFINITY, f64::min));
    let width = step(&values, high - low, s.measuring, narrowest.filter(|w| w.is_finite()));
    let first = (low / width).floor() * width;
    let bins = (((high - first) / width).floor() as usize + 1).min(400);
    let count = |i: usize| {
        let (a, b) = (first + i as f64 * width, first + (i + 1) as f64 * width);
        values.iter().filter(|v| **v >= a && **v < b).count() as f64
    };
    let bars: Vec<(f64, f64, f64)> =
        (0..bins).map(|i| (first + i as f64 * width, first + (i + 1) as f64 * width, count(i))).collect();
    let mut top = bars.iter().map(|b| b.2).fold(1.0, f64::max);
    let mut series = vec![Series::new("animals", Data::Bars(bars)).tone(Tone::Sky)];
    let n = values.len() as f64;
    if let Some(best) = best {
        let margin = 2.0 * width;
        let (from, to) = (low - margin, high + margin);
        let at = |i: usize| {
            let x = from + (to - from) * i as f64 / 600.0;
            let density = best.classes.iter().map(|c| {
                let sd = c.between.hypot(s.measuring).max(1e-3 * width);
                c.share * (-0.5 * ((x - c.mean) / sd).powi(2)).exp() / (sd * std::f64::consts::TAU.sqrt())
            });
            (x, n * width * density.sum::<f64>())
        };
        let line: Vec<(f64, f64)> = (0..=600).map(at).collect();
        top = line.iter().map(|p| p.1).fold(top, f64::max);
        let name = format!("{} size classes", best.classes.len());
        series.push(Series::new(&name, Data::Line(line)).tone(Tone::Vermilion));
    }
    let u = 1.96 * s.measuring;
    let middle = f64::midpoint(low, high);
    series.push(
        Series::new(
            "measuring, ± U of one animal",
            Data::Line(vec![(middle - u, 1.06 * top), (middle + u, 1.06 * top)]),
        )
        .tone(Tone::Black),
    );
    let mut y = Axis::new("animals", "");
    y.range = Some((0.0, 1.12 * top));
    let panel = Panel::new(Axis::new(&s.full_name(), s.unit.symbol()), y, series);
    Plot::new("", vec![panel])
}

/// Freedman and Diaconis' width of a bin, not below half of the measuring's standard uncertainty, rounded to 1, 2 or 5.
fn step(values: &[f64], range: f64, measuring: f64, most: Option<f64>) -> f64 {
    let quartile = |p| crate::stats::quantile(values, p).unwrap_or(0.0);
    let iqr = quartile(0.75) - quartile(0.25);
    let wanted = (2.0 * iqr / (values.len().max(1) as f64).cbrt()).max(0.5 * measuring).max(range / 80.0).max(1e-6);
    let wanted = wanted.min(most.unwrap_or(f64::INFINITY)).max(range / 200.0);
    let power = 10_f64.powf(wanted.log10().floor());
    let lead = wanted / power;
    power
        * if lead <= 1.0 {
            1.0
        } else if lead <= 2.0 {
            2.0
        } else if lead <= 5.0 {
            5.0
        } else {
            10.0
        }
}

/// One quantity against another, with the measuring's ± U upwards.
#[must_use]
pub fn scatter(x: &QuantitySummary, y: &QuantitySummary) -> Plot {
    let pairs = common(x, y);
    let points = pairs.iter().map(|(a, b, u)| (*a, *b, 1.96 * u)).collect();
    let series = vec![Series::new("animals, ± U", Data::PointsWithErrors(points))];
    Plot::new(
        "",
        vec![Panel::new(
            Axis::new(&x.full_name(), x.unit.symbol()),
            Axis::new(&y.full_name(), y.unit.symbol()),
            series,
        )],
    )
}

/// The ratio of two quantities against the second, with the mean ratio across.
#[must_use]
pub fn ratio_plot(above: &QuantitySummary, below: &QuantitySummary) -> Plot {
    let pairs = common(below, above);
    let points: Vec<(f64, f64, f64)> = pairs.iter().map(|(b, a, u)| (*b, a / b, 1.96 * u / b)).collect();
    let mean = points.iter().map(|p| p.1).sum::<f64>() / points.len().max(1) as f64;
    let series = vec![
        Series::new("animals, ± U of the first", Data::PointsWithErrors(points)),
        Series::new("mean", Data::Across(mean)).tone(Tone::Grey).dashed(),
    ];
    let label = format!("{} over {}", above.full_name(), below.full_name());
    Plot::new("", vec![Panel::new(Axis::new(&below.full_name(), below.unit.symbol()), Axis::new(&label, ""), series)])
}

/// Animals that have both: x, y, standard uncertainty of y's own measuring.
fn common(x: &QuantitySummary, y: &QuantitySummary) -> Vec<(f64, f64, f64)> {
    let of: std::collections::HashMap<_, _> = y.samples.iter().map(|s| (s.animal, s)).collect();
    x.samples.iter().filter_map(|s| of.get(&s.animal).map(|o| (s.value, o.value, o.u_own))).collect()
}

fn plots(out: &mut String, _notebook: &Notebook, all: &[QuantitySummary]) {
    let wholes: Vec<&QuantitySummary> =
        all.iter().filter(|s| s.part.is_empty() && s.samples.len() >= ENOUGH_FOR_A_PLOT).collect();
    if wholes.is_empty() {
        return;
    }
    out.push_str("<h2>Distributions</h2>\n");
    for s in &wholes {
        let sizes: Vec<(f64, f64)> = s.samples.iter().map(|v| (v.value, v.u_own)).collect();
        let classes = if sizes.len() >= ENOUGH_FOR_CLASSES { growth(&sizes, MOST_CLASSES) } else { None };
        put(out, format_args!("<figure>{}</figure>\n", histogram(s, classes.as_ref()).to_svg(900, 420)));
        if let Some(g) = classes.as_ref().filter(|g| g.best > 0) {
            growth_words(out, g, s.unit.symbol());
        }
    }
    if let [first, second, ..] = wholes.as_slice()
        && first.unit == second.unit
        && common(first, second).len() >= ENOUGH_FOR_A_PLOT
    {
        put(out, format_args!("<figure>{}</figure>\n", scatter(first, second).to_svg(900, 520)));
        put(out, format_args!("<figure>{}</figure>\n", ratio_plot(second, first).to_svg(900, 420)));
    }
}

fn growth_words(out: &mut String, g: &Growth, unit: &str) {
    let Some(best) = g.fits.get(g.best) else { return };
    out.push_str("<table><tr><th>size class</th><th class=\"n\">share</th><th class=\"n\">mean</th><th class=\"n\">between animals</th><th class=\"n\">over the one before</th></tr>\n");
    for (i, c) in best.classes.iter().enumerate() {
        let ratio = i.checked_sub(1).and_then(|j| g.ratios.get(j));
        let ratio = ratio.map_or_else(String::new, |(r, u)| Rounded::new(*r, 2.0 * u, 2).to_string());
        put(
            out,
            format_args!(
                "<tr><td>{}</td><td class=\"n\">{:.0} %</td><td class=\"n\">{} {unit}</td><td class=\"n\">{} {unit}</td><td class=\"n\">{ratio}</td></tr>\n",
                i + 1,
                100.0 * c.share,
                Rounded::new(c.mean, 2.0 * c.u_mean, 2),
                significant(c.between, 2)
            ),
        );
    }
    out.push_str("</table>\n");
    let bic: Vec<String> = g.fits.iter().enumerate().map(|(i, f)| format!("{}: {:.1}", i + 1, f.bic)).collect();
    put(out, format_args!("<p class=\"s\">Chosen by BIC ({}).", bic.join(", ")));
    if let Some((ratio, departure)) = g.dyar {
        put(
            out,
            format_args!(
                " A constant ratio of {ratio:.3} (Dyar's rule) leaves {:.1} % at most.",
                100.0 * departure.abs()
            ),
        );
    }
    out.push_str(" Size classes of different moults overlap; a class is no stage by itself.</p>\n");
}

fn animals(out: &mut String, notebook: &Notebook, photo: impl Fn(PictureId) -> Option<Photo>) -> Result<(), CardError> {
    out.push_str("<h2>Animals</h2>\n");
    for (i, animal) in notebook.animals.iter().enumerate() {
        put(out, format_args!("<h3 id=\"{}\">{}</h3>\n", animal.id, text(&animal.name)));
        let about: Vec<String> =
            fields(animal).into_iter().map(|(label, value)| format!("{label}: {}", text(&value))).collect();
        if !about.is_empty() {
            put(out, format_args!("<p>{}</p>\n", about.join("; ")));
        }
        if i < MOST_PICTURES {
            let first = notebook.measurements_of(animal.id).next().map(|m| m.picture);
            if let Some((id, photo)) = first.and_then(|id| Some((id, photo(id)?))) {
                let jpeg = small(&marked::overlay(notebook, id, Drawn::All), &photo, 1100)?;
                put(
                    out,
                    format_args!(
                        "<figure><img alt=\"{}\" src=\"data:image/jpeg;base64,{}\"></figure>\n",
                        text(&animal.name),
                        base64(&jpeg.bytes)
                    ),
                );
            }
            if let Some(words) = sentence_of(notebook, &[animal.id]) {
                put(out, format_args!("<p>{}</p>\n", text(&words)));
            }
        }
        out.push_str("<div class=\"w\"><table><tr><th>quantity</th><th class=\"n\">figure</th><th>verdict</th><th>lying</th><th>largest source of u</th></tr>\n");
        for m in notebook.measurements_of(animal.id) {
            let Some(r) = &m.reported else { continue };
            let rows = std::iter::once((m.full_name(), &r.figure))
                .chain(r.figure.parts.iter().map(|p| (format!("· {}", p.name), p)));
            for (name, f) in rows {
                let source =
                    f.budget.first().map_or_else(String::new, |l| format!("{}, {:.0} %", l.source, 100.0 * l.share));
                put(
                    out,
                    format_args!(
                        "<tr><td>{}</td><td class=\"n\">{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
                        text(&name),
                        text(&figure_text(f)),
                        f.verdict.name(),
                        m.lying.words(),
                        text(&source)
                    ),
                );
            }
        }
        out.push_str("</table></div>\n");
        notes(out, notebook, animal.id);
    }
    Ok(())
}

/// What is to be known about an animal's figures, each said once.
fn notes(out: &mut String, notebook: &Notebook, animal: AnimalId) {
    let mut said: Vec<&str> = Vec::new();
    for r in notebook.measurements_of(animal).filter_map(|m| m.reported.as_ref()) {
        let parts = r.figure.parts.iter().flat_map(|p| &p.warnings);
        for words in r.figure.warnings.iter().chain(parts).chain(&r.warnings) {
            if !said.contains(&words.as_str()) {
                said.push(words);
            }
        }
    }
    for words in said {
        put(out, format_args!("<p class=\"s\">note: {}</p>\n", text(words)));
    }
}

fn setups(out: &mut String, notebook: &Notebook) {
    out.push_str("<h2>Setups and pictures</h2>\n<div class=\"w\"><table><tr><th>setup</th><th>reading</th><th class=\"n\">px/µm</th><th class=\"n\">relative U (k = 2)</th><th>picture of the slide</th></tr>\n");
    for kept in &notebook.setups {
        for r in &kept.setup.readings {
            put(
                out,
                format_args!(
                    "<tr><td>{}</td><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{} %</td><td>{}<div class=\"s\">SHA-256 {}</div></td></tr>\n",
                    text(&kept.setup.name),
                    text(&r.date),
                    significant(r.scale_px_per_um, 6),
                    significant(200.0 * r.u_rel, 2),
                    text(&r.picture),
                    text(&r.picture_sha256)
                ),
            );
        }
    }
    out.push_str("</table></div>\n<div class=\"w\"><table><tr><th>picture</th><th class=\"n\">px</th></tr>\n");
    for p in &notebook.pictures {
        put(
            out,
            format_args!(
                "<tr><td>{}<div class=\"s\">SHA-256 {}</div></td><td class=\"n\">{} × {}</td></tr>\n",
                text(&p.path),
                p.sha256,
                p.width_px,
                p.height_px
            ),
        );
    }
    out.push_str("</table></div>\n");
    if !notebook.quantities.is_empty() {
        out.push_str("<h2>What the quantities mean</h2>\n<table>\n");
        for q in &notebook.quantities {
            put(out, format_args!("<tr><td>{}</td><td>{}</td></tr>\n", text(&q.name), text(&q.definition)));
        }
        out.push_str("</table>\n");
    }
}

/// Base64 as RFC 4648 section 4 has it.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let byte = |i: usize| u32::from(chunk.get(i).copied().unwrap_or(0));
        let all = byte(0) << 16 | byte(1) << 8 | byte(2);
        for i in 0..4 {
            let letter = LETTERS[(all >> (18 - 6 * i) & 63) as usize];
            out.push(if i <= chunk.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_of_the_standard() {
        // RFC 4648, section 10.
        for (plain, coded) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }

    #[test]
    fn what_people_wrote_cannot_become_markup() {
        assert_eq!(text("<script>\"&\""), "&lt;script&gt;&quot;&amp;&quot;");
        let mut n = crate::notebook::testing::small();
        n.title = "<b>".into();
        n.animals[0].name = "<img src=x>".into();
        let page = report(&n, |_| None).unwrap();
        assert!(!page.contains("<img src=x>") && !page.contains("<b>"));
        assert!(page.contains("body length") && page.contains("300.1 ± 2.2 µm"));
    }
}
