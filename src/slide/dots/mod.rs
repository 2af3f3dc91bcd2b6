//! Reading a dot plate: round dots in a square lattice, both directions at once.
//!
//! Two waves of one length at right angles in the picture are the occasion to look ([`pitches`]). The spots are found ([`blob`]), given
//! their places ([`lattice`]) and located ([`centre`]); their looks are judged ([`judge`], [`cell`]) before the map is fitted ([`fit`]).

mod blob;
mod cell;
mod centre;
mod fit;
mod judge;
mod lattice;

use super::both;
use super::candidate::angle_between;
use super::periodic::Cluster;
use super::pyramid::Level;
use super::reading::{
    Family, Graduation, LongGraduations, Reading, ReadingWarning, Refusal, Rejection, Request, Ruler,
};
use super::refine::check_expectation;
use super::scale_map::half_diagonal;
use crate::photo::Light;
use crate::units::{Point, Px, Um};
use centre::{Dot, Located, median};
use judge::Looks;

/// Least cluster score worth a look, as for lines.
const LEAST_SCORE: f64 = 9.0;
/// Distances looked at.
const MOST_PITCHES: usize = 4;
/// Least distance of dots, px: below it nobody can see whether dots are round and of one size, as those of a plate are and those of
/// a print or a weave are not.
const LEAST_PITCH_PX: f64 = 7.5;
/// Pixels of a level per distance of the dots: enough to see the spots, few enough to be quick.
const PITCH_ON_LEVEL: f64 = 9.0;
/// Scatter about the map relative to the distance beyond which the dots are no plate (made plates stay below 0.005).
const MOST_SCATTER: f64 = 0.03;
/// Robust weight below which a dot counts as out of place.
const LEAST_WEIGHT: f64 = 0.2;
/// Share of the dots that must be in place.
const LEAST_IN_PLACE: f64 = 0.6;

