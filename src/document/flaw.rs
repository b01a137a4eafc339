//! One thing wrong in a file, and the list of them.

use std::fmt;
use std::path::Path;

/// One thing wrong in a file: where, the rule, and what was found instead.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Flaw {
    /// The file.
    pub file: String,
    /// Line, counted from 1, where there is one.
    pub line: Option<usize>,
    /// The key, e.g. `instrument[0].exposure.target_fill`; empty when it is about the file as a whole.
    pub key: String,
    /// The rule.
    pub expected: String,
    /// What the file holds instead.
    pub found: String,
}

impl Flaw {
    /// A flaw of a file as a whole.
    pub fn of_file(file: &Path, expected: &str, found: String) -> Self {
        let expected = expected.to_owned();
        Self { file: file.display().to_string(), line: None, key: String::new(), expected, found }
    }
}

impl fmt::Display for Flaw {
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

/// Everything wrong with one or more files; at least one entry.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Flaws(pub Vec<Flaw>);

impl Flaws {
    /// A single one.
    pub fn one(flaw: Flaw) -> Self {
        Self(vec![flaw])
    }

    /// Takes over what is wrong in `result`; hands on what is right.
    pub fn gather<T>(&mut self, result: Result<T, Flaws>) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(mut flaws) => {
                self.0.append(&mut flaws.0);
                None
            }
        }
    }

    /// An error if there is at least one flaw.
    pub fn into_result(self) -> Result<(), Flaws> {
        if self.0.is_empty() { Ok(()) } else { Err(self) }
    }
}

/// One line a flaw.
impl fmt::Display for Flaws {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, flaw) in self.0.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{flaw}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Flaws {}
