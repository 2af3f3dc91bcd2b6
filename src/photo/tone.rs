//! Tone curves: from recorded codes to linear light.

/// How codes stand for light, both 0 to 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Transfer {
    /// IEC 61966-2-1, what cameras and screens use unless told otherwise.
    #[default]
    Srgb,
    /// The code is the light.
    Linear,
    /// Light is the code to this power.
    Gamma(f64),
}

impl Transfer {
    /// The light that a code between 0 and 1 stands for, exactly by the formula.
    ///
    /// # Source
    /// IEC 61966-2-1:1999, clause 5.2: below 0.04045 the code over 12.92, else ((code + 0.055) / 1.055)^2.4.
    #[must_use]
    pub fn light(self, code: f64) -> f64 {
        match self {
            Self::Srgb if code <= 0.04045 => code / 12.92,
            Self::Srgb => ((code + 0.055) / 1.055).powf(2.4),
            Self::Linear => code,
            Self::Gamma(exponent) => code.powf(exponent),
        }
    }

    /// The code for an amount of light between 0 and 1, the inverse of [`Transfer::light`].
    #[must_use]
    pub fn code(self, light: f64) -> f64 {
        match self {
            Self::Srgb if light <= 0.003_130_8 => light * 12.92,
            Self::Srgb => 1.055 * light.powf(1.0 / 2.4) - 0.055,
            Self::Linear => light,
            Self::Gamma(exponent) => light.powf(1.0 / exponent),
        }
    }

    /// A power that stands for itself; near 1 it is [`Transfer::Linear`].
    pub(super) fn power(exponent: f64) -> Self {
        if (exponent - 1.0).abs() < 0.005 { Self::Linear } else { Self::Gamma(exponent) }
    }

    /// `weight` times the light for each of `N` equally spaced codes, rounded once to `f32`.
    pub(super) fn table<const N: usize>(self, weight: f64) -> Box<[f32]> {
        let full = (N - 1) as f64;
        (0..N).map(|i| (weight * self.light(i as f64 / full)) as f32).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn srgb_is_the_standard_curve() {
        // Mid grey 118 of 255 is 18 % reflectance within half a code; 188 is half the light (IEC 61966-2-1).
        assert!((Transfer::Srgb.light(118.0 / 255.0) - 0.181_164_24).abs() < 1e-8);
        assert!((Transfer::Srgb.light(188.0 / 255.0) - 0.502_886_5).abs() < 1e-7);
        // The two branches meet within 1e-7 of light.
        let below = Transfer::Srgb.light(0.04045);
        let above = Transfer::Srgb.light(0.040_450_01);
        assert!((above - below).abs() < 2e-8, "{below} {above}");
        for transfer in [Transfer::Srgb, Transfer::Linear, Transfer::Gamma(1.8)] {
            for i in 0..=255 {
                let code = f64::from(i) / 255.0;
                assert!((transfer.code(transfer.light(code)) - code).abs() < 1e-7, "{transfer:?} {code}");
            }
            assert_eq!(transfer.light(1.0), 1.0);
            assert_eq!(transfer.light(0.0), 0.0);
        }
    }
}
