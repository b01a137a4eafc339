//! What `check` warns of: a configuration that is valid and yet not what its owner wants.
//!
//! Tries whether the folder of the database is writable, by creating a file in it and deleting it. Opens no port.

use crate::calibration::{Active, Calibration, CalibrationSet};
use crate::clock::UtcMicros;
use crate::config::{self, Config, InstrumentConfig, Setup, Station};
use crate::quantities::SourceRule;
use std::path::Path;

/// Days before the end of a calibration's validity from which `check` warns.
const WARN_DAYS: f64 = 30.0;
/// Ultraviolet radiation ends here [nm].
const ULTRAVIOLET_BELOW_NM: f64 = 400.0;
/// Identifier and serial number of the calibration that the program ships as an example.
const EXAMPLE_CALIBRATION: (&str, &str) = ("example", "EXAMPLE-0001");
/// Names and coordinates of the invented sites that the program ships [degrees].
const EXAMPLE_SITES: [(&str, f64, f64); 3] =
    [("Example roof", 56.30, 9.70), ("Example glasshouse", 51.95, 4.30), ("Example lamp rack", 48.20, 16.35)];

/// All warnings of a setup.
pub fn of_setup(setup: &Setup, now: UtcMicros) -> Vec<String> {
    let Config { station, store, instruments, .. } = &setup.config;
    let mut warnings: Vec<String> = of_site(station).into_iter().chain(of_store(&store.path)).collect();
    for (instrument, set) in instruments.iter().zip(&setup.calibrations) {
        warnings.extend(of_link(instrument));
        warnings.extend(of_calibrations(&instrument.name, set, now));
        warnings.extend(of_schedule(instrument, now));
        if station.source_rule() == SourceRule::Lamp {
            warnings.extend(lit_floor_bands(&instrument.name, set));
        }
    }
    warnings
}

/// An invented site that was not changed.
fn of_site(station: &Station) -> Option<String> {
    let place = station.place;
    let (name, ..) = EXAMPLE_SITES
        .into_iter()
        .find(|(name, lat, lon)| station.name == *name || (place.latitude_deg, place.longitude_deg) == (*lat, *lon))?;
    Some(format!(
        "station: name or coordinates are still those of the invented site `{name}`: sun and days are of another place"
    ))
}

/// A folder that does not exist or cannot be written.
fn of_store(database: &Path) -> Option<String> {
    let folder = database.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if !folder.is_dir() {
        return Some(format!("store.path: the folder {} does not exist (yet)", folder.display()));
    }
    let trial = folder.join(format!(".vigilux-check-{}", std::process::id()));
    let created = std::fs::File::options().write(true).create_new(true).open(&trial);
    let why = match created.map(|_| std::fs::remove_file(&trial)) {
        Ok(_) => return None,
        Err(e) => e,
    };
    Some(format!("store.path: this user cannot write to the folder {}: {why}", folder.display()))
}

/// A device that is not there. Addresses on the network are not looked for.
fn of_link(instrument: &InstrumentConfig) -> Option<String> {
    let (name, link) = (&instrument.name, instrument.link.display().to_string());
    (!link.contains("://") && !instrument.link.exists())
        .then(|| format!("{name}: the device {link} is not there: is it plugged in and switched on?"))
}

/// An example in use, a validity that ends soon or has ended, and times without a calibration.
pub fn of_calibrations(instrument: &str, set: &CalibrationSet, now: UtcMicros) -> Vec<String> {
    let mut warnings = Vec::new();
    let example = |c: &Calibration| c.id == EXAMPLE_CALIBRATION.0 || c.instrument_serial == EXAMPLE_CALIBRATION.1;
    if let Some((path, _)) = set.entries().find(|(_, c)| example(c)) {
        let path = path.display();
        warnings.push(format!(
            "{instrument}: {path} is the example calibration, whose numbers are invented: readings are meaningless"
        ));
    }
    let entries: Vec<&Calibration> = set.entries().map(|(_, c)| c).collect();
    for pair in entries.windows(2) {
        if let Some(end) = pair[0].end().filter(|end| *end < pair[1].valid_from) {
            warnings.push(format!("{instrument}: no calibration is valid from {end} to {}", pair[1].valid_from));
        }
    }
    match set.active(now, set.serial().unwrap_or_default()) {
        Active::Expired(last) => {
            warnings.push(format!(
                "{instrument}: calibration `{}` ended at {}: readings are flagged",
                last.id, last.valid_until
            ));
        }
        Active::Missing => warnings.push(format!("{instrument}: no calibration is valid yet: readings have no values")),
        Active::Valid(_) => {
            let last = entries.last().and_then(|last| Some((last, last.end()?)));
            if let Some((last, end)) = last
                && end.seconds_since(now) < WARN_DAYS * 86_400.0
            {
                let days = end.seconds_since(now) / 86_400.0;
                warnings.push(format!(
                    "{instrument}: calibration `{}` ends in {days:.0} days and no other follows it",
                    last.id
                ));
            }
        }
    }
    warnings
}

/// A reading that may take longer than the interval of the schedule.
fn of_schedule(instrument: &InstrumentConfig, now: UtcMicros) -> Option<String> {
    let (name, budget) = (&instrument.name, instrument.exposure.budget_s);
    let interval = config::cron::shortest_interval_s(&instrument.schedule.cron, now);
    (interval.is_some_and(|s| budget >= s) && instrument.schedule.window_s.is_none()).then(|| {
        format!(
            "{name}: exposure.budget_s ({budget} s) is not shorter than the interval of the schedule: in weak light, ticks will become gaps (`busy`)"
        )
    })
}

/// A warning for each calibration whose stray-light floor is read where lamps may emit.
fn lit_floor_bands(instrument: &str, set: &CalibrationSet) -> Vec<String> {
    let bands = set.entries().filter_map(|(_, c)| Some((&c.id, c.stray_light.floor_band_nm?)));
    let ultraviolet = bands.filter(|(_, (low, _))| *low < ULTRAVIOLET_BELOW_NM);
    ultraviolet
        .map(|(id, (low, high))| {
            format!(
                "{instrument}: calibration `{id}` takes the stray-light floor from {low} nm to {high} nm: a lamp that emits there \
                 makes ultraviolet quantities read too low"
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{Clock, RealClock};

    /// The samples that the program ships warn of site, certificate and device; a folder that can be written gives no warning and
    /// keeps no file.
    #[test]
    fn the_samples_warn_of_everything_that_is_invented() {
        let now = RealClock::new().now();
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
        for sample in ["roof", "glasshouse", "lamp"] {
            let mut setup = config::load(&folder.join(format!("{sample}.toml")), now).unwrap();
            let written = tempfile::tempdir().unwrap();
            setup.config.store.path = written.path().join("v.db");
            setup.config.instruments[0].link = written.path().join("line");
            let warnings = of_setup(&setup, now).join("\n");
            for expected in ["the invented site `Example", "is the example calibration", "/line is not there"] {
                assert!(warnings.contains(expected), "{sample}: no `{expected}` in\n{warnings}");
            }
            assert!(!warnings.contains("store.path"), "{warnings}");
            assert_eq!(std::fs::read_dir(written.path()).unwrap().count(), 0);
            setup.config.store.path = written.path().join("none/v.db");
            assert!(of_setup(&setup, now).join("\n").contains("none does not exist (yet)"));
            // No user, not even root, can create a file there.
            setup.config.store.path = "/proc/v.db".into();
            assert!(
                of_setup(&setup, now).join("\n").contains("store.path: this user cannot write to the folder /proc: ")
            );
        }
    }
}
