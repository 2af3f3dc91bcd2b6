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
