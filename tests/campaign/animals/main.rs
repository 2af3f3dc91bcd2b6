//! Do stated intervals keep their word? `cargo run --release --example animal_campaign -- COUNT [REGIME…] [--first SEED] [--plot FILE.png]
//! [--first-order] [--at-most TRIALS] [--minutes M] [--each]`, or `… -- bound COUNT [REGIME…]` for the Cramér–Rao bound of segments, or `… -- anatomy COUNT [REGIME…]` for
//! the errors of single marks
//!
//! Every trial draws each non-zero input of the budget from its stated distribution: the scale's sources, hand and observer, the
//! threshold of partly coherent light, the tone curve's exponent, the tilt. It renders the animal that follows, measures it with
//! marks set by hand and with snapped ones, and counts whether the stated 95 % intervals hold the truth.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a report for people")]

mod anatomy;
mod bound;
mod report;
mod trial;

use std::time::Instant;

use rayon::prelude::*;

use motestick::uncertainty::{Options, Trials};
use report::Report;
use trial::{Regime, trial};

/// Animals of every regime before the next ones are begun: a campaign that runs out of its minutes has as many of each.
const PORTION: u64 = 10;

fn main() {
    let mut args: Vec<String> = std::env::args().skip(1).collect();
    let kind = args.first().filter(|a| ["bound", "anatomy"].contains(&a.as_str())).cloned();
    if kind.is_some() {
        args.remove(0);
    }
    let option = |name: &str| args.iter().position(|a| a == name).and_then(|i| args.get(i + 1));
    let count = args.first().and_then(|a| a.parse().ok()).unwrap_or(200_u64);
    let first = option("--first").and_then(|a| a.parse().ok()).unwrap_or(0_u64);
    let asked: Vec<Regime> = Regime::ALL.into_iter().filter(|r| args.iter().any(|a| a == r.name())).collect();
    let regimes = if asked.is_empty() { Regime::ALL.to_vec() } else { asked };
    let each = args.iter().any(|a| a == "--each");
    match kind.as_deref() {
        Some("bound") => return regimes.into_iter().for_each(|regime| print_bounds(regime, first..first + count)),
        Some(_) => {
            let lit = [("--bright", true), ("--dark", false)].into_iter().find(|l| args.iter().any(|a| a == l.0));
            let print = |regime| anatomy::print(regime, first..first + count, lit.map(|l| l.1), each);
            return regimes.into_iter().for_each(print);
        }
        None => {}
    }
    let quick = args.iter().any(|a| a == "--first-order");
    // As the program evaluates, or with fewer trials at most.
    let at_most = option("--at-most").and_then(|a| a.parse().ok()).map(|at_most| Trials::Adaptive { at_most });
    let trials = if quick { Trials::Skip } else { at_most.unwrap_or(Options::default().trials) };
    let minutes: f64 = option("--minutes").and_then(|a| a.parse().ok()).unwrap_or(f64::INFINITY);
    let mut report = Report::default();
    let begun = Instant::now();
    let (mut from, end) = (first, first + count);
    while from < end && begun.elapsed().as_secs_f64() < 60.0 * minutes {
        let portion = from..(from + PORTION).min(end);
        for regime in &regimes {
            let outcomes: Vec<_> =
                portion.clone().into_par_iter().flat_map_iter(|seed| trial(*regime, seed, trials)).collect();
            for outcome in outcomes {
                if each && outcome.pull().is_some_and(|p| p.abs() > 3.0) {
                    println!("{} seed {}: {outcome:?}", regime.name(), outcome.seed);
                }
                report.add(*regime, &outcome);
            }
        }
        from = portion.end;
        eprintln!("{} animals a regime", from - first);
    }
    println!("{} animals a regime", from - first);
    regimes.iter().for_each(|regime| println!("{}", report.table(*regime)));
    if let Some(file) = option("--plot") {
        let png = report.plot().to_png(1500, 1150).expect("draws");
        std::fs::write(file, png).expect("writes");
    }
}

/// Root mean square of the bounds on even skin and of the same fit's errors on mottled skin, for segments of so many blur spots.
fn print_bounds(regime: Regime, seeds: std::ops::Range<u64>) {
    let all: Vec<bound::Bound> = seeds.into_par_iter().flat_map_iter(|seed| bound::bounds(regime, seed)).collect();
    for (from, to) in [(0.7, 1.3), (1.3, 1.7), (1.7, 2.3), (2.3, 3.5), (3.5, 6.0), (6.0, 20.0)] {
        let near: Vec<&bound::Bound> = all.iter().filter(|b| (from..to).contains(&b.spots)).collect();
        if !near.is_empty() {
            let n = near.len();
            let rms = |of: fn(&bound::Bound) -> f64| {
                100.0 * (near.iter().map(|b| of(b).powi(2)).sum::<f64>() / n as f64).sqrt()
            };
            let (even, mottled) = (rms(|b| b.u_rel), rms(|b| b.mottled_rel));
            println!(
                "{:8} segments of {from} to {to} blur spots: bound {even:.2} %, that fit on mottled skin {mottled:.2} % of {n}",
                regime.name()
            );
        }
    }
}
