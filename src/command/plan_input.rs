//! Reading what people type after the options of `plan`.

use super::parse;
use crate::optics::Spectrum;
use crate::optics::planner::Exposure;
use crate::units::Um;

/// Blur accepted as sharp.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Accepted {
    /// In recorded pixels.
    Pixels(f64),
    /// As a length on the sensor.
    OnSensor(Um),
}

impl Accepted {
    pub(super) fn in_px(self, pitch: Um) -> f64 {
        match self {
            Self::Pixels(px) => px,
            Self::OnSensor(length) => length / pitch,
        }
    }
}

/// `2`, `2px` or `18um`.
pub(super) fn accepted_blur(text: &str) -> Result<Accepted, String> {
    let plain = text.trim().trim_end_matches("px").trim();
    match plain.parse::<f64>() {
        Ok(_) => parse::positive(plain).map(Accepted::Pixels),
        Err(_not_a_number) => parse::length(text).map(Accepted::OnSensor),
    }
}

/// One aperture. A comma could part two of them or stand for the decimal point, so it is neither.
pub(super) fn f_number(text: &str) -> Result<f64, String> {
    if text.contains(',') {
        return Err("write a decimal point as 2.8, and several apertures with spaces between them".to_owned());
    }
    parse::positive(text)
}

/// A share, as `0.3%` or `0.003`, below 10 %.
pub(super) fn relative(text: &str) -> Result<f64, String> {
    let plain = text.trim();
    let value = match plain.strip_suffix('%') {
        Some(percent) => 0.01 * parse::positive(percent)?,
        None => parse::positive(plain)?,
    };
    if value < 0.1 { Ok(value) } else { Err(format!("{text} must be below 10 %; write 0.3% or 0.003")) }
}

/// `1/250` or `0.004`.
pub(super) fn seconds(text: &str) -> Result<f64, String> {
    let wrong = || format!("\"{text}\" is no time; write seconds as 1/250 or 0.004");
    let plain = text.trim().trim_end_matches('s').trim();
    let value = match plain.split_once('/') {
        Some((top, bottom)) => {
            top.trim().parse::<f64>().map_err(|_e| wrong())? / bottom.trim().parse::<f64>().map_err(|_e| wrong())?
        }
        None => plain.replace(',', ".").parse().map_err(|_e| wrong())?,
    };
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err(wrong()) }
}

/// Aperture, seconds and ISO.
pub(super) fn exposure(text: &str) -> Result<Exposure, String> {
    let parts: Vec<&str> = text.split_whitespace().collect();
    let [aperture, shutter, iso] = parts.as_slice() else {
        return Err(format!("\"{text}\" needs aperture, seconds and ISO, as \"8 1/60 400\""));
    };
    Ok(Exposure { aperture: parse::positive(aperture)?, shutter_s: seconds(shutter)?, iso: parse::positive(iso)? })
}

/// Wavelengths with weights, as `0.45um:1 0.55um:2`.
pub(super) fn spectrum(text: &str) -> Result<Spectrum, String> {
    let lines: Vec<(Um, f64)> = text
        .split_whitespace()
        .map(|line| {
            let (wavelength, weight) = line.split_once(':').unwrap_or((line, "1"));
            Ok((parse::length(wavelength)?, parse::positive(weight)?))
        })
        .collect::<Result<_, String>>()?;
    Spectrum::weighted(&lines).map_err(|e| e.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_exposures_as_people_write_them() {
        assert_eq!(seconds("1/250"), Ok(0.004));
        assert_eq!(seconds("0,5 s"), Ok(0.5));
        assert!(seconds("fast").is_err() && seconds("0").is_err() && seconds("1/0").is_err());
        let e = exposure("f/8 1/60 400").expect("reads");
        assert_eq!((e.aperture, e.iso), (8.0, 400.0));
        assert!(exposure("8 1/60").unwrap_err().contains("ISO"));
    }

    #[test]
    fn blur_shares_spectra_and_apertures() {
        assert_eq!(accepted_blur("2"), Ok(Accepted::Pixels(2.0)));
        assert_eq!(accepted_blur("2.5 px"), Ok(Accepted::Pixels(2.5)));
        assert_eq!(accepted_blur("18um"), Ok(Accepted::OnSensor(Um::new(18.0))));
        assert_eq!(Accepted::OnSensor(Um::new(18.0)).in_px(Um::new(3.0)), 6.0);
        assert!(accepted_blur("-2").is_err() && accepted_blur("soft").is_err());
        assert!((relative("0.3%").expect("reads") - 0.003).abs() < 1e-15);
        assert!((relative("0.003").expect("reads") - 0.003).abs() < 1e-15);
        assert!(relative("0.3").unwrap_err().contains("below 10 %"));
        assert_eq!(spectrum("0.45um:1 0.55um:3").expect("reads").mean(), Um::new(0.525));
        assert!(spectrum("").is_err() && spectrum("blue").is_err());
        assert_eq!(f_number("f/2.8"), Ok(2.8));
        assert!(f_number("4,8").is_err());
    }
}
