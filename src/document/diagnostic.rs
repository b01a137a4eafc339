//! A fault of a file, and the list of all faults of one or more files.

use std::fmt;
use std::path::Path;

/// One fault: its place, the rule, and what was found instead.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Diagnostic {
    /// The file.
    pub file: String,
    /// Line, counted from 1; `None` for a fault of the file as a whole or a missing key.
    pub line: Option<usize>,
    /// The key, e.g. `instrument[0].exposure.target_level`; empty for a fault of the file as a whole.
    pub key: String,
    /// The rule.
    pub expected: String,
    /// What was found.
    pub found: String,
}

impl Diagnostic {
    /// A fault of the file as a whole.
    pub fn of_file(file: &Path, expected: &str, found: String) -> Self {
        let expected = expected.to_owned();
        Self { file: file.display().to_string(), line: None, key: String::new(), expected, found }
    }
}

impl fmt::Display for Diagnostic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        if !self.key.is_empty() {
            write!(f, ": {}", self.key)?;
        }
        write!(f, ": expected {}, but found {}", self.expected, self.found)
    }
}

/// All faults of one or more files.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Diagnostics(pub Vec<Diagnostic>);

impl Diagnostics {
    /// A list with one entry.
    pub fn one(diagnostic: Diagnostic) -> Self {
        Self(vec![diagnostic])
    }

    /// Moves the diagnostics of `result` into this list; returns its value, if it has one.
    pub fn gather<T>(&mut self, result: Result<T, Diagnostics>) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(mut diagnostics) => {
                self.0.append(&mut diagnostics.0);
                None
            }
        }
    }

    /// `Err` if the list has an entry.
    pub fn into_result(self) -> Result<(), Diagnostics> {
        if self.0.is_empty() { Ok(()) } else { Err(self) }
    }
}

/// One line for each diagnostic.
impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, diagnostic) in self.0.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{diagnostic}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Diagnostics {}
