//! All calibrations of one instrument, and which of them is in force.
//!
//! What must stay true: they are for one serial number and no two of them are in force at once.

use super::{Calibration, file};
use crate::clock::UtcMicros;
use crate::document::{Diagnostic, Diagnostics};
use std::path::{Path, PathBuf};

/// The calibrations of one instrument, by the begin of their validity.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibrationSet {
    entries: Vec<(PathBuf, Calibration)>,
}

/// What holds for an instrument at an instant. Validity begins with `valid_from` and ends before `valid_until`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Active<'a> {
    /// This one.
    Valid(&'a Calibration),
    /// None; this one was the last, and its validity has ended.
    Expired(&'a Calibration),
    /// None: another instrument, or every validity begins later.
    Missing,
}

impl CalibrationSet {
    /// Reads the files of one instrument; everything wrong with any of them is reported together.
    pub fn load(files: &[PathBuf]) -> Result<Self, Diagnostics> {
        let mut diagnostics = Diagnostics::default();
        let mut read = Vec::new();
        for path in files {
            if let Some(calibration) = diagnostics.gather(file::load(path)) {
                read.push((path.clone(), calibration));
            }
        }
        let set = diagnostics.gather(Self::new(read));
        diagnostics.into_result()?;
        // With no diagnostic there is a set; an empty one would say "missing" at every instant.
        Ok(set.unwrap_or(Self { entries: Vec::new() }))
    }

    /// Puts calibrations that were read side by side.
    pub fn new(mut entries: Vec<(PathBuf, Calibration)>) -> Result<Self, Diagnostics> {
        entries.sort_by_key(|(_, c)| c.valid_from);
        let mut diagnostics = Diagnostics::default();
        let mut refuse = |path: &Path, key: &str, expected: String, found: String| {
            diagnostics.0.push(Diagnostic { key: key.into(), ..Diagnostic::of_file(path, &expected, found) });
        };
        for (i, (path, calibration)) in entries.iter().enumerate() {
            for (earlier_path, earlier) in &entries[..i] {
                let beside = format!("`{}` in {}", earlier.id, earlier_path.display());
                if calibration.instrument_serial != earlier.instrument_serial {
                    let expected = format!("the serial number `{}` of {beside}", earlier.instrument_serial);
                    let found = format!("`{}`", calibration.instrument_serial);
                    refuse(path, "calibration.instrument_serial", expected, found);
                } else if calibration.valid_from < earlier.valid_until {
                    let expected = format!("a validity that begins when {beside} has ended ({})", earlier.valid_until);
                    refuse(path, "calibration.valid_from", expected, format!("{}", calibration.valid_from));
                }
                if calibration.id == earlier.id {
                    refuse(
                        path,
                        "calibration.id",
                        format!("another name than {beside}"),
                        format!("`{}`", calibration.id),
                    );
                }
            }
        }
        diagnostics.into_result()?;
        Ok(Self { entries })
    }

    /// What holds for the instrument with this serial number.
    pub fn active(&self, at: UtcMicros, serial: &str) -> Active<'_> {
        let mut found = Active::Missing;
        for (_, calibration) in self.entries.iter().filter(|(_, c)| c.instrument_serial == serial) {
            if calibration.valid_from <= at {
                let valid = at < calibration.valid_until;
                found = if valid { Active::Valid(calibration) } else { Active::Expired(calibration) };
            }
        }
        found
    }

    /// Refuses a set of which none is in force at `now`.
    pub fn require_in_force(&self, now: UtcMicros) -> Result<(), Diagnostics> {
        let serial = self.serial().unwrap_or_default();
        let (wanted, key, found) = match self.active(now, serial) {
            Active::Valid(_) => return Ok(()),
            Active::Expired(last) => {
                (last, "calibration.valid_until", format!("one that expired at {}", last.valid_until))
            }
            Active::Missing => match self.entries.first() {
                Some((_, c)) => (c, "calibration.valid_from", format!("one that begins at {}", c.valid_from)),
                None => return Ok(()),
            },
        };
        let path = self.entries.iter().find(|(_, c)| c.id == wanted.id).map_or(Path::new(""), |(path, _)| path);
        let to_the_second = UtcMicros(now.0 - now.0.rem_euclid(1_000_000));
        let expected = format!("a calibration of `{serial}` that is in force now ({to_the_second})");
        Err(Diagnostics::one(Diagnostic { key: key.into(), ..Diagnostic::of_file(path, &expected, found) }))
    }

    /// The serial number they are for; `None` for an empty set.
    pub fn serial(&self) -> Option<&str> {
        self.entries.first().map(|(_, c)| c.instrument_serial.as_str())
    }

    /// Each file with its calibration, by the begin of validity.
    pub fn entries(&self) -> impl Iterator<Item = (&Path, &Calibration)> {
        self.entries.iter().map(|(path, calibration)| (path.as_path(), calibration))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn calibration(id: &str, serial: &str, from: i64, until: i64) -> (PathBuf, Calibration) {
        let text = file::tests::GOOD;
        let mut c = file::parse(Path::new("c.toml"), text).unwrap();
        c.id = id.into();
        c.instrument_serial = serial.into();
        c.valid_from = UtcMicros(from);
        c.valid_until = UtcMicros(until);
        (PathBuf::from(format!("{id}.toml")), c)
    }

    /// Identity: the begin of validity is in, its end is out, and what ended last is remembered.
    #[test]
    fn the_one_in_force_is_found_and_the_last_one_remembered() {
        let set = CalibrationSet::new(vec![calibration("b", "7", 30, 40), calibration("a", "7", 10, 20)]).unwrap();
        let id = |at, serial| match set.active(UtcMicros(at), serial) {
            Active::Valid(c) => format!("valid {}", c.id),
            Active::Expired(c) => format!("expired {}", c.id),
            Active::Missing => "missing".into(),
        };
        let cases =
            [(9, "missing"), (10, "valid a"), (19, "valid a"), (20, "expired a"), (30, "valid b"), (40, "expired b")];
        for (at, want) in cases {
            assert_eq!(id(at, "7"), want, "at {at}");
            assert_eq!(id(at, "8"), "missing");
        }
    }

    /// Identity: the end of a validity is out, and what is found names the file, the key and both instants.
    #[test]
    fn a_set_without_one_in_force_is_refused() {
        let set = CalibrationSet::new(vec![calibration("a", "7", 10_000_000, 20_000_000)]).unwrap();
        assert_eq!(set.require_in_force(UtcMicros(19_999_999)), Ok(()));
        assert_eq!(
            set.require_in_force(UtcMicros(20_700_000)).unwrap_err().to_string(),
            "a.toml: calibration.valid_until: expected a calibration of `7` that is in force now (1970-01-01T00:00:20Z), \
             but found one that expired at 1970-01-01T00:00:20Z"
        );
        let early = set.require_in_force(UtcMicros(9_000_000)).unwrap_err().to_string();
        assert!(early.ends_with("but found one that begins at 1970-01-01T00:00:10Z"), "{early}");
    }

    /// Identity: overlap, another instrument and a name used twice are refused with both files named.
    #[test]
    fn two_calibrations_are_never_in_force_at_once() {
        let refused = |a, b| CalibrationSet::new(vec![a, b]).unwrap_err().to_string();
        assert_eq!(
            refused(calibration("a", "7", 0, 20_000_000), calibration("b", "7", 19_000_000, 40_000_000)),
            "b.toml: calibration.valid_from: expected a validity that begins when `a` in a.toml has ended \
             (1970-01-01T00:00:20Z), but found 1970-01-01T00:00:19Z"
        );
        assert_eq!(
            refused(calibration("a", "7", 0, 1), calibration("b", "8", 2, 3)),
            "b.toml: calibration.instrument_serial: expected the serial number `7` of `a` in a.toml, but found `8`"
        );
        assert_eq!(
            refused(calibration("a", "7", 0, 1), calibration("a", "7", 2, 3)),
            "a.toml: calibration.id: expected another name than `a` in a.toml, but found `a`"
        );
    }
}
