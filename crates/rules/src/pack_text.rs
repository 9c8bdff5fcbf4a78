//! The text of a pack file as it is edited: what each field says, what is wrong with it, and the text with another value.
//!
//! An edit changes one value; comments, order and spacing of everything else stay byte for byte. What comes out always
//! goes through [`Pack::parse`], and each fault stands at the field that it is about.

use std::collections::BTreeSet;
use std::sync::Arc;

use model::{Amount, Dimension, Fault};
use textfile::{EditText, Kind, NewValue, NotEdited, TableSpec};

use crate::check::Check;
use crate::chemistry::{Chemistry, DefaultLimit};
use crate::limits::LimitName;
use crate::pack::Pack;
use crate::spec;

/// One value of a pack file that can be edited by itself.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct Field([&'static str; 3]);

/// One value of one limit.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Part {
    /// The warning side.
    Warning,
    /// The critical side.
    Critical,
    /// How far a value must come back inside.
    Deadband,
    /// How long beyond before the alarm.
    OnDelay,
    /// How long inside before it clears.
    OffDelay,
}

impl Part {
    /// All of them, in the order of the file.
    pub const ALL: [Self; 5] = [Self::Warning, Self::Critical, Self::Deadband, Self::OnDelay, Self::OffDelay];

    /// Its key.
    pub fn key(self) -> &'static str {
        match self {
            Self::Warning => "warning",
            Self::Critical => "critical",
            Self::Deadband => "deadband",
            Self::OnDelay => "on_delay",
            Self::OffDelay => "off_delay",
        }
    }
}

impl Field {
    /// A value of a limit.
    pub fn limit(name: LimitName, part: Part) -> Self {
        Self(["limits", name.key(), part.key()])
    }

    /// The reason why this pack can't have a check.
    pub fn waiver(check: Check) -> Self {
        Self(["", "waivers", check.name()])
    }

    /// Its tables and its key.
    pub fn path(&self) -> Vec<&'static str> {
        self.0.iter().copied().filter(|name| !name.is_empty()).collect()
    }
}

/// A fact of the pack: everything but limits and waivers.
#[derive(Clone, Copy, Debug)]
pub struct Fact {
    /// Its field.
    pub field: Field,
    /// What it says, in one sentence.
    pub doc: &'static str,
    /// What its value is.
    pub kind: &'static Kind,
    /// Whether it must be there.
    pub required: bool,
}

/// Every fact that a pack file can state, in its order.
pub fn facts() -> impl Iterator<Item = Fact> {
    let mut facts = Vec::new();
    gather(&spec::PACK, ["", ""], &mut facts);
    facts.into_iter()
}

