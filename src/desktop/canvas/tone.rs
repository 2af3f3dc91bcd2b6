//! Tone and channel of what is shown. It changes what is drawn, never what is measured.

/// Which part of the colours is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum ShownChannel {
    /// All of them.
    #[default]
    Colours,
    /// Red as grey.
    Red,
    /// Green as grey.
    Green,
    /// Blue as grey.
    Blue,
    /// Their weighted mean as grey.
    Grey,
}

impl ShownChannel {
    /// All, in the order of the menu.
    pub const ALL: [Self; 5] = [Self::Colours, Self::Grey, Self::Red, Self::Green, Self::Blue];

    /// The word for menus.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Colours => "colours",
            Self::Red => "red",
            Self::Green => "green",
            Self::Blue => "blue",
            Self::Grey => "grey",
        }
    }
}

/// How the picture is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToneView {
    /// Brightness, −1 to 1: added to the code, in halves of the full range.
    pub brightness: f32,
    /// Contrast about the middle: 0 as recorded, −1 flat, 1 four times.
    pub contrast: f32,
    /// Dark and bright exchanged.
    pub inverted: bool,
    /// Which part of the colours.
    pub channel: ShownChannel,
}

impl Default for ToneView {
    fn default() -> Self {
        Self { brightness: 0.0, contrast: 0.0, inverted: false, channel: ShownChannel::Colours }
    }
}

impl ToneView {
    /// True where codes are shown as they are.
    #[must_use]
    pub fn is_plain(&self) -> bool {
        *self == Self::default()
    }

    /// What is shown for each code.
    #[must_use]
    pub fn table(&self) -> [u8; 256] {
        let slope = if self.contrast >= 0.0 { 1.0 + 3.0 * self.contrast } else { 1.0 + self.contrast };
        let mut table = [0; 256];
        for (code, shown) in table.iter_mut().enumerate() {
            let v = code as f32 / 255.0;
            let v = (v - 0.5) * slope + 0.5 + 0.5 * self.brightness;
            let v = if self.inverted { 1.0 - v } else { v };
            *shown = (255.0 * v).round().clamp(0.0, 255.0) as u8;
        }
        table
    }

    /// What is shown for a pixel.
    #[must_use]
    pub fn shown(&self, table: &[u8; 256], [r, g, b]: [u8; 3]) -> [u8; 3] {
        let of = |code: u8| table[usize::from(code)];
        match self.channel {
            ShownChannel::Colours => [of(r), of(g), of(b)],
            ShownChannel::Red => [of(r); 3],
            ShownChannel::Green => [of(g); 3],
            ShownChannel::Blue => [of(b); 3],
            // Weights of ITU-R BT.709 in 1/256, on the codes: for looking at only.
            ShownChannel::Grey => {
                [of(((54 * u32::from(r) + 183 * u32::from(g) + 19 * u32::from(b) + 128) >> 8).min(255) as u8); 3]
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_plain_view_changes_nothing() {
        let table = ToneView::default().table();
        assert!((0..=255_u8).all(|c| table[usize::from(c)] == c));
        let view = ToneView::default();
        assert_eq!(view.shown(&table, [1, 2, 3]), [1, 2, 3]);
    }

    #[test]
    fn tone_goes_the_way_it_says() {
        let at = |view: ToneView, code: usize| view.table()[code];
        assert!(at(ToneView { brightness: 0.5, ..ToneView::default() }, 100) > 100);
        assert!(at(ToneView { contrast: 0.5, ..ToneView::default() }, 100) < 100);
        assert_eq!(at(ToneView { inverted: true, ..ToneView::default() }, 0), 255);
        assert!((at(ToneView { contrast: -1.0, ..ToneView::default() }, 0) as i32 - 128).abs() <= 1);
        let grey = ToneView { channel: ShownChannel::Grey, ..ToneView::default() };
        assert_eq!(grey.shown(&grey.table(), [255, 255, 255]), [255, 255, 255]);
        let red = ToneView { channel: ShownChannel::Red, ..ToneView::default() };
        assert_eq!(red.shown(&red.table(), [7, 2, 3]), [7, 7, 7]);
    }
}
