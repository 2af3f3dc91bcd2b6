//! `notebook`: what a notebook tells.

use std::path::{Path, PathBuf};

use serde::Serialize;

use super::console::Console;
use super::failure::Failure;
use super::notebook_mend as mend;
use crate::exchange::report;
use crate::notebook::{
    self, AnimalId, Fit, Growth, Notebook, QuantitySummary, SHIPPED, TRADE_LENGTHS, compare, growth, read_sizes,
    sentence_of,
};
use crate::uncertainty::Rounded;

/// Looks into a notebook: what it tells, whether every figure still follows from what is inside, where its pictures are.
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, clap::Subcommand)]
enum What {
    /// Statistics of every quantity and, where there are enough animals, size classes
    Statistics(StatisticsArgs),
    /// Holds an animal's sizes against published ones; never an identification
    Compare(CompareArgs),
    /// A sentence in publication wording, with uncertainties
    Sentence(SentenceArgs),
    /// Evaluates every figure anew from what is inside, and looks for the pictures
    Check(mend::CheckArgs),
    /// Sets fields of an animal's record
    Record(mend::RecordArgs),
    /// The usual definitions of lengths, from where to where
    Definitions,
}

#[derive(Debug, clap::Args)]
struct StatisticsArgs {
    /// The notebook
    #[arg(value_name = "NOTEBOOK")]
    notebook: PathBuf,
    /// This quantity alone
    #[arg(long, value_name = "TEXT")]
    quantity: Option<String>,
    /// Histogram of the quantity with the measuring's own error and the size classes (PNG)
    #[arg(long, value_name = "FILE", requires = "quantity")]
    plot: Option<PathBuf>,
    /// Look for at most so many size classes
    #[arg(long, value_name = "N", default_value_t = 7)]
    classes: usize,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
struct CompareArgs {
    /// The notebook
    #[arg(value_name = "NOTEBOOK")]
    notebook: PathBuf,
    /// Name of the animal
    #[arg(long, value_name = "TEXT")]
    animal: String,
    /// Own table of published sizes (CSV), beside the one that comes with the program
    #[arg(long, value_name = "FILE")]
    table: Vec<PathBuf>,
    /// Leave out the table that comes with the program
    #[arg(long, requires = "table")]
    own_only: bool,
    /// Print one JSON object
    #[arg(long)]
    json: bool,
}

#[derive(Debug, clap::Args)]
struct SentenceArgs {
    /// The notebook
    #[arg(value_name = "NOTEBOOK")]
    notebook: PathBuf,
    /// Name of an animal; may be given several times; all animals unless given
    #[arg(long, value_name = "TEXT")]
    animal: Vec<String>,
}

/// Runs the command.
pub(super) fn run(args: &Args, console: &mut Console) -> Result<(), Failure> {
    match &args.what {
        What::Statistics(a) => statistics(a, console),
        What::Compare(a) => compared(a, console),
        What::Sentence(a) => sentence(a, console),
        What::Check(a) => mend::check(a, console),
        What::Record(a) => mend::record(a, console),
        What::Definitions => definitions(console),
    }
}

pub(super) fn read(path: &Path) -> Result<Notebook, Failure> {
    notebook::read(path).map_err(Failure::usage)
}

pub(super) fn animal_id(notebook: &Notebook, name: &str) -> Result<AnimalId, Failure> {
    notebook.animal_named(name).map(|a| a.id).ok_or_else(|| {
        let names: Vec<&str> = notebook.animals.iter().take(20).map(|a| a.name.as_str()).collect();
        Failure::Usage(format!("the notebook has no animal \"{name}\"; it has {}", listed(names)))
    })
}

/// Names one after the other, or that there are none.
fn listed<S: AsRef<str>>(names: impl IntoIterator<Item = S>) -> String {
    let mut out = String::new();
    for name in names {
        out.push_str(if out.is_empty() { "" } else { ", " });
        out.push_str(name.as_ref());
    }
    if out.is_empty() { "none yet".to_owned() } else { out }
}

#[derive(Serialize)]
struct SummaryJson<'a> {
    quantity: &'a str,
    part: &'a str,
    group: &'a str,
    unit: &'a str,
    n: usize,
    mean: f64,
    standard_deviation: Option<f64>,
    standard_error: Option<f64>,
    median: f64,
    smallest: f64,
    largest: f64,
    interval_95: Option<(f64, f64)>,
    between_animals: Option<f64>,
    measuring: f64,
    common: f64,
    outliers: Vec<String>,
    not_resolved: usize,
    size_classes: Option<ClassesJson>,
}

#[derive(Serialize)]
struct ClassesJson {
    number: usize,
    means: Vec<f64>,
    shares: Vec<f64>,
    between_animals: Vec<f64>,
    ratios: Vec<f64>,
    u_ratios: Vec<f64>,
    bic: Vec<f64>,
    dyar_ratio: Option<f64>,
    dyar_largest_departure_rel: Option<f64>,
}

/// Animals from which on size classes are looked for.
const ENOUGH_FOR_CLASSES: usize = 12;

