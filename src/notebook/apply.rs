//! The one place where a notebook changes.

use super::action::Action;
use super::check::{animal_makes_sense, measurement_makes_sense, picture_makes_sense, setup_makes_sense};
use super::document::Notebook;
use super::error::ActionError;
use super::id::{AnimalId, MeasurementId, PictureId};
use super::measurement::Measurement;

/// Something in a list, with an id.
trait Listed {
    fn number(&self) -> u64;
    fn label(&self) -> String;
}

macro_rules! listed {
    ($($what:ty),*) => {$(
        impl Listed for $what {
            fn number(&self) -> u64 {
                self.id.number()
            }

            fn label(&self) -> String {
                self.id.to_string()
            }
        }
    )*};
}

listed!(super::KeptSetup, super::Picture, super::Animal, Measurement);

fn not_there(action: &str, id: impl ToString) -> ActionError {
    ActionError::NotThere { action: action.to_owned(), id: id.to_string() }
}

/// Puts `item` into `list`; ids are never given twice.
fn insert<T: Listed>(
    list: &mut Vec<T>,
    item: T,
    at: Option<usize>,
    name: &str,
    next: &mut u64,
) -> Result<(), ActionError> {
    let number = item.number();
    // An id below the next free number is taken, unless its owner was removed and comes back.
    let taken = number < *next && list.iter().any(|i| i.number() == number);
    if number == 0 || number == u64::MAX || taken {
        return Err(ActionError::Taken { action: name.to_owned(), id: item.label(), next: *next });
    }
    *next = (*next).max(number + 1);
    let place = at.map_or(list.len(), |i| i.min(list.len()));
    list.insert(place, item);
    Ok(())
}

/// Puts `item` where the one with its id was, which is returned.
fn replace<T: Listed>(list: &mut [T], item: T, name: &str) -> Result<T, ActionError> {
    let number = item.number();
    match list.iter_mut().find(|i| i.number() == number) {
        Some(old) => Ok(std::mem::replace(old, item)),
        None => Err(not_there(name, item.label())),
    }
}

/// Takes out the one with this number, with its place; `None` for the place where it was last.
fn remove<T: Listed>(
    list: &mut Vec<T>,
    number: u64,
    label: &str,
    name: &str,
) -> Result<(T, Option<usize>), ActionError> {
    let place = list.iter().position(|i| i.number() == number).ok_or_else(|| not_there(name, label))?;
    let at = (place + 1 < list.len()).then_some(place);
    Ok((list.remove(place), at))
}

impl Notebook {
    /// Applies an action and returns the one that undoes it.
    ///
    /// Applying the returned action leaves the notebook as it was, but for `revision` and `next_number`, which only go up.
    ///
    /// # Errors
    /// [`ActionError`]; the notebook is then as it was.
    pub fn apply(&mut self, action: Action) -> Result<Action, ActionError> {
        let inverse = self.change(action)?;
        self.revision += 1;
        Ok(inverse)
    }

