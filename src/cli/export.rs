//! `vigilux export`: readings, spectra, darks and frames for other programs.
//!
//! As CSV to stdout or a file, as NetCDF or Parquet below a folder; read piece by piece, so that memory does not grow with
//! the span. Lines that begin with `#` say where the numbers come from. A file appears whole or not at all.

mod forms;

use super::Failure;
use super::source::{Archive, Named, Source, instant};
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::export::long::quoted;
use crate::export::netcdf::Per;
use crate::export::whole::Whole;
use crate::export::{ExportError, Header, What, long};
use crate::quantities::cautions;
use crate::record::QuantityValue;
use crate::store::StoredReading;
use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Arguments of `export`.
#[derive(Clone, Debug, clap::Args)]
pub struct ExportArgs {
    #[command(flatten)]
    source: Source,
    #[command(flatten)]
    named: Named,
    /// Form of the export
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// What to export
    #[arg(long, value_enum, default_value_t = What::Values)]
    what: What,
    /// NetCDF: what one file holds
    #[arg(long, value_enum, default_value_t = Per::Day)]
    per: Per,
    /// Only what this instrument took
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
    /// Readings from this instant on: RFC 3339, or a date in UTC
    #[arg(long, value_name = "TIME", value_parser = instant)]
    from: Option<UtcMicros>,
    /// Readings before this instant: RFC 3339, or a date in UTC
    #[arg(long, value_name = "TIME", value_parser = instant)]
    to: Option<UtcMicros>,
    /// CSV: the file to write, stdout without it. NetCDF and Parquet: the folder to write into
    #[arg(long, value_name = "PATH")]
    output: Option<PathBuf>,
}

/// Forms of an export.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// Comma-separated values, UTF-8, with `#` lines on where they come from
    Csv,
    /// CF-1.11, 64-bit offset: for each instrument a file a day or one for the range (--per)
    Netcdf,
    /// Partitions station=/instrument=/date=, zstd
    Parquet,
}

/// Which readings, of which instrument.
#[derive(Clone, Debug)]
struct Choice {
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
    if args.format != Format::Csv && args.output.is_none() {
        return Err(Failure::Usage("--output: expected the folder to write into, but found none".into()));
    }
    if args.per == Per::Range && args.format != Format::Netcdf {
        return Err(Failure::Usage("--per: expected --format netcdf beside `range`, but found another form".into()));
    }
    let now = RealClock::new().now();
    let archive = args.named.turn(args.source.open(now)?)?;
    if args.instrument.is_some() {
        archive.chosen(args.instrument.as_deref())?;
    }
    let choice = Choice { from, to, instrument: args.instrument.clone() };
    match (args.format, &args.output) {
        (Format::Netcdf, Some(folder)) => forms::netcdf(&archive, &choice, args.what, args.per, folder, now),
        (Format::Parquet, Some(folder)) => forms::parquet(&archive, &choice, args.what, folder),
        (_, None) => {
            let mut out = BufWriter::new(std::io::stdout().lock());
            let path = Path::new("stdout");
            let done = csv(&archive, &choice, args.what, path, &mut out);
            match done.and_then(|n| out.flush().map(|()| n).map_err(Trouble::Output)) {
                // Whoever reads our output may stop early.
                Err(Trouble::Output(e)) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
                other => other.map(drop).map_err(|e| e.at(path)),
            }
        }
        (_, Some(path)) => {
            let rows = write_whole(path, |out| csv(&archive, &choice, args.what, path, out)).map_err(|e| e.at(path))?;
            super::print(&format!("{rows} {} written to {}\n", things(args.what), path.display()))
        }
    }
}

/// What the rows are, for people.
fn things(what: What) -> &'static str {
    match what {
        What::Values => "readings",
        What::Spectra => "spectra",
        What::Darks => "darks",
        What::Frames => "frames",
    }
}

/// Writes text of any kind.
fn csv(archive: &Archive, choice: &Choice, what: What, path: &Path, out: &mut impl Write) -> Result<u64, Trouble> {
    if what == What::Values {
        return write_csv(archive, choice, out);
    }
    for (key, text) in header(archive, choice, what)?.lines() {
        comment(out, &key, text)?;
    }
    forms::walk(archive, choice, what, &mut long::Long::new(out, path.to_owned())).map_err(|e| match e {
        ExportError::Output { why, .. } => Trouble::Output(why),
        other => Trouble::Store(other.into()),
    })
}