fn classes_of(s: &QuantitySummary, most: usize) -> Option<Growth> {
    let sizes: Vec<(f64, f64)> = s.samples.iter().map(|v| (v.value, v.u_own)).collect();
    if sizes.len() < ENOUGH_FOR_CLASSES { None } else { growth(&sizes, most) }
}

fn statistics(args: &StatisticsArgs, console: &mut Console) -> Result<(), Failure> {
    let notebook = read(&args.notebook)?;
    let mut all = notebook.statistics();
    if let Some(wanted) = &args.quantity {
        let names: std::collections::BTreeSet<String> = all.iter().map(|s| s.quantity.clone()).collect();
        all.retain(|s| s.quantity == *wanted);
        if all.is_empty() {
            return Err(Failure::Usage(format!("the notebook has no \"{wanted}\"; it has {}", listed(names))));
        }
    }
    if let (Some(file), Some(s)) = (&args.plot, all.iter().find(|s| s.part.is_empty())) {
        let plot = report::histogram(s, classes_of(s, args.classes).as_ref());
        let png = plot.to_png(1400, 800).map_err(Failure::usage)?;
        notebook::write_whole(file, &png)
            .map_err(|e| Failure::Usage(format!("cannot write: {e}: {}", file.display())))?;
    }
    if args.json {
        let rows: Vec<SummaryJson<'_>> = all.iter().map(|s| json_of(&notebook, s, args.classes)).collect();
        return console.say_json(&serde_json::json!({ "statistics": rows }));
    }
    if all.is_empty() {
        return console.say("The notebook has no resolved figures yet.");
    }
    for s in &all {
        console.say(&summary_text(&notebook, s, args.classes))?;
    }
    Ok(())
}

pub(super) fn name_of(notebook: &Notebook, id: AnimalId) -> String {
    notebook.animal(id).map_or_else(|| id.to_string(), |a| a.name.clone())
}

fn json_of<'a>(notebook: &Notebook, s: &'a QuantitySummary, most: usize) -> SummaryJson<'a> {
    let classes = if s.part.is_empty() { classes_of(s, most) } else { None };
    let classes = classes.and_then(|g| {
        let best = g.fits.get(g.best)?;
        let of = |f: fn(&notebook::SizeClass) -> f64| best.classes.iter().map(f).collect::<Vec<f64>>();
        Some(ClassesJson {
            number: best.classes.len(),
            means: of(|c| c.mean),
            shares: of(|c| c.share),
            between_animals: of(|c| c.between),
            ratios: g.ratios.iter().map(|r| r.0).collect(),
            u_ratios: g.ratios.iter().map(|r| r.1).collect(),
            bic: g.fits.iter().map(|f| f.bic).collect(),
            dyar_ratio: g.dyar.map(|d| d.0),
            dyar_largest_departure_rel: g.dyar.map(|d| d.1),
        })
    });
    SummaryJson {
        quantity: &s.quantity,
        part: &s.part,
        group: &s.group,
        unit: s.unit.symbol(),
        n: s.samples.len(),
        mean: s.mean,
        standard_deviation: s.std_dev,
        standard_error: s.std_error,
        median: s.median,
        smallest: s.range.0,
        largest: s.range.1,
        interval_95: s.interval_95,
        between_animals: s.between,
        measuring: s.measuring,
        common: s.common,
        outliers: s.outliers.iter().map(|id| name_of(notebook, *id)).collect(),
        not_resolved: s.not_resolved,
        size_classes: classes,
    }
}

fn summary_text(notebook: &Notebook, s: &QuantitySummary, most: usize) -> String {
    let unit = s.unit.symbol();
    let words = s.words();
    let mut out = format!("{}\n  n = {}, mean {} {unit}", words.name, words.n, words.mean);
    if s.interval_95.is_some() {
        out.push_str(&format!(" (95 %: {})", words.interval));
    }
    out.push_str(&format!(", median {}, range {}\n  ", words.median, words.range));
    if s.std_dev.is_some() {
        out.push_str(&format!("s {} {unit}, standard error {}; ", words.std_dev, words.std_error));
        out.push_str(&format!("between animals {}, ", words.between));
    }
    out.push_str(&format!("measuring {}, shared {} {unit}\n", words.measuring, words.common));
    if !s.outliers.is_empty() {
        let names: Vec<String> = s.outliers.iter().map(|id| name_of(notebook, *id)).collect();
        out.push_str(&format!("  far from the rest, counted all the same: {}\n", names.join(", ")));
    }
    if s.not_resolved > 0 {
        out.push_str(&format!("  not resolved in {} animals, which are in no figure here\n", s.not_resolved));
    }
    let classes = if s.part.is_empty() { classes_of(s, most) } else { None };
    if let Some(g) = classes.filter(|g| g.best > 0) {
        out.push_str(&classes_text(&g, unit));
    }
    out.trim_end().to_owned()
}