/// Reads the picture as a dot plate. Absent where it shows none.
pub(super) fn read(
    light: &Light,
    levels: &[Level<'_>],
    clusters: &[Cluster],
    request: &Request,
) -> Option<Result<Reading, Refusal>> {
    for pitch in pitches(clusters) {
        let Some((lattice, spots, bright)) = spots(levels, pitch) else { continue };
        // The spots themselves tell their distance better than the waves do.
        let (lattice, spots, bright) = if (lattice.pitch_px / pitch - 1.0).abs() > 0.08 {
            self::spots(levels, lattice.pitch_px).unwrap_or((lattice, spots, bright))
        } else {
            (lattice, spots, bright)
        };
        if !judge::worth_it(&lattice) {
            continue;
        }
        if lattice.pitch_px < LEAST_PITCH_PX {
            return Some(Err(Refusal::NotARuling {
                missing: "spots that lie this close may be a print or a cloth; more magnification shows whether they are round dots of one size",
            }));
        }
        let lattice = about_centre(lattice, &spots, light);
        let rough = |i: usize| (spots[i].x, spots[i].y);
        let Some(located) = centre::locate(light, &lattice, &rough) else { continue };
        if let Some(outcome) = judged(light, &lattice, &located, bright, request) {
            return Some(outcome);
        }
    }
    None
}

/// The spots about `pitch` px apart and their lattice.
fn spots(levels: &[Level<'_>], pitch: f64) -> Option<(lattice::Lattice, Vec<blob::Blob>, bool)> {
    let level = levels.iter().rev().find(|l| pitch / l.step_px as f64 >= PITCH_ON_LEVEL).or(levels.first())?;
    let found = blob::blobs(level, pitch)?;
    let usual = usual_area(&found.all);
    let alike = |b: &blob::Blob| (0.4..2.2).contains(&(b.area / usual)) && b.ellipticity < 1.7;
    let spots: Vec<blob::Blob> = found.all.into_iter().filter(alike).collect();
    Some((lattice::index(&spots, pitch)?, spots, found.bright))
}

/// The area that halves the whole area: specks of noise are many, but cover little.
fn usual_area(blobs: &[blob::Blob]) -> f64 {
    let mut areas: Vec<f64> = blobs.iter().map(|b| b.area).collect();
    areas.sort_by(f64::total_cmp);
    let half = 0.5 * areas.iter().sum::<f64>();
    let mut sum = 0.0;
    areas
        .into_iter()
        .find(|a| {
            sum += a;
            sum >= half
        })
        .unwrap_or(f64::NAN)
}

/// Distances of waves that come in pairs at right angles, strongest first, px.
fn pitches(clusters: &[Cluster]) -> Vec<f64> {
    let mut found: Vec<(f64, f64)> = Vec::new();
    for (n, a) in clusters.iter().enumerate().filter(|c| c.1.score >= LEAST_SCORE) {
        for b in clusters[n + 1..].iter().filter(|c| c.score >= LEAST_SCORE) {
            let (fa, fb) = (a.fx.hypot(a.fy), b.fx.hypot(b.fy));
            let turned = angle_between(a.fy.atan2(a.fx), b.fy.atan2(b.fx));
            if (0.8..1.25).contains(&(fa / fb)) && turned > 1.4 {
                let pitch = 2.0 / (fa + fb);
                let strength = a.score.min(b.score);
                match found.iter_mut().find(|f| (f.0 / pitch - 1.0).abs() < 0.1) {
                    Some(f) => f.1 = f.1.max(strength),
                    None => found.push((pitch, strength)),
                }
            }
        }
    }
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found.into_iter().take(MOST_PITCHES).map(|f| f.0).collect()
}

/// Counts places from the dot nearest to the picture's centre, so that offset and perspective do not mix.
fn about_centre(lattice: lattice::Lattice, blobs: &[blob::Blob], light: &Light) -> lattice::Lattice {
    let (x, y) = (0.5 * light.width() as f64, 0.5 * light.height() as f64);
    let far = |i: usize| (blobs[i].x - x).hypot(blobs[i].y - y);
    let Some((zero, _)) = lattice.taken.iter().min_by(|a, b| far(*a.1).total_cmp(&far(*b.1))) else { return lattice };
    let taken = lattice.taken.iter().map(|(k, v)| ((k.0 - zero.0, k.1 - zero.1), *v)).collect();
    lattice::Lattice { taken, ..lattice }
}

/// The reading, a refusal, or nothing where these are no dots.
fn judged(
    light: &Light,
    lattice: &lattice::Lattice,
    located: &Located,
    bright: bool,
    request: &Request,
) -> Option<Result<Reading, Refusal>> {
    let ground = fit::Ground {
        centre: (0.5 * light.width() as f64, 0.5 * light.height() as f64),
        radius: half_diagonal(light.width(), light.height()),
    };
    let dots = &located.dots;
    let fitted = fit::fit(dots, ground)?;
    let p = &fitted.chosen.parameters;
    let norm = p[1].hypot(p[2]);
    let pitch = ground.radius / norm;
    let along = (p[1] / norm, p[2] / norm);
    let diameter = located.profile.diameter();
    let round = cell::roundness(light, dots, pitch, along, &located.profile);
    match judge::looks(dots, &round, diameter, pitch) {
        Looks::NoDots => return None,
        Looks::Refused(why) => return Some(Err(why)),
        Looks::Plate => {}
    }
    let in_place = fitted.weights.iter().filter(|w| **w >= LEAST_WEIGHT).count();
    let scatter = fitted.ruling_sd_px / pitch;
    if (in_place as f64) < LEAST_IN_PLACE * dots.len() as f64 {
        let (seen, needed_percent) = (dots.len(), 100.0 * LEAST_IN_PLACE);
        return Some(Err(Refusal::TooManyLeftOut { used: in_place, seen, by_hand: 0, needed_percent }));
    }
    if scatter > MOST_SCATTER {
        return Some(Err(Refusal::Uneven { scatter_percent: 100.0 * scatter, limit_percent: 100.0 * MOST_SCATTER }));
    }
    Some(reading(light, lattice, located, &fitted, bright, request))
}

fn reading(
    light: &Light,
    lattice: &lattice::Lattice,
    located: &Located,
    fitted: &fit::Fitted,
    bright: bool,
    request: &Request,
) -> Result<Reading, Refusal> {
    let division = request.division.get();
    let (map, isotropy) = both::scale_map(light.width(), light.height(), &fitted.chosen, division);
    let scale = map.centre_scale();
    check_expectation(scale, request)?;
    let graduations = graduations(&located.dots, fitted);
    let used: Vec<&Graduation> = graduations.iter().filter(|g| g.rejected.is_none()).collect();
    // One direction's root mean square, so that it compares with that of lines.
    let squares: f64 = used.iter().map(|g| g.residual.get().powi(2) + g.residual_across().powi(2)).sum();
    let residual_rms = (0.5 * squares / used.len().max(1) as f64).sqrt();
    let (columns, rows) = lattice.bounds();
    let ruler = Ruler::Dots { columns: (columns.1 - columns.0 + 1) as usize, rows: (rows.1 - rows.0 + 1) as usize };
    let mut warnings = vec![ReadingWarning::NoLongGraduations];
    let rejected = graduations.len() - used.len();
    if rejected * 3 > graduations.len() {
        warnings.push(ReadingWarning::ManyRejected { used: used.len(), rejected });
    }
    let unevenness = map.unevenness();
    if unevenness > 0.002 {
        warnings.push(ReadingWarning::UnevenScale { relative: unevenness });
    }
    let ruling_sd = Um::new(fitted.ruling_sd_px / scale.get());
    if ruling_sd.get() > 0.01 * division {
        warnings.push(ReadingWarning::RulingErrors { sd_um: ruling_sd.get() });
    }
    let signal = median(used.iter().map(|g| g.contrast.abs()).collect());
    let noise = median(located.dots.iter().map(|d| d.pixel_sd).collect());
    Ok(Reading {
        scale,
        rotation: map.direction(),
        residual_rms: Px::new(residual_rms),
        u_rel_fit: map.u_rel_fit_at(map.centre()),
        dof: (2.0 * used.len() as f64 - both::COUNT as f64).max(1.0),
        ruling_sd,
        bright_lines: bright,
        long_graduations: LongGraduations::None,
        evidence_radial: fitted.chosen.radial,
        evidence_perspective: fitted.chosen.perspective,
        line_width: Px::new(located.profile.diameter()),
        line_shape: located.profile.points().collect(),
        blur: None,
        signal_to_noise: Some(signal / noise.max(1e-12)),
        warnings,
        graduations,
        ruler,
        isotropy: Some(isotropy),
        map,
    })
}

fn graduations(dots: &[Dot], fitted: &fit::Fitted) -> Vec<Graduation> {
    dots.iter()
        .zip(&fitted.residuals)
        .zip(fitted.u_px.iter().zip(&fitted.weights))
        .map(|((d, r), (u, w))| Graduation {
            family: Family::Dot { row: i64::from(d.place.1), residual_across: Px::new(r[1]) },
            index: i64::from(d.place.0),
            at: Point::new(d.x, d.y),
            residual: Px::new(r[0]),
            u: Px::new(*u),
            contrast: d.contrast,
            rejected: (*w < LEAST_WEIGHT).then_some(Rejection::OutOfPlace),
        })
        .collect()
}
