//! A ruling turned into tables: sums of products of one profile along and one across.

use rand::RngExt;
use rand_distr::StandardNormal;

use super::super::optics::SystemMtf;
use super::super::random::{Stream, generator};
use super::dots::{Dot, Plate, dots};
use super::profile::{Bar, Profile};
use super::scene::Ruling;

/// One graduation as drawn by lot.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Graduation {
    pub(crate) index: u32,
    /// Position along the ruling from its origin, with its own placement error, µm.
    pub(crate) along_um: f64,
    pub(crate) length_um: f64,
    /// 1, less for a faint one, 0 for a missing one.
    pub(crate) strength: f64,
}

/// Draws the graduations of a ruling by lot.
pub(crate) fn graduations(ruling: &Ruling, seed: u64, number: usize) -> Vec<Graduation> {
    let mut rng = generator(seed, Stream::Ruling, number as u64);
    (0..=ruling.divisions)
        .map(|index| {
            // Every index uses the same number of draws, so that one field does not change the others' lots.
            let error: f64 = rng.sample(StandardNormal);
            let lot: f64 = rng.random();
            let faintness: f64 = rng.random_range(0.15..0.45);
            let strength = if lot < ruling.missing_fraction || !index.is_multiple_of(ruling.draw_every.max(1)) {
                0.0
            } else if lot < ruling.missing_fraction + ruling.faint_fraction {
                faintness
            } else {
                1.0
            };
            Graduation {
                index,
                along_um: f64::from(index) * ruling.division_um + error * ruling.placement_sd_um,
                length_um: ruling.length_um(index),
                strength,
            }
        })
        .collect()
}

/// Lines that share their reach across the ruling.
#[derive(Debug)]
struct Group {
    along: Profile,
    across: Profile,
}

/// Lines that do not overlap: their coverages add.
#[derive(Debug)]
pub(crate) struct Lines {
    origin_um: [f64; 2],
    turned: bool,
    groups: Vec<Group>,
}

/// What covers the slide: lines or dots.
#[derive(Debug)]
pub(crate) enum Family {
    Lines(Lines),
    Dots(Plate),
}

/// A ruling as drawn by lot.
#[derive(Debug)]
pub(crate) enum Drawn {
    Lines(Vec<Graduation>),
    Dots(f64, Vec<Dot>),
}

impl Drawn {
    /// Draws a ruling of the scene by lot.
    pub(crate) fn by_lot(ruling: &Ruling, seed: u64, number: usize) -> Self {
        match ruling.dots_um {
            Some(diameter_um) => Self::Dots(diameter_um, dots(ruling, seed, number)),
            None => Self::Lines(graduations(ruling, seed, number)),
        }
    }
}

/// What every table needs to know.
#[derive(Clone, Debug)]
pub(crate) struct Tables<'a> {
    pub(crate) colours: &'a [SystemMtf],
    /// Corners of the visible part of the slide, µm: least and greatest x and y.
    pub(crate) visible_um: [(f64, f64); 2],
    pub(crate) step_um: f64,
}

impl Family {
    /// The tables of one ruling.
    pub(crate) fn of(ruling: &Ruling, drawn: &Drawn, tables: &Tables<'_>) -> Vec<Self> {
        match drawn {
            Drawn::Lines(lines) => Lines::of(ruling, lines, tables).into_iter().map(Self::Lines).collect(),
            Drawn::Dots(diameter_um, dots) => {
                vec![Self::Dots(Plate::of(ruling, *diameter_um, dots, tables.colours, tables.step_um))]
            }
        }
    }

    /// Adds this family to the coverage `cover` of a slide position, as overlapping absorbers do.
    #[inline]
    pub(crate) fn cover(&self, x_um: f64, y_um: f64, cover: &mut [f32; 4]) {
        match self {
            Self::Lines(lines) => lines.cover(x_um, y_um, cover),
            Self::Dots(plate) => plate.cover(x_um, y_um, cover),
        }
    }
}

impl Lines {
    /// The graduations, and the base line as a second family where there is one.
    fn of(ruling: &Ruling, drawn: &[Graduation], tables: &Tables<'_>) -> Vec<Self> {
        let mut lengths: Vec<f64> = ruling.tiers.iter().map(|t| t.length_um).collect();
        lengths.sort_by(f64::total_cmp);
        lengths.dedup();
        let groups = lengths
            .iter()
            .filter(|l| **l > 0.0)
            .filter_map(|length| {
                let lines: Vec<Bar> = drawn
                    .iter()
                    .filter(|g| g.strength > 0.0 && g.length_um.total_cmp(length).is_eq())
                    .map(|g| Bar { centre_um: g.along_um, width_um: ruling.line_um, strength: g.strength })
                    .collect();
                let (from, to) = ruling.reach_um(*length);
                let reach = Bar { centre_um: (from + to) / 2.0, width_um: to - from, strength: 1.0 };
                (!lines.is_empty()).then(|| Group::new(ruling, &lines, reach, tables))
            })
            .collect();
        let family = |groups| Self { origin_um: ruling.origin_um, turned: ruling.across, groups };
        let mut families = vec![family(groups)];
        if ruling.base_line {
            let span = ruling.span_um();
            let along = Bar { centre_um: span / 2.0, width_um: span + ruling.line_um, strength: 1.0 };
            let across = Bar { centre_um: 0.0, width_um: ruling.line_um, strength: 1.0 };
            families.push(family(vec![Group::new(ruling, &[along], across, tables)]));
        }
        families
    }

    #[inline]
    fn cover(&self, x_um: f64, y_um: f64, cover: &mut [f32; 4]) {
        let (dx, dy) = (x_um - self.origin_um[0], y_um - self.origin_um[1]);
        let (along_um, across_um) = if self.turned { (dy, -dx) } else { (dx, dy) };
        let mut own = [0.0_f32; 4];
        for group in &self.groups {
            let Some(across) = group.across.at(across_um) else { continue };
            let Some(along) = group.along.at(along_um) else { continue };
            for k in 0..4 {
                own[k] += along[k] * across[k];
            }
        }
        for k in 0..4 {
            cover[k] += own[k] - cover[k] * own[k];
        }
    }
}

impl Group {
    fn new(ruling: &Ruling, lines: &[Bar], reach: Bar, tables: &Tables<'_>) -> Self {
        let [x, y] = tables.visible_um;
        let [ox, oy] = ruling.origin_um;
        let (along, across) = if ruling.across {
            ((y.0 - oy, y.1 - oy), (-(x.1 - ox), -(x.0 - ox)))
        } else {
            ((x.0 - ox, x.1 - ox), (y.0 - oy, y.1 - oy))
        };
        Self {
            along: Profile::tabulate(lines, tables.colours, along, tables.step_um),
            across: Profile::tabulate(&[reach], tables.colours, across, tables.step_um),
        }
    }
}
