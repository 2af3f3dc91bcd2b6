//! What a person should know about a picture before measuring on it.

use std::fmt;

use super::tone::Transfer;

/// A finding about a picture; none of them prevents measuring.
#[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(tag = "warning", rename_all = "snake_case")]
#[non_exhaustive]
pub enum PhotoWarning {
    /// An embedded colour profile is not that of sRGB.
    Profile {
        /// Name of the profile.
        name: String,
        /// Its tone curve where that is sRGB's or a power, and then it was used; otherwise sRGB was.
        transfer: Option<Transfer>,
    },
    /// A PNG declares a tone curve other than sRGB's, and it was used.
    Gamma {
        /// The curve.
        transfer: Transfer,
    },
    /// The file holds more pictures; the first one is used.
    MorePictures {
        /// How many, where counted; 2 for an animation.
        count: usize,
    },
    /// Parts of the picture are transparent; transparency was ignored.
    Transparent,
    /// The camera states another size than the picture has: it was resized or cropped since.
    SizeDiffers {
        /// Width and height stated, px.
        stated_px: (u64, u64),
        /// Width and height decoded, px, before EXIF orientation.
        decoded_px: (u64, u64),
    },
    /// Samples pile up at the brightest code of the picture, below full scale: it may be clipped there, which the mask
    /// of clipped pixels does not know. A ground of one even value looks the same.
    PileUp {
        /// The brightest code.
        code: u16,
        /// The highest code that the file can hold.
        full_scale: u16,
        /// Share of the samples at the end.
        share: f64,
    },
}

impl fmt::Display for PhotoWarning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Profile { name, transfer: Some(transfer) } => write!(
                f,
                "the picture has the colour profile \"{name}\", not sRGB; its tone curve ({transfer}) is used, its colours are taken as sRGB's"
            ),
            Self::Profile { name, transfer: None } => write!(
                f,
                "the picture has the colour profile \"{name}\", whose tone curve is not understood; sRGB is assumed, save it as sRGB to be sure"
            ),
            Self::Gamma { transfer } => {
                write!(f, "the picture declares its own tone curve ({transfer}), which is used")
            }
            Self::MorePictures { count } => {
                write!(f, "the file holds {count} pictures or more; only the first is used")
            }
            Self::Transparent => {
                f.write_str("parts of the picture are transparent; their colours are used as if they were not")
            }
            Self::PileUp { code, full_scale, share } => write!(
                f,
                "{:.1} % of the samples stand at the picture's brightest level, {code} of {full_scale}: unless the ground is evenly lit to the last bit, it is clipped there; expose less, or develop without lowering the white",
                100.0 * share
            ),
            Self::SizeDiffers { stated_px, decoded_px } => write!(
                f,
                "the camera recorded {} × {} px but the picture has {} × {} px: it was resized or cropped, and so may be its scale",
                stated_px.0, stated_px.1, decoded_px.0, decoded_px.1
            ),
        }
    }
}

impl fmt::Display for Transfer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Srgb => f.write_str("sRGB"),
            Self::Linear => f.write_str("linear"),
            Self::Gamma(exponent) => write!(f, "power {exponent:.2}"),
        }
    }
}
