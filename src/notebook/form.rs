//! How single values stand in the file where serde's own way would lose something.

use crate::animal::Lying;
use crate::units::Angle;

/// Keys of other programs or later versions, kept as they are.
pub type Unknown = serde_json::Map<String, serde_json::Value>;

/// How the animal lies, in the words of the command line: `flat`, `within:15`, `tilt:20`, `unknown`.
///
/// # Errors
/// What is wrong with the text.
pub(super) fn lying_of(text: &str) -> Result<Lying, String> {
    let angle = |degrees: &str| match degrees.parse::<f64>() {
        Ok(d) if d > 0.0 && d < 90.0 => Ok(Angle::from_degrees(d)),
        _ => Err(format!("the angle in \"{text}\" must be above 0 and below 90, in degrees")),
    };
    match text.split_once(':') {
        None if text == "flat" => Ok(Lying::Flat),
        None if text == "unknown" => Ok(Lying::Unknown),
        Some(("within", a)) => angle(a).map(Lying::Within),
        Some(("tilt", a)) => angle(a).map(Lying::Tilt),
        _ => Err(format!("\"{text}\" is none of flat, within:20, tilt:20, unknown")),
    }
}

/// Lying as text.
pub(super) mod lying {
    use serde::{Deserialize, Deserializer, Serializer};

    use crate::animal::Lying;

    pub(in crate::notebook) fn serialize<S: Serializer>(lying: &Lying, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(lying)
    }

    pub(in crate::notebook) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Lying, D::Error> {
        let text = String::deserialize(deserializer)?;
        super::lying_of(&text).map_err(serde::de::Error::custom)
    }
}

/// Degrees of freedom: a number, or `"INF"` as the tables have it, since JSON has no infinity.
pub(super) mod dof {
    use serde::{Deserialize, Deserializer, Serializer};

    pub(in crate::notebook) const INFINITE: &str = "INF";

    #[derive(Deserialize)]
    #[serde(untagged)]
    enum Dof<'a> {
        Number(f64),
        Word(std::borrow::Cow<'a, str>),
    }

    pub(in crate::notebook) fn serialize<S: Serializer>(dof: &Option<f64>, serializer: S) -> Result<S::Ok, S::Error> {
        match dof {
            Some(v) if *v == f64::INFINITY => serializer.serialize_str(INFINITE),
            Some(v) => serializer.serialize_f64(*v),
            None => serializer.serialize_none(),
        }
    }

    pub(in crate::notebook) fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Option<f64>, D::Error> {
        match Option::<Dof<'_>>::deserialize(deserializer)? {
            None => Ok(None),
            Some(Dof::Number(v)) => Ok(Some(v)),
            Some(Dof::Word(word)) if word == INFINITE => Ok(Some(f64::INFINITY)),
            Some(Dof::Word(word)) => {
                Err(serde::de::Error::custom(format!("degrees of freedom are \"{word}\", must be a number or \"INF\"")))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lying_comes_back_as_it_was_typed() {
        for text in ["flat", "unknown", "within:15", "tilt:7.5", "within:0.1"] {
            assert_eq!(lying_of(text).unwrap().to_string(), text);
        }
        for text in ["", "flat:3", "within", "within:x", "tilt:0", "tilt:90", "within:-3", "within:NaN"] {
            assert!(lying_of(text).is_err(), "{text}");
        }
        // Degrees as typed survive exactly: the figures computed from them are the same.
        for i in 1..800 {
            let typed = Lying::Within(Angle::from_degrees(f64::from(i) * 0.1));
            assert_eq!(lying_of(&typed.to_string()).unwrap().to_string(), typed.to_string());
        }
    }
}
