//! The configuration file: reads it, checks it and returns the checked configuration ([`checked`]).
//!
//! [`load`] reads the configuration with every calibration that it names, for the daemon and for `check`, and reports all faults of
//! all files together. The keys with their units and rules are in [`station`] and [`instrument`].
//!
//! Invariants: reading creates nothing and opens no port; only the checked configuration is used by the program.

pub mod checked;
pub mod cron;
pub mod instrument;
pub mod reload;
pub mod station;

pub use checked::*;

use crate::calibration::CalibrationSet;
use crate::clock::UtcMicros;
use crate::document::{Diagnostic, Diagnostics, Document, Range, read_text};
use std::path::{Path, PathBuf};

/// Version of the file format.
const VERSION: f64 = 1.0;

/// A configuration together with the calibrations it names.
#[derive(Clone, Debug)]
pub struct Setup {
    /// The configuration.
    pub config: Config,
    /// The calibrations of each instrument, in the order of [`Config::instruments`].
    pub calibrations: Vec<CalibrationSet>,
}

/// Reads and checks a configuration and its calibrations; schedules have to fire after `now`.
///
/// For the daemon: a missing active calibration is not an error, since a restart after the last day of a calibration must not end a
/// series; each reading is flagged instead.
pub fn load(path: &Path, now: UtcMicros) -> Result<Setup, Diagnostics> {
    load_all(path, now, false)
}

/// [`load`] for `check`: every instrument also needs an active calibration at `now`.
pub fn load_strictly(path: &Path, now: UtcMicros) -> Result<Setup, Diagnostics> {
    load_all(path, now, true)
}

fn load_all(path: &Path, now: UtcMicros, active: bool) -> Result<Setup, Diagnostics> {
    let text = read_text(path)?;
    let mut diagnostics = Diagnostics::default();
    let Parsed { config, files } = parse_all(path, &text, now)?;
    let config = diagnostics.gather(config);
    let sets: Vec<Option<CalibrationSet>> = files.iter().map(|f| diagnostics.gather(CalibrationSet::load(f))).collect();
    for set in sets.iter().flatten().filter(|_| active) {
        diagnostics.gather(set.require_valid(now));
    }
    diagnostics.gather(no_serial_twice(path, &sets));
    diagnostics.into_result()?;
    match (config, sets.into_iter().collect()) {
        (Some(config), Some(calibrations)) => Ok(Setup { config, calibrations }),
        _ => Err(unusable(path)),
    }
}

/// Reads and checks a configuration without its calibrations, for commands that need only the database or the station.
pub fn read(path: &Path, now: UtcMicros) -> Result<Config, Diagnostics> {
    let text = read_text(path)?;
    parse(path, &text, now)
}

/// Parses and checks the text of the configuration file `path`.
pub fn parse(path: &Path, text: &str, now: UtcMicros) -> Result<Config, Diagnostics> {
    parse_all(path, text, now)?.config
}

/// The calibration files that a configuration names, as far as it can be parsed.
pub fn calibration_files(path: &Path) -> Vec<PathBuf> {
    let parsed = read_text(path).and_then(|text| parse_all(path, &text, UtcMicros(0)));
    parsed.map_or(Vec::new(), |parsed| parsed.files.concat())
}

/// The parsed parts of a file.
struct Parsed {
    config: Result<Config, Diagnostics>,
    /// Calibration files of each instrument; known even if the configuration has faults, so that they are checked in the same run.
    files: Vec<Vec<PathBuf>>,
}

/// Parses all parts of a file; the error is broken TOML syntax, after which no part is known.
fn parse_all(path: &Path, text: &str, now: UtcMicros) -> Result<Parsed, Diagnostics> {
    let document = Document::parse(path, text)?;
    let root = document.root();
    let folder = path.parent().unwrap_or(Path::new(""));
    if root.number("version", None, Range::finite("")).is_some_and(|v| v != VERSION) {
        root.refuse("version", format!("version {VERSION} of the configuration file"));
    }
    let (kind, station) = station::read_station(&root.section("station"));
    let store = station::read_store(&root.section("store"), folder);
    let days = station::read_daily(&root.section("daily"));
    let context = instrument::Context { kind, folder, now };
    let sections = root.sections("instrument");
    let files =
        sections.iter().map(|s| s.texts_unchecked("calibrations").iter().map(|f| folder.join(f)).collect()).collect();
    let instruments: Vec<_> = sections.iter().map(|s| instrument::read_instrument(s, context)).collect();
    for (i, section) in sections.iter().enumerate() {
        for (j, earlier) in instruments[..i].iter().enumerate() {
            let (Some(here), Some(earlier)) = (&instruments[i], earlier) else { continue };
            if here.name == earlier.name {
                section.refuse("name", format!("another name than instrument[{j}]"));
            }
            if here.link == earlier.link {
                section.refuse("link", format!("another port than instrument[{j}]"));
            }
        }
    }
    root.close();
    let config = document.finish().and_then(|()| {
        let instruments: Option<Vec<_>> = instruments.into_iter().collect();
        match (station, store, days, instruments) {
            (Some(station), Some(store), Some(days), Some(instruments)) => {
                let station = Station { days, ..station };
                Ok(Config { station, store, instruments, text: text.to_owned() })
            }
            // Each part is `Some` where no diagnostic was recorded; this arm replaces a panic should one have been forgotten.
            _ => Err(unusable(path)),
        }
    });
    Ok(Parsed { config, files })
}

/// Refuses two instruments with one serial number: a copied section whose calibrations were not changed.
fn no_serial_twice(path: &Path, sets: &[Option<CalibrationSet>]) -> Result<(), Diagnostics> {
    let serials: Vec<_> = sets.iter().map(|set| set.as_ref().and_then(CalibrationSet::serial)).collect();
    let mut diagnostics = Diagnostics::default();
    for (i, serial) in serials.iter().enumerate() {
        let Some(serial) = serial else { continue };
        if let Some(j) = serials[..i].iter().position(|s| s.as_ref() == Some(serial)) {
            let expected = format!("calibrations of another instrument than instrument[{j}]");
            let found = format!("the same serial number `{serial}`");
            diagnostics.0.push(Diagnostic {
                key: format!("instrument[{i}].calibrations"),
                ..Diagnostic::of_file(path, &expected, found)
            });
        }
    }
    diagnostics.into_result()
}

fn unusable(path: &Path) -> Diagnostics {
    Diagnostics::one(Diagnostic::of_file(
        path,
        "a complete configuration",
        "one with a part that cannot be used".into(),
    ))
}

#[cfg(test)]
mod tests;
