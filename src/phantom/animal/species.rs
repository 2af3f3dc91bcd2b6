//! Drawings of kinds of animals, their proportions made up within what the groups show.
//!
//! Fairyfly wasps have antennae of a scape, a pedicel, a funicle of many segments and a club, and paddle wings with long
//! fringes; thrips have eight short antennal segments and strap wings; mites have four pairs of legs and no antennae;
//! springtails have four antennal segments and a fork.

use super::body::Animal;
use super::limb::{Limb, LimbSegment, Wing};

/// A pair of limbs, left and right; rows of `segments` are length µm, turn degrees, width µm, joint width µm, tone.
fn pair(name: &str, along: f64, across: f64, heading_deg: f64, segments: &[[f64; 5]]) -> [Limb; 2] {
    [(-1.0, "left"), (1.0, "right")].map(|(side, word)| Limb {
        name: format!("{name} {word}"),
        along,
        across: side * across,
        heading_deg,
        segments: segments
            .iter()
            .map(|[length_um, turn_deg, width_um, joint_um, tone]| LimbSegment {
                length_um: *length_um,
                turn_deg: *turn_deg,
                width_um: *width_um,
                joint_um: *joint_um,
                tone: *tone,
            })
            .collect(),
    })
}

/// Both wings of a pair.
fn wings(wing: Wing) -> [Wing; 2] {
    [Wing { side: -1.0, ..wing }, Wing { side: 1.0, ..wing }]
}

/// A female fairyfly wasp from above: ten antennal segments, fringed paddle wings.
#[must_use]
pub fn fairyfly() -> Animal {
    let antenna = [
        [82.0, 0.0, 19.0, 11.0, 0.62],
        [40.0, 16.0, 18.0, 9.0, 0.7],
        [24.0, 4.0, 11.0, 7.0, 0.56],
        [33.0, 3.0, 12.0, 7.0, 0.66],
        [36.0, 2.0, 12.5, 7.0, 0.56],
        [38.0, 0.0, 13.0, 7.5, 0.66],
        [37.0, -2.0, 13.5, 7.5, 0.56],
        [35.0, -3.0, 14.0, 8.0, 0.66],
        [32.0, -4.0, 15.0, 8.0, 0.56],
        [92.0, -5.0, 27.0, 10.0, 0.72],
    ];
    let leg = |a: f64, b: f64, c: f64| {
        [
            [a, 0.0, 20.0, 13.0, 0.5],
            [b, 35.0, 13.0, 10.0, 0.45],
            [c, 18.0, 9.0, 7.0, 0.42],
            [0.6 * c, 6.0, 7.0, 5.0, 0.4],
        ]
    };
    let limbs = [
        pair("foreleg", 0.29, 0.95, 62.0, &leg(78.0, 88.0, 55.0)),
        pair("middle leg", 0.4, 0.95, 96.0, &leg(84.0, 104.0, 62.0)),
        pair("hind leg", 0.5, 0.9, 118.0, &leg(96.0, 122.0, 70.0)),
        pair("antenna", 0.035, 0.72, 24.0, &antenna),
    ];
    Animal {
        length_um: 540.0,
        breadth_um: 158.0,
        bend_rad: [0.28, 0.1, 0.0],
        stations: vec![
            [0.0, 0.8],
            [0.07, 0.92],
            [0.15, 0.86],
            [0.2, 0.42],
            [0.24, 0.5],
            [0.34, 0.92],
            [0.42, 0.86],
            [0.5, 0.5],
            [0.545, 0.34],
            [0.6, 0.6],
            [0.72, 1.0],
            [0.86, 0.7],
            [1.0, 0.25],
        ],
        caps: [0.06, 0.1],
        tone: 0.74,
        limbs: limbs.into_iter().flatten().collect(),
        wings: [
            wings(Wing {
                along: 0.36,
                side: 1.0,
                heading_deg: 48.0,
                length_um: 620.0,
                breadth_um: 112.0,
                broadest: 0.75,
                tone: 0.13,
                fringe_um: 86.0,
            }),
            wings(Wing {
                along: 0.43,
                side: 1.0,
                heading_deg: 33.0,
                length_um: 480.0,
                breadth_um: 26.0,
                broadest: 0.7,
                tone: 0.12,
                fringe_um: 58.0,
            }),
        ]
        .into_iter()
        .flatten()
        .collect(),
        spots: vec![[0.07, -0.7, 17.0, 0.9], [0.07, 0.7, 17.0, 0.9]],
    }
}

