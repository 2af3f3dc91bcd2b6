//! Newtypes for lengths, scales and angles.

use std::fmt;
use std::ops::{Add, Div, Mul, Neg, Sub};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// From a number in the unit that the type names.
            #[must_use]
            pub const fn new(value: f64) -> Self {
                Self(value)
            }

            /// The number in the unit that the type names.
            #[must_use]
            pub const fn get(self) -> f64 {
                self.0
            }

            /// True when neither infinite nor NaN.
            #[must_use]
            pub const fn is_finite(self) -> bool {
                self.0.is_finite()
            }
        }

        impl Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self(self.0 + other.0)
            }
        }

        impl Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self(self.0 - other.0)
            }
        }

        impl Neg for $name {
            type Output = Self;
            fn neg(self) -> Self {
                Self(-self.0)
            }
        }

        impl Mul<f64> for $name {
            type Output = Self;
            fn mul(self, factor: f64) -> Self {
                Self(self.0 * factor)
            }
        }

        impl Div<f64> for $name {
            type Output = Self;
            fn div(self, divisor: f64) -> Self {
                Self(self.0 / divisor)
            }
        }

        impl Div for $name {
            type Output = f64;
            fn div(self, other: Self) -> f64 {
                self.0 / other.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                f.write_str($unit)
            }
        }
    };
}

quantity!(
    /// A length in the picture, in pixels.
    Px,
    " px"
);
quantity!(
    /// A length on the specimen or on the slide, in micrometres.
    Um,
    " µm"
);
quantity!(
    /// A scale: pixels of the picture per micrometre on the specimen.
    PxPerUm,
    " px/µm"
);
quantity!(
    /// An angle in radians.
    Angle,
    " rad"
);

impl Angle {
    /// From degrees.
    #[must_use]
    pub fn from_degrees(degrees: f64) -> Self {
        Self::new(degrees.to_radians())
    }

    /// In degrees.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.get().to_degrees()
    }
}

impl Um {
    /// From millimetres.
    #[must_use]
    pub fn from_mm(mm: f64) -> Self {
        Self::new(mm * 1000.0)
    }

    /// In millimetres.
    #[must_use]
    pub fn mm(self) -> f64 {
        self.get() / 1000.0
    }
}

impl Mul<PxPerUm> for Um {
    type Output = Px;
    fn mul(self, scale: PxPerUm) -> Px {
        Px::new(self.get() * scale.get())
    }
}

impl Div<PxPerUm> for Px {
    type Output = Um;
    fn div(self, scale: PxPerUm) -> Um {
        Um::new(self.get() / scale.get())
    }
}

impl Div<Um> for Px {
    type Output = PxPerUm;
    fn div(self, length: Um) -> PxPerUm {
        PxPerUm::new(self.get() / length.get())
    }
}

impl PxPerUm {
    /// The same scale as people often write it, µm per pixel.
    #[must_use]
    pub fn um_per_px(self) -> f64 {
        1.0 / self.get()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_known_scale_converts_the_right_way_round() {
        // 4x on 3.72 µm pixels: 1 µm on the specimen covers 4 / 3.72 = 1.0753 px.
        let scale = PxPerUm::new(4.0 / 3.72);
        assert!((Um::new(100.0) * scale - Px::new(107.526_881_720)).get().abs() < 1e-8);
        assert!((Px::new(107.526_881_720) / scale - Um::new(100.0)).get().abs() < 1e-8);
        assert!((scale.um_per_px() - 0.93).abs() < 1e-12);
    }

    #[test]
    fn display_names_the_unit() {
        assert_eq!(format!("{:.2}", Um::new(1.5)), "1.50 µm");
        assert_eq!(Um::from_mm(0.01), Um::new(10.0));
    }
}