fn classes_text(g: &Growth, unit: &str) -> String {
    let Some(best) = g.fits.get(g.best) else { return String::new() };
    let mut out = format!("  {} size classes (least BIC of 1 to {}):\n", best.classes.len(), g.fits.len());
    for (i, c) in best.classes.iter().enumerate() {
        let ratio = i.checked_sub(1).and_then(|j| g.ratios.get(j));
        let ratio =
            ratio.map_or_else(String::new, |(r, u)| format!(", {} times the one before", Rounded::new(*r, 2.0 * u, 2)));
        out.push_str(&format!(
            "    {}: {} {unit}, {:.0} % of the animals{ratio}\n",
            i + 1,
            Rounded::new(c.mean, 2.0 * c.u_mean, 2),
            100.0 * c.share
        ));
    }
    if let Some((ratio, departure)) = g.dyar {
        out.push_str(&format!(
            "    a constant ratio of {ratio:.3} (Dyar's rule) leaves {:.1} % at most\n",
            100.0 * departure.abs()
        ));
    }
    out
}

fn compared(args: &CompareArgs, console: &mut Console) -> Result<(), Failure> {
    let notebook = read(&args.notebook)?;
    let id = animal_id(&notebook, &args.animal)?;
    let mut table = if args.own_only { Vec::new() } else { read_sizes(SHIPPED.as_bytes()).map_err(Failure::usage)? };
    for file in &args.table {
        let text =
            std::fs::File::open(file).map_err(|e| Failure::Usage(format!("cannot read: {e}: {}", file.display())))?;
        table.extend(read_sizes(text).map_err(|e| Failure::Usage(format!("{e}: {}", file.display())))?);
    }
    let sizes = notebook.sizes_of(id);
    let fits = compare(&sizes, &table);
    if args.json {
        let row = |f: &Fit| serde_json::json!({ "group": f.group, "stage": f.stage, "fits": f.fits, "share": f.share, "quantities": f.compared, "sources": f.sources });
        let rows: Vec<_> = fits.iter().map(row).collect();
        return console.say_json(&serde_json::json!({ "animal": args.animal, "compared": rows, "note": NOTE }));
    }
    let used: Vec<String> = sizes
        .iter()
        .filter(|s| table.iter().any(|e| e.quantity.eq_ignore_ascii_case(&s.0)))
        .map(|(name, v, u)| {
            format!("  {name}: {} {}", Rounded::new(*v, 2.0 * u, 2), unit_of(&notebook, id, name)).trim_end().to_owned()
        })
        .collect();
    if used.is_empty() {
        let known: std::collections::BTreeSet<&str> = table.iter().map(|e| e.quantity.as_str()).collect();
        let known: Vec<&str> = known.into_iter().collect();
        return Err(Failure::Usage(format!(
            "\"{}\" has no resolved quantity that the table has: {}; name the measurement so, as in --axis \"body length: …\"",
            args.animal,
            known.join(", ")
        )));
    }
    console.say(&args.animal)?;
    console.say(&used.join("\n"))?;
    console.say(&format!("  {:38}{:>8}{:>8}  what to look at; source", "", "fits", "share"))?;
    for f in fits.iter().filter(|f| f.share >= 0.001 || f.fits.is_none()) {
        let name = if f.stage.is_empty() { f.group.clone() } else { format!("{}, {}", f.group, f.stage) };
        let fit = f.fits.map_or_else(String::new, |p| format!("{:.0} %", 100.0 * p));
        let source = f.sources.join("; ");
        let words = if f.remarks.is_empty() { source } else { format!("{}; {source}", f.remarks) };
        console.say(&format!("  {name:38}{fit:>8}{:>6.1} %  {words}", 100.0 * f.share))?;
    }
    console.say(NOTE)
}

/// The unit that an animal's quantity was measured in.
fn unit_of(notebook: &Notebook, animal: AnimalId, quantity: &str) -> &'static str {
    let mut figures =
        notebook.measurements_of(animal).filter(|m| m.quantity == quantity).filter_map(|m| m.reported.as_ref());
    figures.next().map_or("", |r| r.figure.unit.symbol())
}

const NOTE: &str = "Sizes that fit are no identification: size decides nothing alone, and the table is not complete.";

fn sentence(args: &SentenceArgs, console: &mut Console) -> Result<(), Failure> {
    let notebook = read(&args.notebook)?;
    let ids: Vec<AnimalId> = if args.animal.is_empty() {
        notebook.animals.iter().map(|a| a.id).collect()
    } else {
        args.animal.iter().map(|n| animal_id(&notebook, n)).collect::<Result<_, _>>()?
    };
    match sentence_of(&notebook, &ids) {
        Some(words) => console.say(&words),
        None => Err(Failure::Refused {
            reason: "nothing is resolved".to_owned(),
            detail: "the animals have no resolved measurement to write about".to_owned(),
        }),
    }
}

fn definitions(console: &mut Console) -> Result<(), Failure> {
    for d in &TRADE_LENGTHS {
        console.say(&format!("{} ({}): {} [{}]", d.quantity, d.animals, d.definition, d.source))?;
    }
    Ok(())
}
