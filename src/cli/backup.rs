//! `vigilux backup FILE`: copies the database while it is in use and verifies the copy before it gets its name.

use super::output::{self, InUse};
use super::source::Source;
use super::verify::{report, result, verify};
use super::{Failure, print, print_json};
use crate::clock::{Clock, RealClock};
use crate::store::Reader;
use serde_json::json;
use std::path::PathBuf;

/// Readings of the copy that are recomputed; a few suffice, since the copy has the same rows.
const SAMPLE: u64 = 100;

/// Arguments of `backup`.
#[derive(Clone, Debug, clap::Args)]
pub struct BackupArgs {
    #[command(flatten)]
    source: Source,
    /// Path of the copy
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Replace an existing file
    #[arg(long, alias = "overwrite")]
    force: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `backup`.
pub fn run(args: &BackupArgs) -> Result<(), Failure> {
    let reader = args.source.open(RealClock::new().now())?.reader;
    let target = &args.file;
    if output::is_standard_output(target) {
        return Err(Failure::Usage(
            "expected the path of a file, but found `-`: a copy is verified in its file".into(),
        ));
    }
    let in_use = InUse::default().database(reader.path()).configuration(args.source.config.as_deref());
    output::check_copy(target, args.force, &in_use)?;
    let mut counts = None;
    reader.backup(target, |copy| {
        let copy = Reader::open(copy)?;
        let checks = verify(&copy, SAMPLE);
        result(&checks)
            .map_err(|why| Failure::Failed(format!("the copy was discarded: {why}\n{}", report(&checks))))?;
        counts = Some(copy.counts()?);
        Ok::<(), Failure>(())
    })?;
    // Set by the verification; a failed copy returned above.
    let Some(counts) = counts else { return Ok(()) };
    if args.json {
        let file = target.to_string_lossy();
        return print_json(&json!({ "file": file, "readings": counts.readings, "bytes": counts.bytes }));
    }
    print(&format!("{} readings in {} ({} bytes), verified\n", counts.readings, target.display(), counts.bytes))
}
