//! Lengths as the trade defines them. A size in words is ambiguous, so the definition goes with the number.

/// A length of the trade.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TradeLength {
    /// The animals for which it is usual.
    pub animals: &'static str,
    /// The quantity's name.
    pub quantity: &'static str,
    /// From where to where, and what is left out.
    pub definition: &'static str,
    /// Where the definition is from.
    pub source: &'static str,
}

const COMMON: &str = "common practice";

const fn length(
    animals: &'static str,
    quantity: &'static str,
    definition: &'static str,
    source: &'static str,
) -> TradeLength {
    TradeLength { animals, quantity, definition, source }
}

/// The lengths that are usual for animals of this size.
pub const TRADE_LENGTHS: [TradeLength; 14] = [
    length(
        "springtails",
        "body length",
        "front of the head to the end of the last abdominal segment along the axis, best in side view, without antennae, legs, ventral tube, furca and setae",
        "collembola.naturkundemuseum-goerlitz.de",
    ),
    length(
        "springtails",
        "head diagonal",
        "front of the antennal base to the hind lower corner of the head, side view",
        COMMON,
    ),
    length(
        "all with antennae",
        "antenna",
        "joint to joint along the middle of each segment, summed; setae left out",
        COMMON,
    ),
    length("tardigrades", "body length", "mouth end to body end, without the hind legs", COMMON),
    length("mites", "idiosoma length", "body without mouthparts, along the middle, without setae", COMMON),
    length("mites", "body length", "tip of the rostrum to the rear edge, without setae", COMMON),
    length("copepods", "total length", "front to the end of the caudal rami, without setae", COMMON),
    length("copepods", "prosome length", "front to the end of the prosome", COMMON),
    length("nematodes", "body length", "along the curve, tip of the head to tip of the tail", COMMON),
    length(
        "thrips",
        "body length",
        "head to the end of the abdomen; depends on how far the abdomen is stretched",
        COMMON,
    ),
    length("fairyfly wasps", "body length", "head to the tip of the abdomen, without antennae and ovipositor", COMMON),
    length("ostracods", "valve length", "greatest length of the valve, without setae", COMMON),
    length("rotifers", "total length", "extended, with foot and toes; posture stated", COMMON),
    length("all", "greatest breadth", "widest place across the axis, without appendages", COMMON),
];
