//! `vigilux compute`: every quantity of one spectrum file.
//!
//! Reads one file and prints; keeps nothing. What must stay true: a number is printed with its unit, an absent one with its
//! reason, and ultraviolet results never without their caution.

use super::Failure;
use crate::quantities::reason::NullReason;
use crate::quantities::{Group, Matrix, Quantity, SourceRule, registry, values};
use crate::spectrum::csv::{self, SpectrumFile};
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// Files larger than this are not spectra [bytes]: a million rows fit.
const LARGEST_FILE: u64 = 64 << 20;

/// A file that starts here or above can hold daylight [nm]; one that starts below was taken at a lamp.
const SUN_FROM_NM: f64 = 280.0;

/// What stands beside ultraviolet results. WHO, WMO, UNEP, ICNIRP 2002.
const CAUTION: &str = "no assessment of exposure; protect eyes and skin from a UV index of 3 (WHO 2002), and at any bright \
                       or ultraviolet lamp";

/// Compute all quantities of one spectrum file.
///
/// The file is CSV: optional `# key: value` lines, the header `wavelength_nm,irradiance_w_m2_nm`, then rows with rising
/// wavelength.
#[derive(clap::Args, Clone, Debug)]
pub struct ComputeArgs {
    /// The spectrum file
    #[arg(value_name = "FILE")]
    pub file: PathBuf,
    /// What lit the sensor: decides where ultraviolet integrals start and what they need [default: sun when the file starts
    /// at 280 nm or above, else lamp]
    #[arg(long, value_enum, value_name = "SOURCE")]
    pub source: Option<Source>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// The sources on the command line.
#[derive(clap::ValueEnum, Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// Sun and sky, also under glazing
    Sun,
    /// Lamps
    Lamp,
}

/// Runs the command and prints to stdout.
pub fn run(args: ComputeArgs) -> Result<(), Failure> {
    let file = load(&args.file)?;
    let report = Report::of(&file, args.source);
    let text = if args.json { report.json()? } else { report.table() };
    match std::io::stdout().lock().write_all(text.as_bytes()) {
        // Whoever closed the pipe has read enough.
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(|e| Failure::Failed(format!("the result could not be written: {e}"))),
    }
}

fn load(path: &Path) -> Result<SpectrumFile, Failure> {
    let name = path.display().to_string();
    let unreadable = |e: std::io::Error| Failure::Usage(format!("{name}: the spectrum file could not be read: {e}"));
    let mut bytes = Vec::new();
    let file = std::fs::File::open(path).map_err(unreadable)?;
    file.take(LARGEST_FILE + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > LARGEST_FILE {
        return Err(Failure::Usage(format!(
            "{name}: expected a spectrum file of at most {LARGEST_FILE} bytes, but it is larger"
        )));
    }
    csv::read(&name, &bytes).map_err(|refused| Failure::Usage(refused.to_string()))
}

/// Every quantity of one file, ready to be printed.
struct Report {
    source: SourceRule,
    range_nm: (f64, f64),
    values: Vec<Result<f64, NullReason>>,
}

impl Report {
    fn of(file: &SpectrumFile, source: Option<Source>) -> Self {
        let axis = &file.spectrum.wavelength_nm;
        let range_nm = file.spectrum.range_nm().unwrap_or((f64::NAN, f64::NAN));
        let source = match source {
            Some(Source::Sun) => SourceRule::Sun,
            Some(Source::Lamp) => SourceRule::Lamp,
            None if range_nm.0 >= SUN_FROM_NM => SourceRule::Sun,
            None => SourceRule::Lamp,
        };
        let matrix = Matrix::build(axis, range_nm, source);
        Self { source, range_nm, values: values(&matrix, &file.spectrum.irradiance) }
    }

    fn entries(&self) -> impl Iterator<Item = (&'static Quantity, &Result<f64, NullReason>)> {
        registry().iter().zip(&self.values)
    }

    fn json(&self) -> Result<String, Failure> {
        #[derive(serde::Serialize)]
        struct Whole<'a> {
            source: &'a str,
            range_nm: [f64; 2],
            quantities: Entries<'a>,
            caution: String,
        }
        let whole = Whole {
            source: self.source.name(),
            range_nm: [self.range_nm.0, self.range_nm.1],
            quantities: Entries(self),
            caution: format!("ultraviolet: {CAUTION}"),
        };
        let text = serde_json::to_string_pretty(&whole);
        text.map(|t| t + "\n").map_err(|e| Failure::Failed(format!("the result could not be written as JSON: {e}")))
    }

    fn table(&self) -> String {
        let rows: Vec<[String; 3]> = self
            .entries()
            .map(|(q, value)| match value {
                Ok(v) => [q.id.to_string(), shown(*v), q.unit.to_string()],
                Err(reason) => [q.id.to_string(), "-".to_string(), reason.to_string()],
            })
            .collect();
        let width = |column: usize| rows.iter().map(|r| r[column].chars().count()).max().unwrap_or(0);
        let (ids, numbers) = (width(0), width(1));
        let units = registry().iter().map(|q| q.unit.len()).max().unwrap_or(0);
        let mut text = format!("source {}, {} to {} nm\n", self.source.name(), self.range_nm.0, self.range_nm.1);
        let mut group: Option<Group> = None;
        for ((q, value), [id, number, unit]) in self.entries().zip(&rows) {
            if group != Some(q.group) {
                group = Some(q.group);
                text += &format!("\n{}\n", q.group.name());
                if q.group == Group::Ultraviolet {
                    text += &format!("  caution: {CAUTION}\n");
                }
            }
            let note = match q.note(self.source, self.range_nm) {
                Some(note) if value.is_ok() => format!(" ({note})"),
                _ => String::new(),
            };
            let title = if value.is_ok() { q.title } else { "" };
            let line = format!("  {id:ids$}  {number:>numbers$}  {unit:units$}  {title}{note}");
            text += line.trim_end();
            text += "\n";
        }
        text
    }
}

