//! The fitted chain: what the fit says of its marks, and what the drawing itself leaves open.

use nalgebra::DMatrix;

use super::model::{EndKind, Layout};
use super::problem::Problem;
use super::samples::{Rim, Samples};
use super::{LEAST_COSINE, Looks};
use crate::units::{Image, Point, Vector};

/// What no drawing of the chain follows: another course of the sides, which of two segments lies over the other, the far tails of the
/// blur; as standard uncertainties of a joint and of the body's edge square to itself, in blur spots. And tones that vary
/// within a segment, which move both by so many blur spots for each share of the contrast by which light is uneven from place to place
/// ([`Problem::mottle`]). Not derived but measured: marks of rendered antennae, drawn by a renderer of its own, depart from the
/// truth by 0.010 to 0.025 where light is even, the body's edge by 0.01 to 0.03, and both by 1.4 to 2.2 times the unevenness where it is not
/// (`animal_campaign anatomy 70 f2.8 f4 f5.6 f8 small --first 20000`, seeds apart from those of the figures on coverage).
const U_DRAWING_W: f64 = 0.024;
const U_BODY_W: f64 = 0.03;
const U_MOTTLED_W: f64 = 1.8;
/// They grow as a segment beside the joint is shorter than this many blur spots, where the light of three joints runs together: the course of
/// the sides and what unevenness does from longer segments on, each for the body's edge with the joint next to it, and for other joints. Measured
/// on the inner joints of 800 antennae at f/2.8, f/4, f/8 and in `small` (2,300 of them, seeds from 700000), whose root mean square pulls are then
/// 0.72 to 1.05 for segments of 1 to 11 blur spots (0.59 to 0.93 where segments are short with 3.5 and 3.5, 6); at the body with 2.5 segments I and II of
/// `small` held 92.8 and 91.9 % of 387 (seeds from 1000000).
const AT_BODY: Growth = Growth { sides_w: 3.2, mottle_w: 3.3 };
const BETWEEN_SEGMENTS: Growth = Growth { sides_w: 2.5, mottle_w: 4.2 };

/// From which length on, in blur spots, shorter segments tell their joints less.
struct Growth {
    sides_w: f64,
    mottle_w: f64,
}

/// A fitted chain.
pub(super) struct Fit {
    p: Vec<f64>,
    /// Covariance of the parameters.
    covariance: DMatrix<f64>,
    /// Scatter of a sample about the drawing.
    pub(super) scatter: f64,
    /// What the drawing itself leaves open of each mark, px.
    u_drawing_px: Vec<f64>,
}

/// What the fit alone tells: parameters, their covariance, and the scatter of a sample about the drawing.
pub(super) struct Outcome {
    pub(super) p: Vec<f64>,
    pub(super) covariance: DMatrix<f64>,
    pub(super) scatter: f64,
    /// How uneven the chain's light is beside the drawing, as a share of the contrast.
    pub(super) mottle: f64,
}

/// What the drawing leaves open of each mark, cells; `w` in cells.
fn u_drawing(layout: &Layout, p: &[f64], w: f64, mottle: f64) -> Vec<f64> {
    let length = |i: usize| (p[2 * i + 2] - p[2 * i]).hypot(p[2 * i + 3] - p[2 * i + 1]);
    let of = |i: usize| {
        let beside = i.saturating_sub(1)..(i + 1).min(layout.segments());
        let shorter = beside.map(length).fold(f64::INFINITY, f64::min);
        let together = |from_w: f64| (from_w * w / shorter.max(0.3 * w)).max(1.0);
        let with_mottle = |u: f64, growth: &Growth| {
            w * (u * together(growth.sides_w)).hypot(U_MOTTLED_W * mottle * together(growth.mottle_w))
        };
        match (i, layout.first) {
            // An edge that is met obliquely is known less well along the segment.
            (0, EndKind::Body) => with_mottle(U_BODY_W, &AT_BODY) / p[layout.body() + 1].cos().abs().max(LEAST_COSINE),
            (1, EndKind::Body) => with_mottle(U_DRAWING_W, &AT_BODY),
            _ => with_mottle(U_DRAWING_W, &BETWEEN_SEGMENTS),
        }
    };
    (0..layout.marks).map(of).collect()
}

impl Fit {
    /// The body's edge as a first fit finds it; `None` where the chain springs from no body, or the fit does not settle.
    pub(super) fn rim(samples: &Samples, layout: Layout, marks: &[Point<Image>], w: f64, looks: &Looks) -> Option<Rim> {
        if layout.first != EndKind::Body {
            return None;
        }
        let problem = Problem::new(samples, layout, marks, w, looks)?;
        let (p, ..) = problem.solve(problem.start())?;
        let first = Vector::new(p[2] - p[0], p[3] - p[1]);
        let along = first * (1.0 / first.length().max(1e-9));
        let (sin, cos) = p[layout.body() + 1].sin_cos();
        Some(Rim {
            at: samples.origin + Vector::new(p[0], p[1]) * samples.cell_px,
            outward: along * cos + Vector::new(-along.y, along.x) * sin,
            bend: p[layout.body() + 2] / samples.cell_px,
            cosine: cos.abs().max(LEAST_COSINE),
        })
    }

    /// `None` where the fit does not settle.
    pub(super) fn of(samples: &Samples, layout: Layout, marks: &[Point<Image>], w: f64, looks: &Looks) -> Option<Self> {
        let problem = Problem::new(samples, layout, marks, w, looks)?;
        let start = problem.start();
        let Outcome { p, covariance, scatter, mottle } =
            if layout.short { problem.all_places(&start)? } else { problem.one_place(start)? };
        let cell = samples.cell_px;
        let u_drawing_px = u_drawing(&layout, &p, w / cell, mottle).into_iter().map(|u| u * cell).collect();
        Some(Self { p, covariance, scatter, u_drawing_px })
    }

    pub(super) fn parameter(&self, i: usize) -> f64 {
        self.p[i]
    }

    /// Image position of a mark and its covariance, px².
    pub(super) fn place(&self, samples: &Samples, i: usize) -> (Point<Image>, [f64; 3]) {
        let c = samples.cell_px;
        let at = samples.origin + Vector::new(self.p[2 * i], self.p[2 * i + 1]) * c;
        let drawing = (self.u_drawing_px[i]).powi(2);
        let entry =
            |a: usize, b: usize| self.covariance[(2 * i + a, 2 * i + b)] * c * c + if a == b { drawing } else { 0.0 };
        (at, [entry(0, 0), entry(0, 1), entry(1, 1)])
    }

    /// Covariance of a mark with the next one, px²: its x with the other's x and y, its y with the other's x and y.
    pub(super) fn with_next(&self, samples: &Samples, i: usize) -> [f64; 4] {
        let entry = |a: usize, b: usize| self.covariance[(2 * i + a, 2 * i + 2 + b)] * samples.cell_px.powi(2);
        [entry(0, 0), entry(0, 1), entry(1, 0), entry(1, 1)]
    }
}
