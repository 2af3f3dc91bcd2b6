//! Why an optical figure cannot be given.

/// Why an optical figure cannot be given.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum OpticsError {
    /// An input is not a finite number within its limits.
    #[error("{name} is {value}{unit}, must be {limits}{unit}")]
    OutOfRange {
        /// What was given, in plain words.
        name: &'static str,
        /// The number given.
        value: f64,
        /// Its unit with a leading space, or empty.
        unit: &'static str,
        /// The limits in words.
        limits: &'static str,
    },
    /// The light's spectrum has no usable weights.
    #[error("the spectrum has no wavelength of positive weight, give at least one such as 0.55 µm with weight 1")]
    EmptySpectrum,
    /// A plan without an aperture.
    #[error("no aperture is given, name at least one such as 8")]
    NoAperture,
    /// No lens takes in light beyond a right angle.
    #[error(
        "{aperture} has a numerical aperture of {na:.3}, which is not below the refractive index {index} of the medium around the animal; check aperture and magnification, or state the medium (1.333 for water, 1.515 for oil)"
    )]
    BeyondMedium {
        /// The aperture in words.
        aperture: String,
        /// Its numerical aperture.
        na: f64,
        /// Refractive index of the medium.
        index: f64,
    },
    /// The lens is of a kind that has no marked aperture.
    #[error(
        "{lens} has no marked aperture that could be used, give its numerical aperture or the effective aperture instead of {aperture}"
    )]
    NoMarkedAperture {
        /// The kind of lens in words.
        lens: &'static str,
        /// The aperture in words.
        aperture: String,
    },
    /// One part of the blur is so much larger than diffraction that the response cannot be computed.
    #[error(
        "the blur of {largest_um:.0} µm is more than {limit} times the diffraction length of {diffraction_um:.2} µm, check movement, shutter and defocus"
    )]
    BlurTooLarge {
        /// Largest part, µm.
        largest_um: f64,
        /// Diffraction length, µm.
        diffraction_um: f64,
        /// The limit on their ratio.
        limit: f64,
    },
}

/// `value` when it is finite and above zero and at most `max`.
pub(crate) fn positive(
    name: &'static str,
    value: f64,
    unit: &'static str,
    max: f64,
    limits: &'static str,
) -> Result<f64, OpticsError> {
    if value.is_finite() && value > 0.0 && value <= max {
        Ok(value)
    } else {
        Err(OpticsError::OutOfRange { name, value, unit, limits })
    }
}

/// `value` when it is finite and not negative.
pub(crate) fn not_negative(name: &'static str, value: f64, unit: &'static str) -> Result<f64, OpticsError> {
    if value.is_finite() && value >= 0.0 {
        Ok(value)
    } else {
        Err(OpticsError::OutOfRange { name, value, unit, limits: "finite and at least 0" })
    }
}