/// The facts of a table that lies in these tables.
fn gather(table: &TableSpec, tables: [&'static str; 2], facts: &mut Vec<Fact>) {
    let [outer, inner] = tables;
    for key in table.keys {
        match &key.kind {
            Kind::Table(own) if is_of_its_own(own) => {}
            // A table in a table in a table would have no place in a field: it is edited in the text.
            Kind::Table(_) if !outer.is_empty() => {}
            Kind::Table(own) => gather(own, [inner, key.name], facts),
            kind => {
                let field = Field([outer, inner, key.name]);
                facts.push(Fact { field, doc: key.doc, kind, required: key.required });
            }
        }
    }
}

fn is_of_its_own(table: &TableSpec) -> bool {
    std::ptr::eq(table, &raw const spec::LIMITS) || std::ptr::eq(table, &raw const spec::WAIVERS)
}

/// The text of a pack file with all that is known of it.
#[derive(Clone, Debug)]
pub struct PackText {
    text: String,
    /// `None` where the text is no TOML.
    edit: Option<EditText>,
    pack: Option<Arc<Pack>>,
    faults: Vec<(Option<Field>, Fault)>,
    chemistry: Option<Chemistry>,
    defaults: Vec<DefaultLimit>,
}

impl PartialEq for PackText {
    fn eq(&self, other: &Self) -> bool {
        self.text == other.text
    }
}

impl PackText {
    /// Reads a text, whatever is wrong with it.
    pub fn new(text: String) -> Self {
        let edit = EditText::new(text.clone(), &spec::PACK).ok();
        Self::with(text, edit)
    }

    fn with(text: String, edit: Option<EditText>) -> Self {
        let (pack, faults) = Pack::parse(&text);
        let places = edit.as_ref().map_or_else(Vec::new, places);
        let faults = faults.into_iter().map(|fault| (at(&places, &fault), fault)).collect();
        let said = |key: &str| edit.as_ref().and_then(|edit| edit.value(&[key])).map(|written| written.value.as_str());
        let chemistry = said("chemistry")
            .and_then(|name| Chemistry::ALL.iter().find(|(known, _)| *known == name))
            .map(|(_, chemistry)| *chemistry);
        let capacity = said("capacity").and_then(|text| Amount::parse(text).ok());
        let capacity = capacity.filter(|amount| amount.dimension == Dimension::Charge && 0 < amount.nanos);
        let mut defaults =
            chemistry.map_or_else(Vec::new, |known| known.defaults(capacity.map_or(0, |capacity| capacity.nanos)));
        if capacity.is_none() {
            // This one goes with the capacity.
            defaults.retain(|default| default.name != LimitName::CurrentRest);
        }
        Self { text, edit, pack: pack.map(Arc::new), faults, chemistry, defaults }
    }

    /// The whole text.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The pack, if the text has no error.
    pub fn pack(&self) -> Option<&Arc<Pack>> {
        self.pack.as_ref()
    }

    /// Whether single values can be changed: the text is TOML.
    pub fn has_fields(&self) -> bool {
        self.edit.is_some()
    }

    /// The chemistry that the text names, if it is one.
    pub fn chemistry(&self) -> Option<Chemistry> {
        self.chemistry
    }

    /// What a field says in the text; `None` where the default holds.
    pub fn value(&self, field: &Field) -> Option<&str> {
        let edit = self.edit.as_ref()?;
        edit.value(&field.path()).map(|written| written.value.as_str())
    }

    /// Every error and warning with the field that it is about, in the order of the text.
    pub fn faults(&self) -> &[(Option<Field>, Fault)] {
        &self.faults
    }

    /// What is wrong with a field.
    pub fn faults_of(&self, field: &Field) -> impl Iterator<Item = &Fault> {
        self.faults.iter().filter(move |(of, _)| of.as_ref() == Some(field)).map(|(_, fault)| fault)
    }

    /// The chemistry's default of a limit, if it has one.
    pub fn default_limit(&self, name: LimitName) -> Option<&DefaultLimit> {
        self.defaults.iter().find(|default| default.name == name)
    }

    /// The checks that the text waives, known or not yet sound.
    pub fn waived(&self) -> BTreeSet<Check> {
        let Some(edit) = &self.edit else { return BTreeSet::new() };
        let keys = edit.values().filter_map(|(path, _)| match path.as_slice() {
            [table, check] if table == "waivers" => Check::parse(check),
            _ => None,
        });
        keys.collect()
    }

    /// The text with another value of a field. An empty one takes the field out: its default holds again.
    ///
    /// # Errors
    /// The text is no TOML, or writes that part in a way that can't be changed by itself.
    pub fn set(&self, field: &Field, value: &str) -> Result<Self, NotEdited> {
        let edit = self.edit.as_ref().ok_or(NotEdited::NotToml)?;
        let edited = if value.trim().is_empty() {
            edit.remove(&field.path())?
        } else {
            // Quotes that are typed where none belong stay what was typed: the fault shows them.
            let quoted = value.trim_start().starts_with(['"', '\'']);
            let value = if is_text(field) || quoted { NewValue::Text(value) } else { NewValue::Toml(value) };
            edit.set(&field.path(), value)?
        };
        Ok(Self::with(edited.text().to_owned(), Some(edited)))
    }
}

/// Whether a field is written in quotes.
fn is_text(field: &Field) -> bool {
    let fact = facts().find(|fact| fact.field == *field);
    fact.is_none_or(|fact| matches!(fact.kind, Kind::Text | Kind::Choice(_) | Kind::Amount(_) | Kind::Hex))
}

/// Where each field that the text gives stands: key and value.
fn places(edit: &EditText) -> Vec<Place> {
    let limits = LimitName::all().flat_map(|name| Part::ALL.map(|part| Field::limit(name, part)));
    let waivers = Check::ALL.iter().map(|(_, check)| Field::waiver(*check));
    let all = limits.chain(waivers).chain(facts().map(|fact| fact.field));
    all.filter_map(|field| {
        let written = edit.value(&field.path())?;
        Some((field, [written.key.clone(), written.span.clone()]))
    })
    .collect()
}

type Place = (Field, [std::ops::Range<usize>; 2]);

fn at(places: &[Place], fault: &Fault) -> Option<Field> {
    let inside = |span: &std::ops::Range<usize>| span.start <= fault.span.start && fault.span.end <= span.end;
    places.iter().find(|(_, spans)| spans.iter().any(inside)).map(|(field, _)| *field)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_follow_the_list_of_keys() {
        let keys: Vec<_> = spec::LIMIT.keys.iter().map(|key| key.name).collect();
        assert_eq!(keys, Part::ALL.map(Part::key));
        let facts: Vec<Vec<&str>> = facts().map(|fact| fact.field.path()).collect();
        for expected in [vec!["pack"], vec!["rest_current"], vec!["wiring", "pre_charge"], vec!["prepare", "required"]]
        {
            assert!(facts.contains(&expected), "{expected:?} in {facts:?}");
        }
        assert!(facts.iter().all(|path| !path.contains(&"limits") && !path.contains(&"waivers")), "{facts:?}");
    }
}
