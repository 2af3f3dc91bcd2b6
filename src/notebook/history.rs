//! Undo and redo.

use super::action::Action;
use super::document::Notebook;
use super::error::ActionError;

/// Steps that can be undone.
const MOST_STEPS: usize = 500;

/// One step: what it is called and the action that takes it back (or does it again).
#[derive(Clone, Debug)]
struct Step {
    name: String,
    action: Action,
}

/// A notebook under work, with its history.
#[derive(Clone, Debug)]
pub struct Editor {
    notebook: Notebook,
    undo: Vec<Step>,
    redo: Vec<Step>,
}

impl Editor {
    /// An editor without history.
    #[must_use]
    pub const fn new(notebook: Notebook) -> Self {
        Self { notebook, undo: Vec::new(), redo: Vec::new() }
    }

    /// The notebook.
    #[must_use]
    pub const fn notebook(&self) -> &Notebook {
        &self.notebook
    }

    /// For what is no edit: stamps when it is written.
    pub(super) const fn notebook_mut(&mut self) -> &mut Notebook {
        &mut self.notebook
    }

    /// Applies an action; what could be done again before cannot any more.
    ///
    /// # Errors
    /// [`ActionError`]; notebook and history are then as they were.
    pub fn apply(&mut self, action: Action) -> Result<(), ActionError> {
        let name = action.name();
        let action = self.notebook.apply(action)?;
        self.redo.clear();
        if self.undo.len() == MOST_STEPS {
            self.undo.remove(0);
        }
        self.undo.push(Step { name, action });
        Ok(())
    }

    /// What would be undone, for the menu: `add animal "fairyfly 3"`.
    #[must_use]
    pub fn undo_name(&self) -> Option<&str> {
        self.undo.last().map(|s| s.name.as_str())
    }

    /// What would be done again.
    #[must_use]
    pub fn redo_name(&self) -> Option<&str> {
        self.redo.last().map(|s| s.name.as_str())
    }

    /// Takes the last action back as if it had never been: not to be done again, not counted.
    pub(super) fn forget_last(&mut self) {
        if matches!(self.undo(), Ok(Some(_))) {
            self.redo.pop();
            self.notebook.revision -= 2;
        }
    }

    /// The action that undoing would apply, which the journal needs.
    pub(super) fn undo_action(&self) -> Option<&Action> {
        self.undo.last().map(|s| &s.action)
    }

    /// The action that doing again would apply.
    pub(super) fn redo_action(&self) -> Option<&Action> {
        self.redo.last().map(|s| &s.action)
    }

    /// Takes the last step back; its name, or `None` where there is none.
    ///
    /// # Errors
    /// [`ActionError`]; notebook and history are then as they were.
    pub fn undo(&mut self) -> Result<Option<String>, ActionError> {
        Self::step(&mut self.notebook, &mut self.undo, &mut self.redo)
    }

    /// Does the last undone step again; its name, or `None` where there is none.
    ///
    /// # Errors
    /// [`ActionError`]; notebook and history are then as they were.
    pub fn redo(&mut self) -> Result<Option<String>, ActionError> {
        Self::step(&mut self.notebook, &mut self.redo, &mut self.undo)
    }

    fn step(notebook: &mut Notebook, from: &mut Vec<Step>, to: &mut Vec<Step>) -> Result<Option<String>, ActionError> {
        let Some(step) = from.last() else { return Ok(None) };
        let action = notebook.apply(step.action.clone())?;
        let name = step.name.clone();
        from.pop();
        to.push(Step { name: name.clone(), action });
        Ok(Some(name))
    }
}