/// What can go wrong on the way.
#[derive(Debug)]
enum Trouble {
    Output(std::io::Error),
    Store(Failure),
}

impl Trouble {
    fn at(self, path: &Path) -> Failure {
        match self {
            Self::Output(e) => Failure::Failed(format!("{}: {e}", path.display())),
            Self::Store(failure) => failure,
        }
    }
}

impl<E: Into<Failure>> From<E> for Trouble {
    fn from(error: E) -> Self {
        Self::Store(error.into())
    }
}

/// Writes a file beside `path`, makes it durable and puts it in the place of `path`.
fn write_whole<T>(path: &Path, write: impl FnOnce(&mut BufWriter<File>) -> Result<T, Trouble>) -> Result<T, Trouble> {
    let whole = Whole::new(path);
    let mut out = BufWriter::new(File::create(whole.part()).map_err(Trouble::Output)?);
    let done = write(&mut out)?;
    out.into_inner().map_err(|e| Trouble::Output(e.into_error()))?;
    whole.keep()?;
    Ok(done)
}

/// Columns before those of the quantities, with their units.
const FACTS: [(&str, &str); 19] = [
    ("id", "1"),
    ("time_start", "UTC"),
    ("time_mid", "UTC"),
    ("time_end", "UTC"),
    ("instrument", ""),
    ("calibration", ""),
    ("configuration", "row"),
    ("computation", "row"),
    ("sun_elevation", "degree"),
    ("sun_azimuth", "degree"),
    ("relative_air_mass", "1"),
    ("detector_temperature", "degC"),
    ("exposures", "count x s"),
    ("peak_level", "1"),
    ("signal_to_noise", "1"),
    ("stray_floor", "counts s-1"),
    ("dark_age", "s"),
    ("flags", ""),
    ("reasons", ""),
];

fn write_csv(archive: &Archive, choice: &Choice, out: &mut impl Write) -> Result<u64, Trouble> {
    let reader = &archive.reader;
    let windows = reader.has_windows()?;
    let mut calibrations: BTreeMap<i64, String> = BTreeMap::new();
    preamble(archive, choice, windows, out)?;
    let mut header: Vec<String> = FACTS.iter().map(|f| f.0.to_owned()).collect();
    for (id, _) in reader.quantities() {
        header.extend(suffixes(windows).iter().map(|s| format!("{id}{s}")));
    }
    writeln!(out, "{}", header.join(",")).map_err(Trouble::Output)?;
    let (mut rows, mut line) = (0, String::new());
    for stored in reader.readings(choice.from, choice.to)? {
        let stored = stored?;
        if choice.instrument.as_ref().is_some_and(|name| *name != stored.reading.instrument) {
            continue;
        }
        let calibration = match stored.made_with.calibration {
            None => "",
            Some(id) => match calibrations.entry(id) {
                Entry::Occupied(known) => &*known.into_mut(),
                Entry::Vacant(place) => {
                    let name = reader.calibration(id)?.map_or(String::new(), |c| c.name);
                    &*place.insert(name)
                }
            },
        };
        line.clear();
        put_row(&mut line, &stored, calibration, reader.quantities(), windows);
        out.write_all(line.as_bytes()).map_err(Trouble::Output)?;
        rows += 1;
    }
    Ok(rows)
}

fn suffixes(windows: bool) -> &'static [&'static str] {
    let all = &["", "_uncertainty", "_verdict", "_minimum", "_maximum", "_deviation"];
    if windows { all } else { &all[..3] }
}

/// The head of every file: origin and safety notices. Values carry the notices of the groups they hold; spectra and counts carry
/// all of them, since they can be weighted for any group.
fn header(archive: &Archive, choice: &Choice, what: What) -> Result<Header, Failure> {
    let cautions = match what {
        What::Values => archive.cautions(),
        What::Spectra | What::Darks | What::Frames => cautions(|_| true, archive.source_rule()),
    };
    Ok(Header { provenance: provenance(archive, choice)?, cautions })
}

