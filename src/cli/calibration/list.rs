//! `vigilux calibration list`: the calibrations of each instrument with their validity, which one is active, and warnings.
//!
//! Reads the configuration and its calibration files; the database, where there is one, says since when each was used. Changes nothing.

use super::super::configuration::ConfigArg;
use super::super::{Failure, print, print_json};
use crate::calibration::{Active, Calibration, CalibrationSet};
use crate::cli::check::warnings;
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::config::{self, Setup};
use crate::store::Reader;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

/// Arguments of `calibration list`.
#[derive(Clone, Debug, clap::Args)]
pub struct ListArgs {
    #[command(flatten)]
    config: ConfigArg,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `calibration list`.
pub fn run(args: &ListArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let setup = config::load(&args.config.path()?, now)?;
    let listed = list(&setup, &used_since(&setup.config.store.path)?, now);
    if args.json { print_json(&listed) } else { print(&text(&listed)) }
}

/// Since when each calibration was in use, by its text.
type UsedSince = BTreeMap<String, UtcMicros>;

/// From the database; empty where there is none yet.
fn used_since(database: &Path) -> Result<UsedSince, Failure> {
    if !database.exists() {
        return Ok(UsedSince::new());
    }
    let stored = Reader::open(database)?.calibrations()?;
    Ok(stored.into_iter().filter(|c| c.since.0 > 0).map(|c| (c.text, c.since)).collect())
}

/// The calibrations of one instrument.
#[derive(Debug, serde::Serialize)]
struct Listed {
    instrument: String,
    serial: String,
    calibrations: Vec<Entry>,
    warnings: Vec<String>,
}

/// One calibration.
#[derive(Debug, serde::Serialize)]
struct Entry {
    id: String,
    file: String,
    certificate: String,
    valid_from: String,
    /// `None` for an open end without a successor.
    valid_until: Option<String>,
    /// `active`, `expired`, `past` or `future`.
    state: &'static str,
    /// Since when the daemon has used it; `None` where it has not.
    used_since: Option<String>,
    /// Relative expanded uncertainty of the response, k = 2: the smallest and the largest [1].
    response_uncertainty: (f64, f64),
}

fn list(setup: &Setup, used: &UsedSince, now: UtcMicros) -> Vec<Listed> {
    let instruments = setup.config.instruments.iter().zip(&setup.calibrations);
    instruments
        .map(|(instrument, set)| Listed {
            instrument: instrument.name.clone(),
            serial: set.serial().unwrap_or_default().to_owned(),
            calibrations: set.entries().map(|(path, c)| entry(path, c, set, used, now)).collect(),
            warnings: warnings::of_calibrations(&instrument.name, set, now),
        })
        .collect()
}

fn entry(path: &Path, c: &Calibration, set: &CalibrationSet, used: &UsedSince, now: UtcMicros) -> Entry {
    let state = match set.active(now, set.serial().unwrap_or_default()) {
        Active::Valid(active) if active.id == c.id => "active",
        Active::Expired(last) if last.id == c.id => "expired",
        _ if c.valid_from > now => "future",
        _ => "past",
    };
    let expanded =
        |pick: fn(f64, f64) -> f64| 2.0 * c.response.relative_uncertainty.iter().copied().fold(f64::NAN, pick);
    Entry {
        id: c.id.clone(),
        file: path.display().to_string(),
        certificate: c.certificate.clone(),
        valid_from: c.valid_from.to_string(),
        valid_until: c.end().map(|t| t.to_string()),
        state,
        used_since: used.get(&c.text).map(|t| t.to_string()),
        response_uncertainty: (expanded(f64::min), expanded(f64::max)),
    }
}

fn text(listed: &[Listed]) -> String {
    let mut t = String::new();
    // Writing to a String cannot fail.
    for instrument in listed {
        let _ = writeln!(t, "{} (serial number {})", instrument.instrument, instrument.serial);
        for c in &instrument.calibrations {
            let until = c.valid_until.as_deref().unwrap_or("the next one begins");
            let used = c.used_since.as_ref().map_or_else(|| "not used yet".to_owned(), |t| format!("in use since {t}"));
            let (low, high) = (c.response_uncertainty.0 * 100.0, c.response_uncertainty.1 * 100.0);
            let _ = writeln!(t, "  {:<8} {}: {} to {until}; {used}", c.state, c.id, c.valid_from);
            let _ =
                writeln!(t, "           response ±{low:.1} % to ±{high:.1} % (k = 2); {}; {}", c.certificate, c.file);
        }
        for warning in &instrument.warnings {
            let _ = writeln!(t, "  warning: {warning}");
        }
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibration::file;
    use std::path::PathBuf;

    /// Three calibrations in a row, the middle one with an open end: one is active, and the open end is that of its successor.
    #[test]
    fn the_list_says_what_is_active_and_until_when() {
        let made = |id: &str, from: &str, until: Option<&str>| {
            let text = crate::simulator::certificate::certificate(&Default::default()).unwrap();
            let mut c = file::parse(Path::new("c.toml"), &text).unwrap();
            c.id = id.to_owned();
            c.text = id.to_owned();
            c.valid_from = UtcMicros::parse(from).unwrap();
            c.valid_until = until.map_or(Calibration::NO_END, |t| UtcMicros::parse(t).unwrap());
            (PathBuf::from(format!("{id}.toml")), c)
        };
        let set = CalibrationSet::new(vec![
            made("a", "2024-01-01T00:00:00Z", Some("2025-01-01T00:00:00Z")),
            made("b", "2025-02-01T00:00:00Z", None),
            made("c", "2026-12-01T00:00:00Z", None),
        ])
        .unwrap();
        let now = UtcMicros::parse("2026-06-21T12:00:00Z").unwrap();
        let used = UsedSince::from([("b".to_owned(), UtcMicros::parse("2025-02-03T00:00:00Z").unwrap())]);
        let calibrations = set.entries().map(|(path, c)| entry(path, c, &set, &used, now)).collect::<Vec<_>>();
        let shown: Vec<_> = calibrations.iter().map(|c| (&c.id[..], c.state, c.valid_until.as_deref())).collect();
        assert_eq!(
            shown,
            [
                ("a", "past", Some("2025-01-01T00:00:00Z")),
                ("b", "active", Some("2026-12-01T00:00:00Z")),
                ("c", "future", None)
            ]
        );
        let warnings = warnings::of_calibrations("south", &set, now);
        assert_eq!(warnings, ["south: no calibration is valid from 2025-01-01T00:00:00Z to 2025-02-01T00:00:00Z"]);
        let text = text(&[Listed { instrument: "south".into(), serial: "7".into(), calibrations, warnings }]);
        assert!(text.contains(
            "  active   b: 2025-02-01T00:00:00Z to 2026-12-01T00:00:00Z; in use since 2025-02-03T00:00:00Z\n"
        ));
        assert!(text.contains("  future   c: 2026-12-01T00:00:00Z to the next one begins; not used yet\n"), "{text}");
    }
}
