//! What makes sense: for single records when they are put in, for a whole document when it is opened.

use std::collections::{HashMap, HashSet};

use super::document::{KeptSetup, Notebook};
use super::error::ActionError;
use super::measurement::Measurement;
use super::record::{Animal, Picture};
use crate::animal::Kind;

fn value(action: &str, what: &'static str, value: impl ToString, must_be: &'static str) -> ActionError {
    ActionError::Value { action: action.to_owned(), what, value: value.to_string(), must_be }
}

pub(super) fn picture_makes_sense(picture: &Picture, action: &str) -> Result<(), ActionError> {
    if picture.path.is_empty() {
        return Err(value(action, "the picture's path", "empty", "a file"));
    }
    if picture.width_px == 0 || picture.height_px == 0 {
        let size = format!("{} x {} px", picture.width_px, picture.height_px);
        return Err(value(action, "the picture's size", size, "above 0 both ways"));
    }
    let hex = picture.sha256.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
    if picture.sha256.len() != 64 || !hex {
        return Err(value(action, "the picture's SHA-256", &picture.sha256, "64 lower-case hexadecimal digits"));
    }
    for (what, v) in [("the blur spot in µm", picture.blur_spot_um), ("the aperture", picture.exif_aperture)] {
        if let Some(v) = v.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return Err(value(action, what, v, "a finite number above 0"));
        }
    }
    Ok(())
}

pub(super) fn setup_makes_sense(kept: &KeptSetup, action: &str) -> Result<(), ActionError> {
    if let Err(e) = kept.setup.clone().checked() {
        return Err(value(action, "the setup", e, "one that can measure"));
    }
    // JSON has no infinity and no NaN: a setup that has one would not come back.
    let back = serde_json::to_value(&kept.setup).and_then(serde_json::from_value::<crate::setup::Setup>);
    if back.is_ok_and(|back| back == kept.setup) {
        Ok(())
    } else {
        Err(value(action, "a number in the setup", "infinite or no number", "finite"))
    }
}

pub(super) fn animal_makes_sense(animal: &Animal, action: &str) -> Result<(), ActionError> {
    if animal.name.trim().is_empty() {
        return Err(value(action, "the animal's name", format!("\"{}\"", animal.name), "a few words"));
    }
    Ok(())
}

pub(super) fn measurement_makes_sense(m: &Measurement, notebook: &Notebook, action: &str) -> Result<(), ActionError> {
    let not_there = |id: String| ActionError::NotThere { action: action.to_owned(), id };
    if notebook.animal(m.animal).is_none() {
        return Err(not_there(format!("animal {}", m.animal)));
    }
    if notebook.picture(m.picture).is_none() {
        return Err(not_there(format!("picture {}", m.picture)));
    }
    if notebook.setup(m.setup).is_none() {
        return Err(not_there(format!("setup {}", m.setup)));
    }
    let member = |id| notebook.measurements.iter().find(|o| o.id == id);
    parts_make_sense(m, member, action)?;
    numbers_make_sense(m, action)
}

/// What a ratio or sum is made of is there, was measured in the same go, and is no ratio or sum itself.
fn parts_make_sense<'a>(
    m: &Measurement,
    member: impl Fn(super::MeasurementId) -> Option<&'a Measurement>,
    action: &str,
) -> Result<(), ActionError> {
    let needed = match m.kind {
        Kind::Ratio => m.of.len() == 2,
        Kind::Sum => m.of.len() >= 2,
        _ => m.of.is_empty(),
    };
    if !needed {
        let must_be = "2 for a ratio, 2 or more for a sum, 0 otherwise";
        return Err(value(action, "the number of measurements that it is made of", m.of.len(), must_be));
    }
    for part in &m.of {
        let Some(other) = member(part.measurement) else {
            let id = part.measurement.to_string();
            return Err(ActionError::NotThere { action: action.to_owned(), id });
        };
        if other.is_made_of_others() || other.id == m.id || !m.goes_with(other) {
            let must_be =
                "a length, area or angle evaluated in the same go (same picture, setup, lying and \"together\")";
            return Err(value(action, "what it is made of", other.id, must_be));
        }
    }
    Ok(())
}

fn numbers_make_sense(m: &Measurement, action: &str) -> Result<(), ActionError> {
    if m.quantity.trim().is_empty() {
        return Err(value(action, "the quantity's name", format!("\"{}\"", m.quantity), "a few words"));
    }
    if m.marks.is_empty() && !m.is_made_of_others() {
        return Err(value(action, "the number of marks", 0, "at least 1"));
    }
    if let Some(mark) = m.marks.iter().find(|k| !(k.x_px.is_finite() && k.y_px.is_finite())) {
        return Err(value(action, "a mark", format!("{}, {}", mark.x_px, mark.y_px), "finite"));
    }
    if !(m.coverage > 0.0 && m.coverage <= 0.9999) {
        return Err(value(action, "the coverage", m.coverage, "above 0 and at most 0.9999"));
    }
    Ok(())
}

/// Looks through a document that was read: ids are unique and below the next number, and whatever is referred to is there.
///
/// # Errors
/// A sentence that says what contradicts what.
pub(super) fn whole_makes_sense(notebook: &Notebook) -> Result<(), String> {
    fn ids<'a, T: 'a, I: std::hash::Hash + Eq + ToString + Copy>(
        list: &'a [T],
        id: impl Fn(&'a T) -> (I, u64),
        next: u64,
    ) -> Result<HashSet<I>, String> {
        let mut seen = HashSet::with_capacity(list.len());
        for item in list {
            let (id, number) = id(item);
            if !seen.insert(id) {
                return Err(format!("the id {} is there twice", id.to_string()));
            }
            if number >= next {
                return Err(format!("the id {} is not below next_number, {next}", id.to_string()));
            }
        }
        Ok(seen)
    }
    let next = notebook.next_number;
    let setups = ids(&notebook.setups, |s| (s.id, s.id.number()), next)?;
    let pictures = ids(&notebook.pictures, |p| (p.id, p.id.number()), next)?;
    let animals = ids(&notebook.animals, |a| (a.id, a.id.number()), next)?;
    ids(&notebook.measurements, |m| (m.id, m.id.number()), next)?;
    let measurements: HashMap<_, _> = notebook.measurements.iter().map(|m| (m.id, m)).collect();
    let action = "read";
    for picture in &notebook.pictures {
        picture_makes_sense(picture, action).map_err(|e| format!("{}: {}", picture.id, reason(&e)))?;
    }
    for kept in &notebook.setups {
        kept.setup.clone().checked().map_err(|e| format!("{}: {e}", kept.id))?;
    }
    for m in &notebook.measurements {
        let missing = |what: &str, id: String| format!("{} refers to {what} {id}, which is not there", m.id);
        if !animals.contains(&m.animal) {
            return Err(missing("animal", m.animal.to_string()));
        }
        if !pictures.contains(&m.picture) {
            return Err(missing("picture", m.picture.to_string()));
        }
        if !setups.contains(&m.setup) {
            return Err(missing("setup", m.setup.to_string()));
        }
        let sense = parts_make_sense(m, |id| measurements.get(&id).copied(), action);
        sense.and_then(|()| numbers_make_sense(m, action)).map_err(|e| format!("{}: {}", m.id, reason(&e)))?;
    }
    Ok(())
}

/// The error's words without "cannot read: ".
fn reason(e: &ActionError) -> String {
    let words = e.to_string();
    words.split_once(": ").map_or(words.clone(), |(_, rest)| rest.to_owned())
}
