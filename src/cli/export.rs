//! `vigilux export`: readings, spectra, darks, frames, and what they were computed with, for other programs.
//!
//! CSV to stdout or a file, NetCDF and Parquet into a folder; read in pieces, so that memory does not grow with the range. Every
//! file begins with the origin of its numbers and the safety notices.
//!
//! Invariant: a file is complete or absent.

mod folders;
#[cfg(test)]
mod tests;

use super::format::shown;
use super::output::{self, InUse};
use super::source::{Archive, ComputationArg, Source, instant};
use super::{Failure, print};
use crate::clock::{Clock, RealClock, UtcMicros, zone_name};
use crate::export::atomic_file::AtomicFile;
use crate::export::netcdf::Per;
use crate::export::{ExportError, Header, What, columns, long};
use crate::quantities::cautions;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Arguments of `export`.
#[derive(Clone, Debug, clap::Args)]
pub struct ExportArgs {
    #[command(flatten)]
    source: Source,
    #[command(flatten)]
    computation: ComputationArg,
    /// Format of the export
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// What to export
    #[arg(long, value_enum, default_value_t = What::Values)]
    what: What,
    /// NetCDF: range of one file
    #[arg(long, value_enum, default_value_t = Per::Day)]
    per: Per,
    /// Only this instrument
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
    /// Readings from this instant on: RFC 3339, or a date in UTC
    #[arg(long, value_name = "TIME", value_parser = instant)]
    from: Option<UtcMicros>,
    /// Readings before this instant: RFC 3339, or a date in UTC
    #[arg(long, value_name = "TIME", value_parser = instant)]
    to: Option<UtcMicros>,
    /// CSV: output file, `-` or none for standard output. NetCDF and Parquet: output folder, whose files of the same names are
    /// replaced
    #[arg(long, value_name = "PATH")]
    output: Option<PathBuf>,
    /// CSV: replace an existing file
    #[arg(long)]
    force: bool,
}

/// Formats of an export.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// Comma-separated values, UTF-8; lines that begin with `#` state the origin
    Csv,
    /// CF-1.11, 64-bit offset; one file per instrument and day, or per instrument (--per)
    Netcdf,
    /// Partitions station=/instrument=/date=, zstd
    Parquet,
}

/// Range and instrument of the exported readings.
#[derive(Clone, Debug)]
struct Selection {
    from: UtcMicros,
    to: UtcMicros,
    instrument: Option<String>,
}

/// Runs `export`.
pub fn run(args: ExportArgs) -> Result<(), Failure> {
    let (from, to) = (args.from.unwrap_or(UtcMicros(i64::MIN)), args.to.unwrap_or(UtcMicros(i64::MAX)));
    if from >= to {
        return Err(Failure::Usage(format!("--to: expected an instant after --from {from}, but found {to}")));
    }
    if args.format != Format::Csv && args.output.as_deref().is_none_or(output::is_standard_output) {
        return Err(Failure::Usage("--output: expected the output folder, but found none".into()));
    }
    if args.per == Per::Range && args.format != Format::Netcdf {
        return Err(Failure::Usage(
            "--per: expected --format netcdf together with `range`, but found another format".into(),
        ));
    }
    let now = RealClock::new().now();
    let archive = args.computation.select(args.source.open(now)?)?;
    if args.instrument.is_some() {
        archive.instruments(args.instrument.as_deref())?;
    }
    let selection = Selection { from, to, instrument: args.instrument.clone() };
    let path = args.output.as_deref().filter(|path| !output::is_standard_output(path));
    check_output(&args, &archive, path)?;
    let written = match (args.format, path) {
        (Format::Netcdf, Some(folder)) => folders::netcdf(&archive, &selection, args.what, args.per, folder, now),
        (Format::Parquet, Some(folder)) => folders::parquet(&archive, &selection, args.what, folder),
        (_, None) => to_stdout(&archive, &selection, args.what),
        (_, Some(path)) => {
            let written = write_atomically(path, |out| match csv(&archive, &selection, args.what, path, out)? {
                0 => Err(WriteError::Command(nothing(args.what))),
                rows => Ok(rows),
            });
            let rows = written.map_err(|e| e.at(path))?;
            print(&format!("{rows} {} written to {}\n", noun(args.what), path.display())).map(|()| rows)
        }
    };
    let rows = written.or_else(|why| archive.finish().and(Err(why)))?;
    archive.finish()?;
    if rows == 0 {
        return Err(nothing(args.what));
    }
    Ok(())
}

/// The failure of an export without rows.
fn nothing(what: What) -> Failure {
    Failure::Failed(format!("no {} in this range", noun(what)))
}

/// A failure if the output may not be written.
fn check_output(args: &ExportArgs, archive: &Archive, path: Option<&Path>) -> Result<(), Failure> {
    match path {
        None => Ok(()),
        Some(folder) if args.format != Format::Csv => output::check_folder(folder),
        Some(file) => {
            let in_use = InUse::default().database(archive.reader.path()).configuration(args.source.config.as_deref());
            output::check_file(file, args.force, &in_use)
        }
    }
}

/// Writes CSV to standard output; returns the number of rows.
fn to_stdout(archive: &Archive, selection: &Selection, what: What) -> Result<u64, Failure> {
    let mut out = BufWriter::new(std::io::stdout().lock());
    let path = Path::new("stdout");
    let rows = csv(archive, selection, what, path, &mut out);
    match rows.and_then(|n| out.flush().map(|()| n).map_err(WriteError::Output)) {
        // The reader of a pipe may stop early (`| head`).
        Err(WriteError::Output(e)) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(1),
        other => other.map_err(|e| e.at(path)),
    }
}

