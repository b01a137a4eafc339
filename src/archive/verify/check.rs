//! The result of one check of a database.

/// Faults, and notes, that are listed; further faults are counted.
const LISTED: usize = 20;

/// One check and what it found.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Check {
    /// Its name.
    pub name: &'static str,
    /// How many things were checked.
    pub checked: u64,
    /// What they are.
    pub of: &'static str,
    /// What is wrong, in words; at most 20.
    pub faults: Vec<String>,
    /// Faults beyond those.
    pub more_faults: u64,
    /// What could not be checked, and why.
    pub notes: Vec<String>,
}

impl Check {
    /// With nothing checked yet.
    pub fn new(name: &'static str, of: &'static str) -> Self {
        Self { name, of, ..Self::default() }
    }

    /// Adds a fault.
    pub fn fault(&mut self, text: impl ToString) {
        if self.faults.len() < LISTED {
            self.faults.push(text.to_string());
        } else {
            self.more_faults += 1;
        }
    }

    /// Adds a note, once.
    pub fn note(&mut self, text: String) {
        if !self.notes.contains(&text) && self.notes.len() < LISTED {
            self.notes.push(text);
        }
    }

    /// Number of faults.
    pub fn count(&self) -> u64 {
        self.faults.len() as u64 + self.more_faults
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_beyond_twenty_are_counted_and_a_note_is_listed_once() {
        let mut check = Check::new("frames", "frames");
        (0..25).for_each(|i| check.fault(format!("fault {i}")));
        (0..2).for_each(|_| check.note("purged".to_owned()));
        assert_eq!((check.faults.len(), check.more_faults, check.count()), (20, 5, 25));
        assert_eq!(check.notes, ["purged"]);
    }
}
