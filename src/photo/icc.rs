//! As much of an embedded colour profile as matters for light: its name and its tone curve.
//!
//! Source: ICC.1:2022, clauses 7.2, 7.3, 10.6 (curveType), 10.18 (parametricCurveType), 10.15 (multiLocalizedUnicodeType).

use super::tone::Transfer;

/// A profile's name and the transfer that stands for its curve.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Profile {
    pub(super) name: String,
    /// `None` when the curve could not be read or is neither that of sRGB nor a power.
    pub(super) transfer: Option<Transfer>,
}

/// Largest departure in linear light at which a curve still counts as another one.
const SAME_CURVE: f64 = 0.003;

impl Profile {
    /// Reads the profile; `None` when it is none.
    pub(super) fn read(icc: &[u8]) -> Option<Self> {
        if icc.get(36..40)? != b"acsp" {
            return None;
        }
        let name = tag(icc, b"desc").and_then(text).unwrap_or_else(|| "without a name".to_owned());
        let curve = [b"gTRC", b"kTRC", b"rTRC"].into_iter().find_map(|t| tag(icc, t)).and_then(Curve::read);
        let transfer = curve.and_then(|curve| {
            let exponent = curve.light(0.5).ln() / 0.5_f64.ln();
            let candidates = [Transfer::Srgb, Transfer::power(exponent)];
            candidates.into_iter().find(|t| {
                (0..=64).map(|i| f64::from(i) / 64.0).all(|x| (curve.light(x) - t.light(x)).abs() < SAME_CURVE)
            })
        });
        Some(Self { name, transfer })
    }

    /// True for the profile that is assumed without one.
    pub(super) fn is_srgb(&self) -> bool {
        self.transfer == Some(Transfer::Srgb) && self.name.to_ascii_lowercase().contains("srgb")
    }
}

fn u32_at(bytes: &[u8], at: usize) -> Option<usize> {
    let b = bytes.get(at..at.checked_add(4)?)?;
    Some(b.iter().fold(0, |acc, b| acc << 8 | usize::from(*b)))
}

fn u16_at(bytes: &[u8], at: usize) -> Option<u16> {
    bytes.get(at..at.checked_add(2)?).map(|b| u16::from(b[0]) << 8 | u16::from(b[1]))
}

fn tag<'a>(icc: &'a [u8], signature: &[u8; 4]) -> Option<&'a [u8]> {
    let count = u32_at(icc, 128)?.min(256);
    (0..count).map(|i| 132 + 12 * i).find(|at| icc.get(*at..at + 4) == Some(signature)).and_then(|at| {
        let (offset, size) = (u32_at(icc, at + 4)?, u32_at(icc, at + 8)?);
        icc.get(offset..offset.checked_add(size)?)
    })
}

fn text(tag: &[u8]) -> Option<String> {
    let text = match tag.get(..4)? {
        b"desc" => String::from_utf8_lossy(tag.get(12..12 + u32_at(tag, 8)?)?).into_owned(),
        b"mluc" => {
            let (length, offset) = (u32_at(tag, 20)?, u32_at(tag, 24)?);
            let units: Vec<u16> = tag
                .get(offset..offset.checked_add(length)?)?
                .as_chunks::<2>()
                .0
                .iter()
                .map(|b| u16::from_be_bytes(*b))
                .collect();
            String::from_utf16_lossy(&units)
        }
        _ => return None,
    };
    let clean: String = text.chars().filter(|c| !c.is_control()).take(80).collect();
    (!clean.trim().is_empty()).then(|| clean.trim().to_owned())
}

enum Curve {
    Identity,
    Table(Vec<u16>),
    /// Exponent, then a to f, in the order of the fullest form (function type 4).
    Parametric([f64; 7]),
}

impl Curve {
    fn read(tag: &[u8]) -> Option<Self> {
        let fixed = |at: usize| Some((u32_at(tag, at)? as u32).cast_signed() as f64 / 65_536.0);
        match tag.get(..4)? {
            b"curv" => match u32_at(tag, 8)? {
                0 => Some(Self::Identity),
                1 => Some(Self::Parametric([f64::from(u16_at(tag, 12)?) / 256.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0])),
                n => (0..n.min(65_536)).map(|i| u16_at(tag, 12 + 2 * i)).collect::<Option<Vec<_>>>().map(Self::Table),
            },
            b"para" => {
                let p = |i: usize| fixed(12 + 4 * i);
                Some(Self::Parametric(match u16_at(tag, 8)? {
                    0 => [p(0)?, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0],
                    3 => [p(0)?, p(1)?, p(2)?, p(3)?, p(4)?, 0.0, 0.0],
                    4 => [p(0)?, p(1)?, p(2)?, p(3)?, p(4)?, p(5)?, p(6)?],
                    _ => return None,
                }))
            }
            _ => None,
        }
    }