/// A number for people: six significant digits, plain where that stays short.
fn shown(x: f64) -> String {
    const DIGITS: i32 = 6;
    if x == 0.0 {
        return "0".to_string();
    }
    let magnitude = x.abs().log10().floor() as i32;
    if (-4..9).contains(&magnitude) {
        let decimals = (DIGITS - 1 - magnitude).max(0) as usize;
        format!("{x:.decimals$}")
    } else {
        format!("{x:.5e}")
    }
}

/// The quantities as a map in the registry's order.
struct Entries<'a>(&'a Report);

impl Serialize for Entries<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(serde::Serialize)]
        struct Entry {
            value: Option<f64>,
            unit: &'static str,
            #[serde(skip_serializing_if = "Option::is_none")]
            reason: Option<String>,
            #[serde(skip_serializing_if = "Option::is_none")]
            note: Option<String>,
        }
        let mut map = serializer.serialize_map(Some(self.0.values.len()))?;
        for (q, value) in self.0.entries() {
            let note = q.note(self.0.source, self.0.range_nm).filter(|_| value.is_ok());
            let reason = value.as_ref().err().map(ToString::to_string);
            map.serialize_entry(q.id, &Entry { value: value.clone().ok(), unit: q.unit, reason, note })?;
        }
        map.end()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn report(rows: &str, source: Option<Source>) -> Report {
        let text = format!("{}\n{rows}", csv::HEADER);
        Report::of(&csv::read("a.csv", text.as_bytes()).unwrap(), source)
    }

    /// Identity: the JSON form holds every quantity with its unit, and a reason exactly where there is no value.
    #[test]
    fn json_has_every_quantity_with_a_value_or_a_reason() {
        let json = report("300,1\n700,1\n", None).json().unwrap();
        let json: serde_json::Value = serde_json::from_str(&json).unwrap();
        let quantities = json["quantities"].as_object().unwrap();
        assert_eq!(quantities.len(), registry().len());
        for q in registry() {
            let entry = &quantities[q.id];
            assert_eq!(entry["unit"], q.unit);
            assert_eq!(entry["value"].is_null(), entry["reason"].is_string(), "{}", q.id);
        }
        assert_eq!(quantities["par_irradiance"]["value"].as_f64().unwrap().round(), 300.0);
        assert_eq!(quantities["uv_index"]["reason"], "needs 290 to 400 nm, but the range is 300 to 700 nm");
        assert!(json["caution"].as_str().unwrap().contains("UV index of 3"));
    }

    /// Identity: the source is the sun from 280 nm on, a lamp below, and what was asked for in any case.
    #[test]
    fn the_source_follows_the_first_wavelength_unless_it_is_given() {
        assert_eq!(report("280,1\n800,1\n", None).source, SourceRule::Sun);
        assert_eq!(report("279.9,1\n800,1\n", None).source, SourceRule::Lamp);
        assert_eq!(report("250,1\n800,1\n", Some(Source::Sun)).source, SourceRule::Sun);
        assert_eq!(report("300,1\n800,1\n", Some(Source::Lamp)).source, SourceRule::Lamp);
    }

    /// Regression: the lines people read, with the caution in the ultraviolet group.
    #[test]
    fn the_table_has_units_reasons_notes_and_the_caution() {
        let table = report("300,1\n1000,1\n", None).table();
        let has = |line: &str| assert!(table.lines().any(|l| l == line), "no line `{line}` in\n{table}");
        has("source sun, 300 to 1000 nm");
        has("  ppfd                      1379.29  umol m-2 s-1  Photosynthetic photon flux density");
        has("  uvb                             -  needs 290 to 315 nm, but the range is 300 to 1000 nm");
        has(
            "  irradiance                700.000  W m-2         Irradiance of the calibrated range (integrated over 300 to 1000 nm; \
             not solar global irradiance, which reaches from 280 to 4000 nm)",
        );
        has(&format!("  caution: {CAUTION}"));
    }

    /// Identity: six significant digits whatever the size.
    #[test]
    fn numbers_are_shown_with_six_significant_digits() {
        for (x, want) in [
            (0.0, "0"),
            (1977.867, "1977.87"),
            (-0.00320612, "-0.00320612"),
            (123_456_789.0, "123456789"),
            (1.5e-7, "1.50000e-7"),
        ] {
            assert_eq!(shown(x), want);
        }
    }

    /// Edge set: a file that is not there or no spectrum is wrong usage, and the message names it.
    #[test]
    fn a_file_that_cannot_serve_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let missing = dir.path().join("missing.csv");
        let Err(Failure::Usage(message)) = load(&missing) else { panic!("a missing file was read") };
        assert!(message.starts_with(&missing.display().to_string()), "{message}");
        let bad = dir.path().join("bad.csv");
        std::fs::write(&bad, format!("{}\n300,1\n299,x\n", csv::HEADER)).unwrap();
        let Err(Failure::Usage(message)) = load(&bad) else { panic!("a bad file was read") };
        assert_eq!(message.lines().count(), 2, "{message}");
    }
}