/// What a row is, in the plural.
fn noun(what: What) -> &'static str {
    match what {
        What::Values => "readings",
        What::Spectra => "spectra",
        What::Reduction => "reductions",
        What::Darks => "darks",
        What::Frames => "frames",
        What::Calibrations => "calibrations",
        What::DarkModels => "dark models",
        What::Detector => "detectors",
        What::Events => "events",
    }
}

/// Writes CSV; returns the number of rows.
fn csv(
    archive: &Archive,
    selection: &Selection,
    what: What,
    path: &Path,
    out: &mut impl Write,
) -> Result<u64, WriteError> {
    for (key, text) in header(archive, selection, what)?.lines() {
        comment(out, &key, text)?;
    }
    let windows = archive.reader.has_windows()?;
    if what == What::Values {
        explain_values(out, windows)?;
    }
    let in_export = |e| match e {
        ExportError::Output { why, .. } => WriteError::Output(why),
        other => WriteError::Command(other.into()),
    };
    let mut csv = long::Long::new(out, path.to_owned());
    let rows = folders::walk(archive, selection, what, &mut csv).map_err(in_export)?;
    csv.finish(&columns(what, archive.reader.quantities(), windows)).map_err(in_export)?;
    Ok(rows)
}

/// What the columns of the values mean.
fn explain_values(out: &mut impl Write, windows: bool) -> Result<(), WriteError> {
    let mut line = |key: &str, text: &str| comment(out, key, text);
    line("time", "time_mid is the time of a reading; rows are in the order in which they were stored")?;
    line("uncertainty", "ID_uncertainty is the standard uncertainty (k = 1) in the unit of ID")?;
    line("verdict", "good, suspect or bad; empty where there is no value, with the reason in reasons")?;
    line(
        "flags",
        "ID_flags are the flags that touch ID; flags are those of the reading; `vigilux flags` explains them",
    )?;
    if windows {
        line("window", "ID_minimum, ID_maximum, ID_deviation over the exposures of a window, in the unit of ID")?;
    }
    Ok(())
}

/// Why CSV could not be written.
#[derive(Debug)]
enum WriteError {
    /// The output.
    Output(std::io::Error),
    /// Anything else.
    Command(Failure),
}

impl WriteError {
    fn at(self, path: &Path) -> Failure {
        match self {
            Self::Output(e) => Failure::Failed(format!("{}: {e}", path.display())),
            Self::Command(failure) => failure,
        }
    }
}

impl<E: Into<Failure>> From<E> for WriteError {
    fn from(error: E) -> Self {
        Self::Command(error.into())
    }
}

/// Writes a temporary file beside `path`, synchronises it and renames it to `path`.
fn write_atomically<T>(
    path: &Path,
    write: impl FnOnce(&mut BufWriter<File>) -> Result<T, WriteError>,
) -> Result<T, WriteError> {
    let file = AtomicFile::new(path);
    let mut out = BufWriter::new(File::create(file.temporary_path()).map_err(WriteError::Output)?);
    let result = write(&mut out)?;
    out.into_inner().map_err(|e| WriteError::Output(e.into_error()))?;
    file.commit()?;
    Ok(result)
}

/// The head of every file: origin and safety notices. Values carry the notices of the groups they hold; spectra and counts carry
/// all of them, since they can be weighted for any group.
fn header(archive: &Archive, selection: &Selection, what: What) -> Result<Header, Failure> {
    let cautions = match what {
        What::Values => archive.cautions(),
        _ if what.is_list() => Vec::new(),
        _ => cautions(|_| true, archive.source_rule()),
    };
    Ok(Header { provenance: provenance(archive, selection)?, cautions })
}

/// Origin of the numbers.
fn provenance(archive: &Archive, selection: &Selection) -> Result<Vec<(String, String)>, Failure> {
    let reader = &archive.reader;
    let mut lines = vec![("program".to_owned(), concat!("vigilux ", env!("CARGO_PKG_VERSION")).to_owned())];
    let mut line = |key: &str, text: String| lines.push((key.to_owned(), text));
    if let Some(config) = &archive.config {
        let (s, p) = (&config.station, config.station.place);
        let place = format!("{} deg north, {} deg east, {} m", p.latitude_deg, p.longitude_deg, p.altitude_m);
        line("station", format!("{} ({}), {place}, time zone {}", s.name, s.kind.name(), zone_name(&s.time_zone)));
    }
    for i in reader.instruments()? {
        line("instrument", format!("{}, serial number {}", i.name, i.serial));
    }
    for c in reader.calibrations()? {
        line("calibration", format!("{}, sha256 {}", c.name, c.sha256));
    }
    for c in reader.configurations()? {
        line("configuration", format!("row {}, sha256 {}", c.id, c.sha256));
    }
    for c in reader.computations()? {
        line("computation", format!("row {}, vigilux {}, sha256 {}", c.id, c.program_version, c.sha256));
    }
    if let Some(id) = reader.named_computation() {
        line("values", format!("of computation {id}, active or not"));
    }
    if selection.from.0 != i64::MIN {
        line("from", selection.from.to_string());
    }
    if selection.to.0 != i64::MAX {
        line("to", selection.to.to_string());
    }
    Ok(lines)
}

/// Writes a `# key: value` line; line breaks in the text become spaces, other control characters are escaped.
fn comment(out: &mut impl Write, key: &str, text: &str) -> Result<(), WriteError> {
    let text = text.replace(['\n', '\r'], " ");
    writeln!(out, "# {key}: {}", shown(&text)).map_err(WriteError::Output)
}
