//! Verifies a whole database: is everything there, is it consistent, and do the values follow from the facts?
//!
//! Reads only, and continues after a fault. Invariant: a database that a daemon wrote and nobody damaged has no fault, also after kills and power
//! cuts; raw frames that were purged as configured are noted, and are no fault.

pub mod check;
mod readings;

use crate::store::{Reader, StoreError};
pub use check::Check;
use readings::ReadingChecks;

/// Called with the readings seen so far and their total.
pub type Progress<'a> = &'a mut dyn FnMut(u64, u64);

/// Verifies everything; `sample` readings, evenly distributed, are also recomputed.
pub fn verify_database(reader: &Reader, sample: u64, progress: Progress<'_>) -> Vec<Check> {
    let mut integrity = integrity(reader);
    let darks = darks(reader);
    let mut checks = match ReadingChecks::new(reader, sample) {
        Ok(checks) => checks,
        Err(why) => {
            integrity.fault(why);
            return vec![integrity, darks];
        }
    };
    checks.run(progress);
    let [readings, frames, gaps, values] = checks.finish();
    vec![integrity, readings, frames, darks, gaps, values]
}

/// The database as a file, and the references between its rows.
fn integrity(reader: &Reader) -> Check {
    let mut check = Check::new("integrity", "database");
    check.checked = 1;
    for faults in [reader.integrity_faults(), reader.reference_faults()] {
        match faults {
            Ok(faults) => faults.iter().for_each(|f| check.fault(f)),
            Err(why) => check.fault(why),
        }
    }
    check
}

/// Darks and dark models that readings may refer to.
fn darks(reader: &Reader) -> Check {
    let mut check = Check::new("darks", "darks and dark models");
    if let Err(why) = check_darks(reader, &mut check) {
        check.fault(why);
    }
    check
}

fn check_darks(reader: &Reader, check: &mut Check) -> Result<(), StoreError> {
    for id in reader.ids_of_darks()? {
        check.checked += 1;
        if let Err(why) = reader.dark(id) {
            check.fault(why);
        }
    }
    for id in reader.ids_of_dark_models()? {
        check.checked += 1;
        if let Err(why) = reader.dark_model(id) {
            check.fault(why);
        }
    }
    Ok(())
}