/// A thrips from above, wings folded over the abdomen: eight antennal segments.
#[must_use]
pub fn thrips() -> Animal {
    let antenna = [
        [28.0, 0.0, 34.0, 26.0, 0.62],
        [40.0, 6.0, 28.0, 16.0, 0.68],
        [58.0, 4.0, 22.0, 9.0, 0.5],
        [54.0, 3.0, 22.0, 9.0, 0.58],
        [43.0, 2.0, 19.0, 10.0, 0.5],
        [56.0, 0.0, 19.0, 9.0, 0.62],
        [12.0, -2.0, 9.0, 7.0, 0.56],
        [18.0, -2.0, 6.5, 5.5, 0.6],
    ];
    let leg =
        |a: f64, b: f64| [[a, 0.0, 52.0, 34.0, 0.55], [b, 42.0, 30.0, 24.0, 0.5], [0.45 * b, 14.0, 20.0, 15.0, 0.5]];
    let limbs = [
        pair("foreleg", 0.2, 0.9, 44.0, &leg(130.0, 120.0)),
        pair("middle leg", 0.33, 0.92, 100.0, &leg(120.0, 130.0)),
        pair("hind leg", 0.42, 0.9, 128.0, &leg(150.0, 165.0)),
        pair("antenna", 0.012, 0.55, 16.0, &antenna),
    ];
    Animal {
        length_um: 1240.0,
        breadth_um: 262.0,
        bend_rad: [-0.2, 0.3, 0.5],
        stations: vec![
            [0.0, 0.55],
            [0.05, 0.58],
            [0.1, 0.56],
            [0.125, 0.52],
            [0.18, 0.72],
            [0.24, 0.68],
            [0.3, 0.92],
            [0.4, 0.9],
            [0.5, 0.94],
            [0.62, 1.0],
            [0.8, 0.78],
            [0.92, 0.36],
            [1.0, 0.16],
        ],
        caps: [0.03, 0.02],
        tone: 0.68,
        limbs: limbs.into_iter().flatten().collect(),
        wings: wings(Wing {
            along: 0.3,
            side: 1.0,
            heading_deg: 13.0,
            length_um: 780.0,
            breadth_um: 58.0,
            broadest: 0.35,
            tone: 0.16,
            fringe_um: 120.0,
        })
        .to_vec(),
        spots: vec![[0.045, -0.62, 26.0, 0.88], [0.045, 0.62, 26.0, 0.88]],
    }
}

/// A mite from above: eight legs, no antennae.
#[must_use]
pub fn mite() -> Animal {
    let leg = |scale: f64| {
        [
            [34.0, 0.0, 34.0, 26.0, 0.5],
            [46.0, 8.0, 32.0, 22.0, 0.55],
            [32.0, 18.0, 27.0, 19.0, 0.5],
            [40.0, 12.0, 24.0, 17.0, 0.55],
            [50.0, 8.0, 17.0, 13.0, 0.5],
        ]
        .map(|[length, turn, width, joint, tone]| [length * scale, turn, width, joint, tone])
    };
    let limbs = [
        pair("palp", 0.03, 0.55, 8.0, &[[26.0, 0.0, 16.0, 12.0, 0.5], [30.0, -8.0, 12.0, 9.0, 0.5]]),
        pair("leg 1", 0.14, 0.92, 16.0, &leg(1.15)),
        pair("leg 2", 0.24, 0.95, 52.0, &leg(0.95)),
        pair("leg 3", 0.46, 0.97, 104.0, &leg(0.95)),
        pair("leg 4", 0.58, 0.97, 128.0, &leg(1.1)),
    ];
    Animal {
        length_um: 430.0,
        breadth_um: 268.0,
        bend_rad: [0.08, 0.0, 0.0],
        stations: vec![
            [0.0, 0.2],
            [0.05, 0.26],
            [0.1, 0.42],
            [0.2, 0.72],
            [0.3, 0.86],
            [0.36, 0.84],
            [0.45, 0.95],
            [0.62, 1.0],
            [0.8, 0.92],
            [1.0, 0.75],
        ],
        caps: [0.05, 0.28],
        tone: 0.7,
        limbs: limbs.into_iter().flatten().collect(),
        wings: Vec::new(),
        spots: vec![[0.2, -0.66, 7.0, 0.88], [0.2, 0.66, 7.0, 0.88]],
    }
}

/// A springtail from above with its fork stretched out: four antennal segments.
#[must_use]
pub fn springtail() -> Animal {
    let antenna = [
        [48.0, 0.0, 38.0, 26.0, 0.55],
        [72.0, 6.0, 36.0, 22.0, 0.62],
        [76.0, 4.0, 34.0, 22.0, 0.55],
        [118.0, -4.0, 32.0, 22.0, 0.62],
    ];
    let leg = |scale: f64| {
        [[60.0, 0.0, 34.0, 26.0, 0.5], [70.0, 20.0, 26.0, 20.0, 0.5], [66.0, 12.0, 19.0, 15.0, 0.5]]
            .map(|[length, turn, width, joint, tone]| [length * scale, turn, width, joint, tone])
    };
    let limbs = [
        pair("leg 1", 0.27, 0.92, 72.0, &leg(0.9)),
        pair("leg 2", 0.36, 0.92, 98.0, &leg(1.0)),
        pair("leg 3", 0.46, 0.92, 120.0, &leg(1.1)),
        pair("fork", 0.97, 0.35, 172.0, &[[150.0, 0.0, 26.0, 22.0, 0.5], [96.0, -6.0, 14.0, 12.0, 0.5]]),
        pair("antenna", 0.03, 0.6, 26.0, &antenna),
    ];
    Animal {
        length_um: 960.0,
        breadth_um: 236.0,
        bend_rad: [0.5, -0.3, 0.2],
        stations: vec![
            [0.0, 0.72],
            [0.08, 0.84],
            [0.15, 0.78],
            [0.19, 0.6],
            [0.24, 0.66],
            [0.45, 0.88],
            [0.66, 1.0],
            [0.85, 0.86],
            [1.0, 0.55],
        ],
        caps: [0.09, 0.1],
        tone: 0.66,
        limbs: limbs.into_iter().flatten().collect(),
        wings: Vec::new(),
        spots: vec![[0.07, -0.75, 14.0, 0.9], [0.07, 0.75, 14.0, 0.9]],
    }
}
