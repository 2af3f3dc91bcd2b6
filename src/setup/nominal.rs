//! A reading held against magnification and pixel pitch.

use crate::units::PxPerUm;

/// Beyond this relative disagreement the user is told.
const TOLERANCE: f64 = 0.05;
/// How near a ratio must come to a known one to be called by it.
const NEAR: f64 = 0.06;

/// A reading that disagrees with magnification and pixel pitch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disagreement {
    /// Scale read from the slide.
    pub read: PxPerUm,
    /// Scale promised by magnification over pixel pitch.
    pub nominal: PxPerUm,
}

/// Whether a reading disagrees with the promised scale by more than 5 %.
#[must_use]
pub fn disagreement(read: PxPerUm, nominal: PxPerUm) -> Option<Disagreement> {
    let off = (read / nominal - 1.0).abs();
    (off > TOLERANCE || !off.is_finite()).then_some(Disagreement { read, nominal })
}

impl Disagreement {
    /// The larger scale over the smaller.
    #[must_use]
    pub fn ratio(&self) -> f64 {
        let r = self.read / self.nominal;
        if r < 1.0 { 1.0 / r } else { r }
    }

    /// The likely cause where the ratio is a known one.
    #[must_use]
    pub fn likely_cause(&self) -> Option<&'static str> {
        let near = |known: f64| (self.ratio() / known - 1.0).abs() <= NEAR;
        // The band about 3: usual still sensors have 2.6 to 3.4 times the pixels of 1920 px footage across.
        let video = (2.6..=3.4).contains(&self.ratio());
        if near(1.5) || near(1.6) {
            Some("the pixel pitch of another sensor format, or a crop enlarged to full size")
        } else if video {
            Some("the video size of a still sensor: the pitch must be that of the recorded pixels")
        } else if near(2.0) || near(5.0) || near(10.0) {
            Some(
                "a wrong division: the slide's graduations are 2, 5 or 10 times as far apart as stated, or the reverse",
            )
        } else {
            None
        }
    }
}

impl std::fmt::Display for Disagreement {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "the slide gives {:.4} px/µm ({:.4} µm/px) but magnification over pixel pitch gives {:.4} px/µm ({:.4} µm/px), {:.2} times {}",
            self.read.get(),
            self.read.um_per_px(),
            self.nominal.get(),
            self.nominal.um_per_px(),
            self.ratio(),
            if self.read < self.nominal { "as much" } else { "less" },
        )?;
        match self.likely_cause() {
            Some(cause) => write!(f, "; likely cause: {cause}"),
            None => f.write_str("; check magnification, pixel pitch and division"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cause(read: f64) -> Option<&'static str> {
        disagreement(PxPerUm::new(read), PxPerUm::new(1.0)).and_then(|d| d.likely_cause())
    }

    #[test]
    fn five_per_cent_is_the_limit() {
        assert_eq!(disagreement(PxPerUm::new(1.049), PxPerUm::new(1.0)), None);
        assert_eq!(disagreement(PxPerUm::new(0.951), PxPerUm::new(1.0)), None);
        assert!(disagreement(PxPerUm::new(1.06), PxPerUm::new(1.0)).is_some());
        assert!(disagreement(PxPerUm::new(0.93), PxPerUm::new(1.0)).is_some());
    }

    #[test]
    fn known_ratios_are_explained_either_way_round() {
        for (ratio, word) in [
            (1.5, "sensor format"),
            (1.6, "sensor format"),
            (3.125, "video"),
            (2.0, "division"),
            (5.0, "division"),
            (10.0, "division"),
        ] {
            for read in [ratio, 1.0 / ratio] {
                assert!(cause(read).is_some_and(|c| c.contains(word)), "{read}: {:?}", cause(read));
            }
        }
        assert_eq!(cause(1.25), None);
        assert_eq!(cause(7.0), None);
    }

    #[test]
    fn both_figures_are_named() {
        // 4x on 3.72 µm pixels promises 1.0753 px/µm; footage of 1920 of 6000 px gives 0.3441.
        let d = disagreement(PxPerUm::new(0.3441), PxPerUm::new(4.0 / 3.72)).unwrap();
        let text = d.to_string();
        assert!(text.contains("0.3441 px/µm (2.9061 µm/px)") && text.contains("1.0753 px/µm (0.9300 µm/px)"), "{text}");
        assert!(text.contains("3.12 times as much; likely cause: the video size"), "{text}");
    }
}
