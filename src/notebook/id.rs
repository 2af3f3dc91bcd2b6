//! Names of things that never change: `a17` is the same animal for as long as the notebook lives.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest, Sha256};

macro_rules! id {
    ($(#[$doc:meta])* $name:ident, $letter:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(u64);

        impl $name {
            /// The one with this number; numbers come from [`Notebook::next_number`](super::Notebook::next_number).
            #[must_use]
            pub const fn new(number: u64) -> Self {
                Self(number)
            }

            /// Its number.
            #[must_use]
            pub const fn number(self) -> u64 {
                self.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}{}", $letter, self.0)
            }
        }

        impl FromStr for $name {
            type Err = String;
            fn from_str(text: &str) -> Result<Self, String> {
                numbered(text, $letter).map(Self)
            }
        }

        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                deserializer.deserialize_str(Numbered($letter)).map(Self)
            }
        }

        #[cfg(test)]
        impl schemars::JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }

            fn json_schema(_generator: &mut schemars::SchemaGenerator) -> schemars::Schema {
                schemars::json_schema!({ "type": "string", "pattern": concat!("^", $letter, "[1-9][0-9]*$") })
            }
        }
    };
}

id!(
    /// A picture of a notebook.
    PictureId,
    "p"
);
id!(
    /// A setup as it was when something was measured with it.
    SetupId,
    "s"
);
id!(
    /// An animal.
    AnimalId,
    "a"
);
id!(
    /// A measurement.
    MeasurementId,
    "m"
);

fn numbered(text: &str, letter: &'static str) -> Result<u64, String> {
    let number = text.strip_prefix(letter).and_then(|n| n.parse().ok()).filter(|n: &u64| *n > 0);
    number.ok_or_else(|| format!("\"{text}\" is no id; it must be {letter} and a number, as {letter}12"))
}

/// Reads an id without keeping its text.
struct Numbered(&'static str);

impl serde::de::Visitor<'_> for Numbered {
    type Value = u64;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "an id such as {}12", self.0)
    }

    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<u64, E> {
        numbered(text, self.0).map_err(E::custom)
    }
}

/// The notebook itself, unlike any other: a UUID.
#[derive(Clone, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(transparent)]
pub struct NotebookId(String);

impl NotebookId {
    /// From what the caller has of randomness, time and place; the same seed gives the same id.
    #[must_use]
    pub fn of_seed(seed: &[u8]) -> Self {
        Self(uuid(&[b"motestick notebook", seed]))
    }

    /// As text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The world-wide id of something in the notebook, for tables that leave it: the same each time.
    ///
    /// # Source
    /// RFC 9562, section 5.8 (UUID version 8) with the name-based construction of its appendix B.2.
    #[must_use]
    pub fn global(&self, local: &str) -> String {
        format!("urn:uuid:{}", uuid(&[self.0.as_bytes(), local.as_bytes()]))
    }
}

impl fmt::Display for NotebookId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

fn uuid(parts: &[&[u8]]) -> String {
    let mut hash = Sha256::new();
    for part in parts {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part);
    }
    let digest = hash.finalize();
    let mut b = [0_u8; 16];
    b.copy_from_slice(&digest[..16]);
    b[6] = b[6] & 0x0f | 0x80;
    b[8] = b[8] & 0x3f | 0x80;
    let hex: String = b.iter().map(|v| format!("{v:02x}")).collect();
    format!("{}-{}-{}-{}-{}", &hex[..8], &hex[8..12], &hex[12..16], &hex[16..20], &hex[20..])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_are_a_letter_and_a_number() {
        assert_eq!(AnimalId::new(17).to_string(), "a17");
        assert_eq!("m3".parse::<MeasurementId>().unwrap(), MeasurementId::new(3));
        for bad in ["", "a", "a0", "m3", "a-1", "a1x", "A1"] {
            assert!(bad.parse::<AnimalId>().is_err(), "{bad}");
        }
        assert_eq!(serde_json::to_string(&PictureId::new(2)).unwrap(), "\"p2\"");
        assert!(serde_json::from_str::<PictureId>("\"a2\"").unwrap_err().to_string().contains("as p12"));
    }

    #[test]
    fn world_wide_ids_are_stable_and_distinct() {
        let (one, other) = (NotebookId::of_seed(b"1"), NotebookId::of_seed(b"2"));
        assert_eq!(one.global("a1"), one.global("a1"));
        assert_ne!(one.global("a1"), one.global("a2"));
        assert_ne!(one.global("a1"), other.global("a1"));
        // RFC 9562: version nibble 8, variant bits 10.
        let bytes = one.as_str().as_bytes();
        assert_eq!((bytes.len(), bytes[14]), (36, b'8'));
        assert!(b"89ab".contains(&bytes[19]), "{one}");
    }
}