/// Origin of the numbers.
fn provenance(archive: &Archive, choice: &Choice) -> Result<Vec<(String, String)>, Failure> {
    let reader = &archive.reader;
    let mut lines = vec![("program".to_owned(), concat!("vigilux ", env!("CARGO_PKG_VERSION")).to_owned())];
    let mut line = |key: &str, text: String| lines.push((key.to_owned(), text));
    if let Some(config) = &archive.config {
        let (s, p) = (&config.station, config.station.place);
        let place = format!("{} deg north, {} deg east, {} m", p.latitude_deg, p.longitude_deg, p.altitude_m);
        line("station", format!("{} ({}), {place}, time zone {}", s.name, s.kind.name(), s.time_zone));
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
        line("values", format!("as computation {id} made them, in force or not"));
    }
    if choice.from.0 != i64::MIN {
        line("from", choice.from.to_string());
    }
    if choice.to.0 != i64::MAX {
        line("to", choice.to.to_string());
    }
    Ok(lines)
}

/// A line of provenance stays one line, whatever a name holds.
fn comment(out: &mut impl Write, key: &str, text: &str) -> Result<(), Trouble> {
    writeln!(out, "# {key}: {}", text.replace(['\n', '\r'], " ")).map_err(Trouble::Output)
}

/// Where the numbers come from and what they mean, one `# key: value` a line.
fn preamble(archive: &Archive, choice: &Choice, windows: bool, out: &mut impl Write) -> Result<(), Trouble> {
    let reader = &archive.reader;
    for (key, text) in header(archive, choice, What::Values)?.lines() {
        comment(out, &key, text)?;
    }
    let mut line = |key: &str, text: &str| comment(out, key, text);
    line("time", "time_mid is the time of a reading; rows stand in the order in which they were stored")?;
    line("uncertainty", "ID_uncertainty is the standard uncertainty (k = 1) in the unit of ID")?;
    line("verdict", "good, suspect or bad; empty where there is no value, with the reason in reasons")?;
    if windows {
        line("window", "ID_minimum, ID_maximum, ID_deviation over the exposures of a window, in the unit of ID")?;
    }
    let facts = FACTS.iter().filter(|f| !f.1.is_empty()).map(|f| (f.0, f.1));
    let quantities = reader.quantities().iter().map(|(id, unit)| (id.as_str(), unit.as_str()));
    for (id, unit) in facts.chain(quantities) {
        line(&format!("unit of {id}"), unit)?;
    }
    Ok(())
}

/// Appends one row to a text; no value is an empty cell.
fn put_row(text: &mut String, stored: &StoredReading, calibration: &str, known: &[(String, String)], windows: bool) {
    let (r, m) = (&stored.reading, stored.made_with);
    // Writing to a String cannot fail.
    let _ = write!(text, "{},{},{},{}", r.id, r.time_start, r.time_mid, r.time_end);
    let _ = write!(text, ",{},{},{},{}", quoted(&r.instrument), quoted(calibration), m.configuration, m.computation);
    put_numbers(text, [r.sun_elevation, r.sun_azimuth, r.relative_air_mass, r.detector_temperature]);
    for (k, e) in r.exposures.iter().enumerate() {
        let _ = write!(text, "{}{}x{}", if k == 0 { "," } else { " " }, e.exposures, e.integration_s);
    }
    if r.exposures.is_empty() {
        text.push(',');
    }
    put_numbers(text, [Some(r.peak_level), r.signal_to_noise, r.stray_floor, r.dark_age]);
    text.push(',');
    text.push_str(&r.flags.names().join(" "));
    let mut reasons = String::new();
    for ((id, _), value) in known.iter().zip(&r.values) {
        if let QuantityValue::Null(reason) = value {
            let _ = write!(reasons, "{}{id}: {reason}", if reasons.is_empty() { "" } else { "; " });
        }
    }
    text.push(',');
    text.push_str(&quoted(&reasons));
    for (k, value) in r.values.iter().enumerate() {
        match value {
            QuantityValue::Value { value, uncertainty, verdict } => {
                put_numbers(text, [Some(*value), Some(*uncertainty)]);
                text.push(',');
                text.push_str(verdict.name());
            }
            QuantityValue::Null(_) => text.push_str(",,,"),
        }
        if windows {
            let w = r.window.get(k).copied().flatten();
            put_numbers(text, [w.map(|w| w.minimum), w.map(|w| w.maximum), w.map(|w| w.deviation)]);
        }
    }
    text.push('\n');
}