    fn light(&self, x: f64) -> f64 {
        match self {
            Self::Identity => x,
            Self::Table(table) => {
                let at = x * (table.len() - 1) as f64;
                let i = (at.floor() as usize).min(table.len() - 2);
                let (a, b) = (f64::from(table[i]), f64::from(table[i + 1]));
                (a + (b - a) * (at - i as f64)) / 65_535.0
            }
            Self::Parametric([g, a, b, c, d, e, f]) => {
                if x >= *d {
                    (a * x + b).max(0.0).powf(*g) + e
                } else {
                    c * x + f
                }
            }
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A profile with a name and one curve tag.
    pub(in super::super) fn profile(name: &str, curve: &[u8]) -> Vec<u8> {
        let mut icc = vec![0_u8; 128];
        icc[36..40].copy_from_slice(b"acsp");
        let mut desc = b"desc\0\0\0\0".to_vec();
        desc.extend((name.len() as u32 + 1).to_be_bytes());
        desc.extend(name.bytes());
        desc.push(0);
        icc.extend(2_u32.to_be_bytes());
        let first = 132 + 24;
        for (signature, offset, size) in [(b"desc", first, desc.len()), (b"gTRC", first + desc.len(), curve.len())] {
            icc.extend(signature);
            icc.extend((offset as u32).to_be_bytes());
            icc.extend((size as u32).to_be_bytes());
        }
        icc.extend(desc);
        icc.extend(curve);
        icc
    }

    pub(in super::super) fn gamma_curve(exponent: f64) -> Vec<u8> {
        let mut curve = b"curv\0\0\0\0\0\0\0\x01".to_vec();
        curve.extend(((exponent * 256.0).round() as u16).to_be_bytes());
        curve
    }

    #[test]
    fn powers_lines_and_srgb_are_told_apart() {
        let wide = Profile::read(&profile("Wide 1998", &gamma_curve(2.199_218_75))).unwrap();
        assert_eq!(wide.name, "Wide 1998");
        assert!(matches!(wide.transfer, Some(Transfer::Gamma(g)) if (g - 2.199_218_75).abs() < 1e-9));
        assert!(!wide.is_srgb());
        let linear = Profile::read(&profile("linear", b"curv\0\0\0\0\0\0\0\0")).unwrap();
        assert_eq!(linear.transfer, Some(Transfer::Linear));
        // sRGB as a parametric curve of type 3 (IEC 61966-2-1).
        let mut srgb = b"para\0\0\0\0\0\x03\0\0".to_vec();
        for v in [2.4, 1.0 / 1.055, 0.055 / 1.055, 1.0 / 12.92, 0.04045] {
            srgb.extend(((v * 65_536.0_f64).round() as i32).to_be_bytes());
        }
        assert!(Profile::read(&profile("sRGB v4", &srgb)).unwrap().is_srgb());
        // And as a table of 1024.
        let mut table = b"curv\0\0\0\0\0\0\x04\0".to_vec();
        for i in 0..1024 {
            table.extend(((Transfer::Srgb.light(f64::from(i) / 1023.0) * 65_535.0).round() as u16).to_be_bytes());
        }
        assert!(Profile::read(&profile("sRGB", &table)).unwrap().is_srgb());
    }

    #[test]
    fn a_curve_that_is_no_power_is_not_taken_for_one() {
        let mut table = b"curv\0\0\0\0\0\0\x01\0".to_vec();
        for i in 0..256 {
            let x = f64::from(i) / 255.0;
            table.extend(((x * x * (3.0 - 2.0 * x) * 65_535.0) as u16).to_be_bytes());
        }
        assert_eq!(Profile::read(&profile("scanner", &table)).unwrap().transfer, None);
    }

    #[test]
    fn cut_profiles_do_no_harm() {
        let whole = profile("cut", &gamma_curve(1.8));
        for n in 0..whole.len() {
            let _read = Profile::read(&whole[..n]);
        }
    }
}