    fn change(&mut self, action: Action) -> Result<Action, ActionError> {
        let name = action.name();
        let name = name.as_str();
        match action {
            Action::Describe { title, remarks } => {
                let title = std::mem::replace(&mut self.title, title);
                let remarks = std::mem::replace(&mut self.remarks, remarks);
                Ok(Action::Describe { title, remarks })
            }
            Action::AddPicture { picture, at } => {
                picture_makes_sense(&picture, name)?;
                let id = picture.id;
                insert(&mut self.pictures, picture, at, name, &mut self.next_number)?;
                Ok(Action::RemovePicture { id })
            }
            Action::ChangePicture { picture } => {
                picture_makes_sense(&picture, name)?;
                replace(&mut self.pictures, picture, name).map(|picture| Action::ChangePicture { picture })
            }
            Action::RemovePicture { id } => {
                let count = self.measurements_on(id).count();
                self.free(count, name)?;
                let (picture, at) = remove(&mut self.pictures, id.number(), &id.to_string(), name)?;
                Ok(Action::AddPicture { picture, at })
            }
            Action::AddSetup { setup, at } => {
                setup_makes_sense(&setup, name)?;
                let id = setup.id;
                insert(&mut self.setups, *setup, at, name, &mut self.next_number)?;
                Ok(Action::RemoveSetup { id })
            }
            Action::RemoveSetup { id } => {
                let count = self.measurements.iter().filter(|m| m.setup == id).count();
                self.free(count, name)?;
                let (setup, at) = remove(&mut self.setups, id.number(), &id.to_string(), name)?;
                Ok(Action::AddSetup { setup: Box::new(setup), at })
            }
            Action::AddAnimal { animal, at } => {
                animal_makes_sense(&animal, name)?;
                let id = animal.id;
                insert(&mut self.animals, *animal, at, name, &mut self.next_number)?;
                Ok(Action::RemoveAnimal { id })
            }
            Action::ChangeAnimal { animal } => {
                animal_makes_sense(&animal, name)?;
                replace(&mut self.animals, *animal, name).map(|a| Action::ChangeAnimal { animal: Box::new(a) })
            }
            Action::RemoveAnimal { id } => {
                let count = self.measurements_of(id).count();
                self.free(count, name)?;
                let (animal, at) = remove(&mut self.animals, id.number(), &id.to_string(), name)?;
                Ok(Action::AddAnimal { animal: Box::new(animal), at })
            }
            Action::AddMeasurement { measurement, at } => {
                measurement_makes_sense(&measurement, self, name)?;
                let id = measurement.id;
                insert(&mut self.measurements, *measurement, at, name, &mut self.next_number)?;
                Ok(Action::RemoveMeasurement { id })
            }
            Action::ChangeMeasurement { measurement } => {
                measurement_makes_sense(&measurement, self, name)?;
                let old = replace(&mut self.measurements, *measurement, name)?;
                Ok(Action::ChangeMeasurement { measurement: Box::new(old) })
            }
            Action::RemoveMeasurement { id } => {
                let count = self.made_of(id).count();
                self.free(count, name)?;
                let (measurement, at) = remove(&mut self.measurements, id.number(), &id.to_string(), name)?;
                Ok(Action::AddMeasurement { measurement: Box::new(measurement), at })
            }
            Action::Define { quantity, at } => {
                if quantity.name.trim().is_empty() {
                    let value = format!("\"{}\"", quantity.name);
                    let (action, what, must_be) = (name.to_owned(), "the name", "a few words");
                    return Err(ActionError::Value { action, what, value, must_be });
                }
                match self.quantities.iter_mut().find(|q| q.name == quantity.name) {
                    Some(old) => Ok(Action::Define { quantity: std::mem::replace(old, quantity), at: None }),
                    None => {
                        let undo = Action::Undefine { name: quantity.name.clone() };
                        let place = at.map_or(self.quantities.len(), |i| i.min(self.quantities.len()));
                        self.quantities.insert(place, quantity);
                        Ok(undo)
                    }
                }
            }
            Action::Undefine { name: which } => {
                let place = self.quantities.iter().position(|q| q.name == which);
                let place = place.ok_or_else(|| not_there(name, format!("definition of {which}")))?;
                Ok(Action::Define { quantity: self.quantities.remove(place), at: Some(place) })
            }
            Action::Several { what, actions } => self.change_all(if what.is_empty() { name } else { &what }, actions),
        }
    }

    /// All or none.
    fn change_all(&mut self, what: &str, actions: Vec<Action>) -> Result<Action, ActionError> {
        let next = self.next_number;
        let mut done = Vec::with_capacity(actions.len());
        for action in actions {
            match self.change(action) {
                Ok(inverse) => done.push(inverse),
                Err(e) => {
                    while let Some(inverse) = done.pop() {
                        // What was just done can be undone; were it not so, the error to tell is still the first.
                        drop(self.change(inverse));
                    }
                    self.next_number = next;
                    return Err(e);
                }
            }
        }
        done.reverse();
        Ok(Action::Several { what: what.to_owned(), actions: done })
    }

    fn free(&self, count: usize, name: &str) -> Result<(), ActionError> {
        if count == 0 { Ok(()) } else { Err(ActionError::Needed { action: name.to_owned(), count }) }
    }

    /// The action that removes an animal with all of its measurements.
    #[must_use]
    pub fn removal_of_animal(&self, id: AnimalId) -> Action {
        let named = self.animal(id).map_or_else(|| id.to_string(), |a| format!("\"{}\"", a.name));
        let mut actions = self.removals(|m| m.animal == id);
        actions.push(Action::RemoveAnimal { id });
        Action::Several { what: format!("remove animal {named}"), actions }
    }

    /// The action that removes a picture with all that was measured on it. The file stays.
    #[must_use]
    pub fn removal_of_picture(&self, id: PictureId) -> Action {
        let named = self.picture(id).map_or_else(|| id.to_string(), |p| p.path.clone());
        let mut actions = self.removals(|m| m.picture == id);
        actions.push(Action::RemovePicture { id });
        Action::Several { what: format!("remove picture {named}"), actions }
    }

    /// The action that removes a measurement with the ratios and sums made of it.
    #[must_use]
    pub fn removal_of_measurement(&self, id: MeasurementId) -> Action {
        let named = self.measurement(id).map_or_else(|| id.to_string(), Measurement::full_name);
        let actions = self.removals(|m| m.id == id || m.of.iter().any(|p| p.measurement == id));
        Action::Several { what: format!("remove {named}"), actions }
    }

    /// Ratios and sums made of a measurement.
    fn made_of(&self, id: MeasurementId) -> impl Iterator<Item = &Measurement> {
        self.measurements.iter().filter(move |m| m.of.iter().any(|p| p.measurement == id))
    }

    /// Ratios and sums first, since they need the others.
    fn removals(&self, which: impl Fn(&Measurement) -> bool) -> Vec<Action> {
        let of = |m: &Measurement| Action::RemoveMeasurement { id: m.id };
        let chosen = |made: bool| self.measurements.iter().filter(move |m| m.is_made_of_others() == made);
        chosen(true).chain(chosen(false)).filter(|m| which(m)).map(of).collect()
    }
}
