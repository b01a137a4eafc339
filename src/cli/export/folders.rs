//! Formats that are written into a folder, with a progress bar.

use super::super::source::Archive;
use super::super::{Failure, print};
use super::{Selection, header, nothing, noun};
use crate::clock::UtcMicros;
use crate::export::netcdf::{NetCdf, Per};
use crate::export::parquet::Parquet;
use crate::export::rows::{ExportRange, Written};
use crate::export::sheet::Sink;
use crate::export::{ExportError, What};
use indicatif::{ProgressBar, ProgressStyle};
use std::path::Path;

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Self {
        Self::Failed(error.to_string())
    }
}

/// Writes NetCDF files; returns the number of rows.
pub fn netcdf(
    archive: &Archive,
    selection: &Selection,
    what: What,
    per: Per,
    folder: &Path,
    now: UtcMicros,
) -> Result<u64, Failure> {
    let mut sink = NetCdf::new(folder, what, per, header(archive, selection, what)?, now.to_string());
    let rows = walk(archive, selection, what, &mut sink)?;
    sink.finish()?;
    report(rows, sink.files, what, folder)?;
    Ok(rows)
}

/// Writes Parquet files; returns the number of rows.
pub fn parquet(archive: &Archive, selection: &Selection, what: What, folder: &Path) -> Result<u64, Failure> {
    let mut sink = Parquet::new(folder, what, header(archive, selection, what)?);
    let rows = walk(archive, selection, what, &mut sink)?;
    report(rows, sink.files, what, folder)?;
    Ok(rows)
}

fn report(rows: u64, files: u64, what: What, folder: &Path) -> Result<(), Failure> {
    if rows == 0 {
        return Err(nothing(what));
    }
    let s = if files == 1 { "" } else { "s" };
    print(&format!("{rows} {} in {files} file{s} written to {}\n", noun(what), folder.display()))
}

/// Passes all selected rows to a sink, instrument by instrument, or the list of the station; returns their number.
pub fn walk(archive: &Archive, selection: &Selection, what: What, sink: &mut dyn Sink) -> Result<u64, ExportError> {
    let walk = ExportRange {
        reader: &archive.reader,
        config: archive.config.as_ref(),
        what,
        from: selection.from,
        to: selection.to,
    };
    if what.is_list() {
        return walk.list(selection.instrument.as_deref(), sink);
    }
    let mut names: Vec<String> = archive.reader.instruments()?.into_iter().map(|i| i.name).collect();
    names.sort();
    names.dedup();
    names.retain(|name| selection.instrument.as_ref().is_none_or(|wanted| wanted == name));
    let mut all = Written::default();
    for name in names {
        let bar = progress(&name);
        let written = walk.run(&name, sink, &mut |days, of| {
            bar.set_length(of);
            bar.set_position(days);
        });
        bar.finish_and_clear();
        let written = written?;
        all.rows += written.rows;
        all.missing += written.missing;
    }
    if all.missing > 0 {
        eprintln!(
            "{} readings have no spectrum: their calibration, dark or raw frames are not stored or damaged",
            all.missing
        );
    }
    Ok(all.rows)
}

/// A progress bar on stderr, visible on a terminal only.
fn progress(name: &str) -> ProgressBar {
    let bar = ProgressBar::new(0);
    // The template is a constant; an invalid one would only give a plain bar.
    if let Ok(style) = ProgressStyle::with_template("{prefix} {bar:30} {pos}/{len} days, {eta} left") {
        bar.set_style(style);
    }
    bar.set_prefix(name.to_owned());
    bar
}
