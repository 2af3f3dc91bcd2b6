//! The statistics and the uncertainty engine against published values.
//!
//! Data: `tests/data/reference` (its README names the sources). Expected values stand beside each check with
//! their source; where a printed value is not exactly reproducible, the tolerance says so.

#![allow(clippy::unwrap_used, reason = "a panic is how a test fails")]

mod gum;
mod properties;
mod repeats;
mod strd;
mod supplement_1;

/// Rows of numbers of a reference file: comments and the heading skipped, `inf` understood.
fn rows(text: &str) -> Vec<Vec<f64>> {
    let lines = text.lines().filter(|l| !l.starts_with('#') && !l.trim().is_empty()).skip(1);
    lines
        .map(|l| l.split(',').map(|cell| cell.trim().parse().expect("a number in a reference file")).collect())
        .collect()
}

/// One column of them.
fn column(rows: &[Vec<f64>], index: usize) -> Vec<f64> {
    rows.iter().map(|row| row[index]).collect()
}

/// Passes when `got` is within `tolerance` of `want`; says both when not.
#[track_caller]
fn close(what: &str, got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{what}: got {got}, wanted {want} within {tolerance:.2e}");
}

/// As [`close`], relative to `want`.
#[track_caller]
fn close_relative(what: &str, got: f64, want: f64, tolerance: f64) {
    close(what, got, want, tolerance * want.abs());
}
