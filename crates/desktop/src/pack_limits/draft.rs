//! The text as it is edited, what it was, and the way back.

use std::sync::Arc;

use session::rules::PackText;
use session::rules::pack_text::Field;

/// Steps that can be taken back.
const STEPS: usize = 200;

/// What an edit was about: edits of one field, one after another, are one step back.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum About {
    Field(Field),
    Text,
}

/// A pack file's text being edited.
#[derive(Clone, Debug)]
pub(super) struct Draft {
    /// As it is saved, or as it was taken over.
    base: Arc<PackText>,
    now: Arc<PackText>,
    back: Vec<Arc<PackText>>,
    forth: Vec<Arc<PackText>>,
    last: Option<About>,
}

impl Draft {
    pub(super) fn new(text: String) -> Self {
        let base = Arc::new(PackText::new(text));
        Self { now: Arc::clone(&base), base, back: Vec::new(), forth: Vec::new(), last: None }
    }

    /// The text as it is now.
    pub(super) fn now(&self) -> &Arc<PackText> {
        &self.now
    }

    /// The text as it is saved.
    pub(super) fn base(&self) -> &Arc<PackText> {
        &self.base
    }

    pub(super) fn is_changed(&self) -> bool {
        self.base != self.now
    }

    /// Whether a field differs from what is saved.
    pub(super) fn is_field_changed(&self, field: &Field) -> bool {
        self.is_changed() && self.base.value(field) != self.now.value(field)
    }

    /// It is saved as it is now.
    pub(super) fn saved(&mut self, text: &str) {
        self.base =
            if self.now.text() == text { Arc::clone(&self.now) } else { Arc::new(PackText::new(text.to_owned())) };
        self.last = None;
    }

    /// Another value of a field; an empty one is the default.
    ///
    /// # Errors
    /// The file writes that part in a way that can't be changed by itself; in words.
    pub(super) fn set(&mut self, field: &Field, value: &str) -> Result<(), String> {
        let next = self.now.set(field, value).map_err(|error| error.to_string())?;
        self.go_to(next, About::Field(*field));
        Ok(())
    }

    /// Another text.
    pub(super) fn set_text(&mut self, text: String) {
        self.go_to(PackText::new(text), About::Text);
    }

    fn go_to(&mut self, next: PackText, about: About) {
        if next == *self.now {
            return;
        }
        if self.last != Some(about) {
            if STEPS <= self.back.len() {
                self.back.remove(0);
            }
            self.back.push(Arc::clone(&self.now));
        }
        self.last = Some(about);
        self.forth.clear();
        self.now = Arc::new(next);
    }

    /// The next edit is a step of its own: the person has left the field.
    pub(super) fn end_step(&mut self) {
        self.last = None;
    }

    pub(super) fn can_undo(&self) -> bool {
        !self.back.is_empty()
    }

    pub(super) fn can_redo(&self) -> bool {
        !self.forth.is_empty()
    }

    pub(super) fn undo(&mut self) {
        if let Some(before) = self.back.pop() {
            self.forth.push(std::mem::replace(&mut self.now, before));
            self.last = None;
        }
    }

    pub(super) fn redo(&mut self) {
        if let Some(after) = self.forth.pop() {
            self.back.push(std::mem::replace(&mut self.now, after));
            self.last = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use session::rules::LimitName;
    use session::rules::pack_text::Part;

    #[test]
    fn letters_of_one_field_are_one_step_back() {
        let text = packwake_tests::text("packs/acorn-24s-nmc.toml");
        let mut draft = Draft::new(text.clone());
        let high = Field::limit(LimitName::CellHigh, Part::Warning);
        let low = Field::limit(LimitName::CellLowRest, Part::Warning);
        for value in ["4", "4.", "4.1", "4.1 V"] {
            draft.set(&high, value).expect("it can be changed");
        }
        draft.set(&low, "3.6 V").expect("it can be changed");
        let both = draft.now().text().to_owned();
        assert!(draft.is_field_changed(&high) && draft.is_field_changed(&low));
        draft.undo();
        assert_eq!((draft.now().value(&high), draft.now().value(&low)), (Some("4.1 V"), None));
        draft.undo();
        assert_eq!((draft.now().text(), draft.can_undo(), draft.is_changed()), (text.as_str(), false, false));
        draft.redo();
        draft.redo();
        assert_eq!((draft.now().text(), draft.can_redo()), (both.as_str(), false));
        draft.undo();
        draft.set(&high, "4.15 V").expect("it can be changed");
        assert!(!draft.can_redo(), "a new edit begins another way forth");
        draft.saved(draft.now().text().to_owned().as_str());
        assert!(!draft.is_changed() && draft.can_undo());
    }
}
