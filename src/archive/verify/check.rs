//! The result of one check of a database.

/// Maximum number of listed faults, and of notes; further faults are counted.
const LISTED: usize = 20;

/// A check and its result.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize)]
pub struct Check {
    /// Name of the check.
    pub name: &'static str,
    /// Number of checked items.
    pub checked: u64,
    /// Kind of the items.
    pub of: &'static str,
    /// Descriptions of the faults, at most 20.
    pub faults: Vec<String>,
    /// Number of further faults.
    pub more_faults: u64,
    /// Items that could not be checked, with the reason.
    pub notes: Vec<String>,
}

impl Check {
    /// A check without results.
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

    /// Adds a note, unless it is listed already.
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
