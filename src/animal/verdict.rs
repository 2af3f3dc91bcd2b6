//! Is a length resolved?

use serde::{Deserialize, Serialize};

use crate::units::{Px, Um};

/// Whether the picture resolves a length; the better come first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub enum Verdict {
    /// At least two blur spots and six pixels.
    #[serde(rename = "resolved")]
    Resolved,
    /// At least one blur spot and three pixels.
    #[serde(rename = "marginal")]
    Marginal,
    /// Less: only an upper bound can be stated.
    #[serde(rename = "not resolved")]
    NotResolved,
}

impl Verdict {
    /// The rule of the measurement model, the same for every kind of length: by blur spots and by pixels, the worse of the two.
    #[must_use]
    pub fn of(length: Um, blur_spot: Um, length_in_picture: Px) -> Self {
        let (spots, px) = (length / blur_spot, length_in_picture.get());
        if spots >= 2.0 && px >= 6.0 {
            Self::Resolved
        } else if spots >= 1.0 && px >= 3.0 {
            Self::Marginal
        } else {
            Self::NotResolved
        }
    }

    /// The words for tables and JSON.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Resolved => "resolved",
            Self::Marginal => "marginal",
            Self::NotResolved => "not resolved",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_limits_count() {
        let of = |um: f64, w: f64, px: f64| Verdict::of(Um::new(um), Um::new(w), Px::new(px));
        assert_eq!(of(20.0, 10.0, 6.0), Verdict::Resolved);
        assert_eq!(of(20.0, 10.0, 5.9), Verdict::Marginal);
        assert_eq!(of(19.9, 10.0, 60.0), Verdict::Marginal);
        assert_eq!(of(200.0, 10.0, 2.9), Verdict::NotResolved);
        assert_eq!(of(9.9, 10.0, 60.0), Verdict::NotResolved);
        assert_eq!(of(f64::NAN, 10.0, 60.0), Verdict::NotResolved);
    }
}
