//! The calibrations of one instrument, and the choice of the active one.
//!
//! Invariants:
//! - All calibrations of a set have the same serial number.
//! - At most one of them is valid at any instant: an open end ends where the next one begins, and two stated ends never overlap.

use super::{Calibration, file};
use crate::clock::UtcMicros;
use crate::document::{Diagnostic, Diagnostics};
use std::path::{Path, PathBuf};

/// The calibrations of one instrument, ordered by the start of validity.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibrationSet {
    entries: Vec<(PathBuf, Calibration)>,
}

/// The calibration of an instrument at an instant. Validity includes `valid_from` and excludes `valid_until`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Active<'a> {
    /// The valid calibration.
    Valid(&'a Calibration),
    /// No calibration is valid; the last one, whose validity has ended.
    Expired(&'a Calibration),
    /// No calibration: the serial number differs, or every validity begins later.
    Missing,
}

impl CalibrationSet {
    /// Reads the files of one instrument; the errors of all files are reported together.
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
        // Without a diagnostic the set exists. The empty set of the fallback has no calibration at any instant.
        Ok(set.unwrap_or(Self { entries: Vec::new() }))
    }

    /// Builds a set; refuses overlapping validities, different serial numbers and repeated identifiers.
    pub fn new(mut entries: Vec<(PathBuf, Calibration)>) -> Result<Self, Diagnostics> {
        entries.sort_by_key(|(_, c)| c.valid_from);
        close_open_ends(&mut entries);
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
                    let end = earlier.end().map_or_else(|| "with its open end".to_owned(), |end| end.to_string());
                    let expected = format!("a validity that begins when {beside} has ended ({end})");
                    refuse(path, "calibration.valid_from", expected, format!("{}", calibration.valid_from));
                }
                if calibration.id == earlier.id {
                    refuse(
                        path,
                        "calibration.id",
                        format!("another identifier than that of {beside}"),
                        format!("`{}`", calibration.id),
                    );
                }
            }
        }
        diagnostics.into_result()?;
        Ok(Self { entries })
    }

    /// The calibration of the instrument with this serial number at an instant.
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

    /// Returns an error where no calibration is valid at `now`.
    pub fn require_valid(&self, now: UtcMicros) -> Result<(), Diagnostics> {
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
        let expected = format!("a calibration of `{serial}` that is valid now ({to_the_second})");
        Err(Diagnostics::one(Diagnostic { key: key.into(), ..Diagnostic::of_file(path, &expected, found) }))
    }

    /// The serial number of the instrument; `None` for an empty set.
    pub fn serial(&self) -> Option<&str> {
        self.entries.first().map(|(_, c)| c.instrument_serial.as_str())
    }

    /// Each file with its calibration, ordered by the start of validity.
    pub fn entries(&self) -> impl Iterator<Item = (&Path, &Calibration)> {
        self.entries.iter().map(|(path, calibration)| (path.as_path(), calibration))
    }
}

/// Ends each calibration with an open end where the next one of the same instrument begins.
fn close_open_ends(entries: &mut [(PathBuf, Calibration)]) {
    for i in 0..entries.len() {
        let (before, after) = entries.split_at_mut(i + 1);
        let open = &mut before[i].1;
        let next = after
            .iter()
            .map(|(_, c)| c)
            .find(|c| c.instrument_serial == open.instrument_serial && c.valid_from > open.valid_from);
        if let Some(next) = next.filter(|_| open.end().is_none()) {
            open.valid_until = next.valid_from;
        }
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

    /// The start of validity is included, its end is excluded, and the calibration that expired last is returned.
    #[test]
    fn the_valid_calibration_is_found_and_else_the_one_that_expired_last() {
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

    /// The end of validity is excluded; the error names the file, the key and both instants.
    #[test]
    fn a_set_without_a_valid_calibration_is_refused() {
        let set = CalibrationSet::new(vec![calibration("a", "7", 10_000_000, 20_000_000)]).unwrap();
        assert_eq!(set.require_valid(UtcMicros(19_999_999)), Ok(()));
        assert_eq!(
            set.require_valid(UtcMicros(20_700_000)).unwrap_err().to_string(),
            "a.toml: calibration.valid_until: expected a calibration of `7` that is valid now (1970-01-01T00:00:20Z), \
             but found one that expired at 1970-01-01T00:00:20Z"
        );
        let early = set.require_valid(UtcMicros(9_000_000)).unwrap_err().to_string();
        assert!(early.ends_with("but found one that begins at 1970-01-01T00:00:10Z"), "{early}");
    }

    /// An open end ends where the next calibration begins, so that the older file need not be edited; the last one stays open, and two
    /// that begin at once are refused.
    #[test]
    fn an_open_end_ends_where_the_next_one_begins() {
        let open = |id, from| calibration(id, "7", from, i64::MAX);
        let set = CalibrationSet::new(vec![open("c", 50), open("a", 10), calibration("b", "7", 30, 40)]).unwrap();
        let ends: Vec<_> = set.entries().map(|(_, c)| (c.id.as_str(), c.end().map(|t| t.0))).collect();
        assert_eq!(ends, [("a", Some(30)), ("b", Some(40)), ("c", None)]);
        let id = |at| match set.active(UtcMicros(at), "7") {
            Active::Valid(c) => format!("valid {}", c.id),
            Active::Expired(c) => format!("expired {}", c.id),
            Active::Missing => "missing".into(),
        };
        assert_eq!([id(29), id(30), id(45), id(i64::MAX - 1)], ["valid a", "valid b", "expired b", "valid c"]);
        let twice = CalibrationSet::new(vec![open("a", 10), open("b", 10)]).unwrap_err().to_string();
        assert!(
            twice.starts_with("b.toml: calibration.valid_from: expected a validity that begins when `a`"),
            "{twice}"
        );
    }

    /// Overlapping validities, a second instrument and a repeated identifier are refused; the error names both files.
    #[test]
    fn two_calibrations_are_never_valid_at_once() {
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
            "a.toml: calibration.id: expected another identifier than that of `a` in a.toml, but found `a`"
        );
    }
}
