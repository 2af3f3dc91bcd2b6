//! Inks and the palette.

/// A colour with opacity, sRGB.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ink {
    /// Red, 0 to 255.
    pub red: u8,
    /// Green, 0 to 255.
    pub green: u8,
    /// Blue, 0 to 255.
    pub blue: u8,
    /// Opacity, 0 (nothing) to 255.
    pub alpha: u8,
}

impl Ink {
    /// Black.
    pub const BLACK: Self = Self::rgb(0, 0, 0);
    /// White.
    pub const WHITE: Self = Self::rgb(255, 255, 255);

    /// An opaque colour.
    #[must_use]
    pub const fn rgb(red: u8, green: u8, blue: u8) -> Self {
        Self { red, green, blue, alpha: 255 }
    }

    /// The same colour at another opacity.
    #[must_use]
    pub const fn with_alpha(self, alpha: u8) -> Self {
        Self { alpha, ..self }
    }
}

/// Colours that people with any kind of colour vision tell apart.
///
/// # Source
/// M. Okabe and K. Ito, Color Universal Design, 2008: eight colours chosen for protan, deutan and tritan vision.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    /// Blue.
    Blue,
    /// Vermilion.
    Vermilion,
    /// Bluish green.
    Green,
    /// Orange.
    Orange,
    /// Sky blue.
    Sky,
    /// Reddish purple.
    Purple,
    /// Black.
    Black,
    /// A grey for what stands back.
    Grey,
}

impl Tone {
    /// The order in which unnamed series take their colours.
    pub const ORDER: [Self; 6] = [Self::Blue, Self::Vermilion, Self::Green, Self::Purple, Self::Orange, Self::Sky];

    /// As an opaque ink on white.
    #[must_use]
    pub const fn ink(self) -> Ink {
        match self {
            Self::Blue => Ink::rgb(0, 114, 178),
            Self::Vermilion => Ink::rgb(213, 94, 0),
            Self::Green => Ink::rgb(0, 158, 115),
            Self::Orange => Ink::rgb(230, 159, 0),
            Self::Sky => Ink::rgb(86, 180, 233),
            Self::Purple => Ink::rgb(204, 121, 167),
            Self::Black => Ink::rgb(30, 30, 30),
            Self::Grey => Ink::rgb(128, 128, 128),
        }
    }
}
