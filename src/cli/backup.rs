//! `vigilux backup FILE`: a copy of the database while it is in use, looked over before it gets its name.

use super::source::Source;
use super::verify::{look_over, report, verdict};
use super::{Failure, print, print_json};
use crate::clock::{Clock, RealClock};
use crate::store::Reader;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Readings of the copy that are computed again: it has the same rows, so a few tell.
const SAMPLE: u64 = 100;

/// Arguments of `backup`.
#[derive(Clone, Debug, clap::Args)]
pub struct BackupArgs {
    #[command(flatten)]
    source: Source,
    /// Where the copy goes
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Put the copy in the place of a file that is there
    #[arg(long)]
    overwrite: bool,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `backup`.
pub fn run(args: &BackupArgs) -> Result<(), Failure> {
    let reader = args.source.open(RealClock::new().now())?.reader;
    let target = &args.file;
    if same_file(target, reader.path()) {
        return Err(Failure::Usage(format!("{}: expected another file than the database itself", target.display())));
    }
    if target.exists() && !args.overwrite {
        let name = target.display();
        return Err(Failure::Usage(format!(
            "{name}: expected no such file, but there is one; --overwrite replaces it"
        )));
    }
    let mut counts = None;
    reader.backup(target, |copy| {
        let copy = Reader::open(copy)?;
        let checks = look_over(&copy, SAMPLE);
        verdict(&checks).map_err(|why| Failure::Failed(format!("the copy is not kept: {why}\n{}", report(&checks))))?;
        counts = Some(copy.counts()?);
        Ok::<(), Failure>(())
    })?;
    // The check above ran, or the copy failed.
    let Some(counts) = counts else { return Ok(()) };
    if args.json {
        let file = target.to_string_lossy();
        return print_json(&json!({ "file": file, "readings": counts.readings, "bytes": counts.bytes }));
    }
    print(&format!("{} readings in {} ({} bytes), looked over\n", counts.readings, target.display(), counts.bytes))
}

fn same_file(a: &Path, b: &Path) -> bool {
    match (a.canonicalize(), b.canonicalize()) {
        (Ok(a), Ok(b)) => a == b,
        _ => false,
    }
}
