//! The forms that are written into a folder, and the progress people see meanwhile.

use super::super::source::Archive;
use super::super::{Failure, print};
use super::{Choice, header, things};
use crate::clock::UtcMicros;
use crate::export::netcdf::{NetCdf, Per};
use crate::export::parquet::Parquet;
use crate::export::rows::{Walk, Written};
use crate::export::sheet::Sink;
use crate::export::{ExportError, What};
use indicatif::{ProgressBar, ProgressStyle};
use std::path::Path;

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Self {
        Self::Failed(error.to_string())
    }
}

/// Writes NetCDF files.
pub fn netcdf(
    archive: &Archive,
    choice: &Choice,
    what: What,
    per: Per,
    folder: &Path,
    now: UtcMicros,
) -> Result<(), Failure> {
    let mut sink = NetCdf::new(folder, what, per, header(archive, choice, what)?, now.to_string());
    let rows = walk(archive, choice, what, &mut sink)?;
    sink.finish()?;
    told(rows, sink.files, what, folder)
}

/// Writes Parquet files.
pub fn parquet(archive: &Archive, choice: &Choice, what: What, folder: &Path) -> Result<(), Failure> {
    let mut sink = Parquet::new(folder, what, header(archive, choice, what)?);
    let rows = walk(archive, choice, what, &mut sink)?;
    told(rows, sink.files, what, folder)
}

fn told(rows: u64, files: u64, what: What, folder: &Path) -> Result<(), Failure> {
    let s = if files == 1 { "" } else { "s" };
    print(&format!("{rows} {} in {files} file{s} written to {}\n", things(what), folder.display()))
}

/// Hands everything that was chosen to a sink, instrument by instrument, and answers the number of rows.
pub fn walk(archive: &Archive, choice: &Choice, what: What, sink: &mut dyn Sink) -> Result<u64, ExportError> {
    let walk =
        Walk { reader: &archive.reader, config: archive.config.as_ref(), what, from: choice.from, to: choice.to };
    let mut names: Vec<String> = archive.reader.instruments()?.into_iter().map(|i| i.name).collect();
    names.sort();
    names.dedup();
    names.retain(|name| choice.instrument.as_ref().is_none_or(|chosen| chosen == name));
    let mut all = Written::default();
    for name in names {
        let bar = progress(&name);
        let done = walk.run(&name, sink, &mut |days, of| {
            bar.set_length(of);
            bar.set_position(days);
        });
        bar.finish_and_clear();
        let done = done?;
        all.rows += done.rows;
        all.lacking += done.lacking;
    }
    if all.lacking > 0 {
        eprintln!(
            "{} readings have no spectrum: no calibration, dark or raw frame for them is on record, or it is damaged",
            all.lacking
        );
    }
    Ok(all.rows)
}

/// A bar on stderr, which shows itself on a terminal only.
fn progress(name: &str) -> ProgressBar {
    let bar = ProgressBar::new(0);
    // The template is a constant; were it wrong, the bar would merely look plain.
    if let Ok(style) = ProgressStyle::with_template("{prefix} {bar:30} {pos}/{len} days, {eta} left") {
        bar.set_style(style);
    }
    bar.set_prefix(name.to_owned());
    bar
}
