//! Verifies a database: completeness, consistency, and the values of a sample of readings by recomputation.
//!
//! Reads only, and continues after a fault. Invariant: an undamaged database has no fault, also after kills and power cuts; raw
//! frames purged as configured are reported as a note.

pub mod check;
mod readings;

use crate::store::{Reader, StoreError};
pub use check::Check;
use readings::ReadingChecks;

/// Called with the number of readings checked so far and the total.
pub type Progress<'a> = &'a mut dyn FnMut(u64, u64);

/// Runs all checks; `sample` readings, evenly distributed, are recomputed.
pub fn verify_database(reader: &Reader, sample: u64, progress: Progress<'_>) -> Vec<Check> {
    let mut integrity = integrity(reader);
    let mut rows = rows(reader);
    let darks = darks(reader);
    let mut checks = match ReadingChecks::new(reader, sample) {
        Ok(checks) => checks,
        Err(why) => {
            integrity.fault(why);
            return vec![integrity, rows, darks];
        }
    };
    checks.run(progress);
    let [readings, frames, gaps, values] = checks.finish();
    // Rows without a checksum that could not be read.
    for left_out in reader.take_damage() {
        if !rows.faults.contains(&left_out) && !readings.faults.contains(&left_out) {
            rows.fault(left_out);
        }
    }
    vec![integrity, rows, readings, frames, darks, gaps, values]
}

/// Checks the integrity of the file, and foreign keys.
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

/// Checks the checksums of rows, and the hashes of stored texts.
fn rows(reader: &Reader) -> Check {
    let mut check = Check::new("rows", "rows with a checksum");
    let done = reader.check_rows(&mut |row| {
        check.checked += 1;
        if let Err(why) = row {
            check.fault(why);
        }
    });
    if let Err(why) = done {
        check.fault(why);
    }
    check
}

/// Checks that darks and dark models can be decoded.
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
    for id in reader.ids_of_lamp_shapes()? {
        check.checked += 1;
        if let Err(why) = reader.lamp_shapes(id) {
            check.fault(why);
        }
    }
    Ok(())
}
