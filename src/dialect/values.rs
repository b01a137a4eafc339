//! Values that messages carry, by the name of their field. Pure.
//!
//! Invariant: a name has one value. A second, different value of the same name is an error ([`Values::insert`]), so that settings and
//! frame numbers that occur twice in an action are compared without further rules.

use super::malformed::{Malformed, malformed};

/// The value of a field.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// A number, scaled to its unit.
    Number(f64),
    /// Text, or the name of a word.
    Text(String),
    /// The instrument states that it has no value.
    Absent,
}

impl std::fmt::Display for Value {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Number(number) => write!(f, "{number}"),
            Self::Text(text) => f.write_str(text),
            Self::Absent => f.write_str("no value"),
        }
    }
}

/// The values of a frame, as sent.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Counts {
    /// The values in the order of the line.
    pub values: Vec<u32>,
    /// Their bytes on the line.
    pub payload: Vec<u8>,
}

/// Values by name, and the values of a frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Values {
    entries: Vec<(String, Value)>,
    /// The values of a frame.
    pub counts: Counts,
}

impl Values {
    /// Adds a value; an error if the name has another one.
    pub fn insert(&mut self, name: &str, value: Value) -> Result<(), Malformed> {
        match self.get(name) {
            Some(before) if *before != value => malformed(format!("{name} {before} again"), value.to_string()),
            Some(_) => Ok(()),
            None => {
                self.entries.push((name.to_owned(), value));
                Ok(())
            }
        }
    }

    /// Sets a value, replacing an earlier one.
    pub fn set(&mut self, name: &str, value: Value) {
        self.entries.retain(|(known, _)| known != name);
        self.entries.push((name.to_owned(), value));
    }

    /// The same, as a builder.
    pub fn with(mut self, name: &str, value: Value) -> Self {
        self.set(name, value);
        self
    }

    /// Adds all values of `other`, and appends its counts.
    pub fn merge(&mut self, other: Self) -> Result<(), Malformed> {
        for (name, value) in other.entries {
            self.insert(&name, value)?;
        }
        self.counts.values.extend(other.counts.values);
        self.counts.payload.extend(other.counts.payload);
        Ok(())
    }

    /// The values without the counts, and with those of `other`, which come first.
    pub fn known_with(&self, other: &Self) -> Self {
        let mut known = Self { entries: self.entries.clone(), counts: Counts::default() };
        for (name, value) in &other.entries {
            known.set(name, value.clone());
        }
        known
    }

    /// Removes a value.
    pub fn take(&mut self, name: &str) -> Option<Value> {
        let at = self.entries.iter().position(|(known, _)| known == name)?;
        Some(self.entries.remove(at).1)
    }

    /// Whether there is no value.
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty() && self.counts.values.is_empty()
    }

    /// The value of a name.
    pub fn get(&self, name: &str) -> Option<&Value> {
        self.entries.iter().find(|(known, _)| known == name).map(|(_, value)| value)
    }

    /// The number of a name; `None` for text and absent values.
    pub fn number(&self, name: &str) -> Option<f64> {
        match self.get(name) {
            Some(Value::Number(number)) => Some(*number),
            _ => None,
        }
    }

    /// The value of a name as text; empty without a value.
    pub fn text(&self, name: &str) -> String {
        match self.get(name) {
            None | Some(Value::Absent) => String::new(),
            Some(value) => value.to_string(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_with_two_different_values_is_an_error() {
        let mut values = Values::default();
        values.insert("frame", Value::Number(17.0)).unwrap();
        values.insert("frame", Value::Number(17.0)).unwrap();
        let error = values.insert("frame", Value::Number(18.0)).unwrap_err();
        assert_eq!(error.to_string(), "expected frame 17 again, but found 18");
        assert_eq!((values.number("frame"), values.text("frame")), (Some(17.0), "17".into()));
        assert_eq!((values.number("other"), values.text("other")), (None, String::new()));
    }
}