/// Appends numbers as further cells.
fn put_numbers<const N: usize>(text: &mut String, numbers: [Option<f64>; N]) {
    for x in numbers {
        text.push(',');
        if let Some(x) = x {
            long::put_number(text, x);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::example_archive::archive;
    use super::*;

    fn csv(archive: &Archive, from: &str, to: &str) -> String {
        let mut out = Vec::new();
        let choice = Choice { from: instant(from).unwrap(), to: instant(to).unwrap(), instrument: None };
        write_csv(archive, &choice, &mut out).unwrap();
        String::from_utf8(out).unwrap()
    }

    /// Identity: names, order and forms of the cells are interface.
    #[test]
    fn a_row_has_the_documented_columns() {
        let (_folder, archive) = archive(false);
        let text = csv(&archive, "2026-06-21", "2026-06-21T12:01:00Z");
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        assert_eq!(
            lines,
            [
                "id,time_start,time_mid,time_end,instrument,calibration,configuration,computation,sun_elevation,\
                 sun_azimuth,relative_air_mass,detector_temperature,exposures,peak_level,signal_to_noise,stray_floor,dark_age,\
                 flags,reasons,ppfd,ppfd_uncertainty,ppfd_verdict,cct,cct_uncertainty,cct_verdict",
                "1,2026-06-21T11:59:59.500Z,2026-06-21T12:00:00Z,2026-06-21T12:00:00.500Z,\"roof, head\",lab-7,1,1,-3.25,\
                 ,,1.5e-7,4x0.05 1x5,0.5,,0.30000000000000004,60,warming low_sun,\
                 \"cct: too little \"\"light\"\", it says\",-0.125,0.5,suspect,,,"
            ]
        );
        for want in ["# instrument: roof, head, serial number VB-1", "# unit of ppfd: umol m-2 s-1", "# unit of cct: K"]
        {
            assert!(text.lines().any(|l| l == want), "no line `{want}` in\n{text}");
        }
        assert!(text.starts_with("# program: vigilux "));
        assert!(text.contains("# from: 2026-06-21T00:00:00Z\n# to: 2026-06-21T12:01:00Z\n"));
    }

    /// Identity: with windows there are three more columns a quantity; every row has as many cells as the header.
    #[test]
    fn windows_add_their_columns() {
        let (_folder, archive) = archive(true);
        let text = csv(&archive, "2026-01-01", "2027-01-01");
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        assert_eq!(lines.len(), 4);
        assert!(lines[0].ends_with("cct,cct_uncertainty,cct_verdict,cct_minimum,cct_maximum,cct_deviation"));
        assert!(lines[3].ends_with(",-0.125,0.5,suspect,1.5,2.5,0.25,,,,,,"), "{}", lines[3]);
    }

    /// Identity: the file appears whole; a failure leaves the old one and no rest.
    #[test]
    fn a_file_appears_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("out.csv");
        write_whole(&path, |out| out.write_all(b"first").map_err(Trouble::Output)).unwrap();
        let failed = write_whole(&path, |out| {
            out.write_all(b"second").map_err(Trouble::Output)?;
            Err::<(), _>(Trouble::Store(Failure::Failed("the database failed".into())))
        });
        assert_eq!(failed.unwrap_err().at(&path), Failure::Failed("the database failed".into()));
        assert_eq!(std::fs::read(&path).unwrap(), b"first");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        let nowhere = folder.path().join("no/out.csv");
        let error = write_whole(&nowhere, |_| Ok(())).unwrap_err().at(&nowhere).to_string();
        assert!(error.contains("no/out.csv: No such file"), "{error}");
    }

    /// Identity: an instant, a date, and nothing else.
    #[test]
    fn times_are_instants_or_dates() {
        assert_eq!(instant("2026-06-21T14:00:00+02:00").unwrap(), instant("2026-06-21T12:00:00Z").unwrap());
        assert_eq!(instant("2026-06-21").unwrap().to_string(), "2026-06-21T00:00:00Z");
        assert!(instant("yesterday").unwrap_err().starts_with("expected an instant as in"));
    }
}
