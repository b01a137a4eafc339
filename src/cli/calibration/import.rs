//! `vigilux calibration import`: makes a calibration file from what a certificate holds.
//!
//! Takes a table of the response, or the spectrum of a lamp with the counts that it gave; asks at a terminal for what was not given.
//! Invariants: units are checked by their dimensions; every number that was assumed is marked in the file and listed; the file that is
//! written passes the parser of calibrations; nothing is replaced without `--force`.

use super::super::questions::{Assumed, Question, Questions};
use super::super::{Failure, print};
use super::facts::{Facts, FactsArgs, TEMPERATURE_RANGE_K};
use crate::calibration::import::response::{self, Beside, Meaning, ResponseTable};
use crate::calibration::import::scale::{at, scale_in_air};
use crate::calibration::import::table::{self, Table};
use crate::calibration::import::units::{self, SPECTRAL_IRRADIANCE, Unit};
use crate::calibration::import::{air, with_remarks};
use crate::calibration::{Calibration, file};
use crate::document::read_text;
use std::path::{Path, PathBuf};

/// Arguments of `calibration import`; what is left out is asked for at a terminal.
#[derive(Clone, Debug, clap::Args)]
pub struct ImportArgs {
    /// Table of wavelength [nm] and response, or energy for a count; a third column is the relative uncertainty [%]
    #[arg(long, value_name = "FILE", conflicts_with = "lamp", required_unless_present = "lamp")]
    table: Option<PathBuf>,
    /// Spectrum of the lamp: wavelength [nm] and irradiance
    #[arg(long, value_name = "FILE", requires = "counts")]
    lamp: Option<PathBuf>,
    /// Counts before the lamp: pixel and counts above the dark, or pixel, counts and dark
    #[arg(long, value_name = "FILE", requires = "lamp")]
    counts: Option<PathBuf>,
    /// Unit of the table, e.g. `counts/s per W m-2 nm-1`, `uJ/count`, or of the lamp's spectrum, e.g. `W m-2 nm-1`
    #[arg(long, value_name = "UNIT")]
    unit: Option<String>,
    /// Integration time of the calibration with its unit, e.g. `50 ms`; for counts of a lamp and for units without a time
    #[arg(long, value_name = "TIME")]
    integration: Option<String>,
    /// Collecting area of the optic with its unit, e.g. `7.07 mm2`; for energy for a count
    #[arg(long, value_name = "AREA")]
    collecting_area: Option<String>,
    /// Wavelengths of certificate and coefficients: in `air` or in `vacuum`
    #[arg(long, value_name = "MEDIUM")]
    wavelengths: Option<String>,
    #[command(flatten)]
    facts: FactsArgs,
    /// The file to write
    #[arg(long, value_name = "FILE", default_value = "calibration.toml")]
    output: PathBuf,
    /// Replace an existing file
    #[arg(long)]
    force: bool,
}

const UNIT: Question =
    Question { argument: "--unit", text: "Unit of the table, e.g. counts/s per W m-2 nm-1, or uJ/count", reason: "" };
const LAMP_UNIT: Question =
    Question { argument: "--unit", text: "Unit of the lamp's spectrum, e.g. W m-2 nm-1", reason: "" };
const INTEGRATION: Question = Question {
    argument: "--integration",
    text: "Integration time of the calibration with its unit, e.g. 50 ms",
    reason: "",
};
const AREA: Question = Question {
    argument: "--collecting-area",
    text: "Collecting area of the optic with its unit, e.g. 7.07 mm2 (a disc of 3 mm)",
    reason: "",
};
const MEDIUM: Question = Question {
    argument: "--wavelengths",
    text: "Are the wavelengths in air or in vacuum (0.09 nm at 300 nm, 1.6 % of a UV index)",
    reason: "most spectrometers are calibrated in air",
};

/// Runs `calibration import`.
pub fn run(args: &ImportArgs) -> Result<(), Failure> {
    let output = &args.output;
    if output.exists() && !(args.force && output.is_file()) {
        let rule = if output.is_file() { "no existing file; --force replaces it" } else { "a regular file" };
        return Err(Failure::Usage(format!("{}: expected {rule}", output.display())));
    }
    let mut stdin = std::io::stdin().lock();
    let mut questions = Questions::new(if Questions::terminal() { Some(&mut stdin) } else { None });
    let made = import(args, &mut questions);
    let assumed = questions.finish()?;
    // Without a fault the text is there.
    let Some((text, note)) = made else { return Err(Failure::Failed("a value of the calibration is missing".into())) };
    let remarks: Vec<(&str, &str, &str)> =
        assumed.iter().filter_map(|a| Some((FactsArgs::key_of(a.argument)?, a.argument, a.reason))).collect();
    let text = with_remarks(&text, &remarks);
    let calibration = file::parse(output, &text)?;
    std::fs::write(output, &text).map_err(|e| Failure::from_error(&output.display().to_string(), &e))?;
    print(&report(output, &calibration, note.as_deref(), &assumed))
}

/// The text of the calibration, and what was left out of the response; `None` after a fault.
fn import(args: &ImportArgs, questions: &mut Questions<'_>) -> Option<(String, Option<String>)> {
    let medium = |text: &str| match text {
        "air" | "vacuum" => Ok(text.to_owned()),
        _ => Err("expected air or vacuum".to_owned()),
    };
    let vacuum = questions.value(MEDIUM, args.wavelengths.as_deref(), Some("air"), medium).map(|m| m == "vacuum");
    let source = Source::read(args, questions);
    let facts = Facts::ask(&args.facts, source.as_ref().is_some_and(Source::has_uncertainties), questions);
    let (vacuum, mut facts, source) = (vacuum?, facts?, source?);
    if vacuum {
        let Some(in_air) = scale_in_air(&facts.scale.coefficients, facts.pixels) else {
            questions.fault("--coefficients: expected a scale whose wavelengths in air can be fitted".into());
            return None;
        };
        facts.scale.coefficients = in_air;
    }
    match source.response(&facts.scale.coefficients, vacuum) {
        Ok(found) => Some((text_of(&facts, &found), found.left_out)),
        Err(why) => {
            questions.fault(why);
            None
        }
    }
}

/// The text of a calibration file. Keys that no certificate stated are left out: the format has a default for each.
fn text_of(facts: &Facts, found: &ResponseTable) -> String {
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let list = |values: &[f64]| format!("[{}]", values.iter().map(|v| format!("{v:?}")).collect::<Vec<_>>().join(", "));
    let until = facts.valid_until.map(|end| format!("valid_until = {end}\n")).unwrap_or_default();
    // The stated uncertainty is divided by its coverage factor.
    let standard = |stated: f64| stated / facts.coverage_factor;
    let uncertainty = match &found.uncertainty {
        Some(stated) => list(&stated.iter().map(|u| standard(*u)).collect::<Vec<_>>()),
        None => format!("{:?}", standard(facts.uncertainty_percent / 100.0)),
    };
    let (low, high) = (facts.temperature_c - TEMPERATURE_RANGE_K, facts.temperature_c + TEMPERATURE_RANGE_K);
    format!(
        "[calibration]\nid = {}\ninstrument_serial = {}\nvalid_from = {}\n{until}certificate = {}\ntemperature_c = {:?}\n\
         temperature_range_c = {}\n\n[wavelength]\ncoefficients = {}\nuncertainty_nm = {:?}\nfwhm_nm = {:?}\n\n[noise]\n\
         electrons_per_count = {:?}\nread_noise_counts = {:?}\n\n[response]\nwavelength_nm = {}\ncounts_per_s_per_w_m2_nm = {}\n\
         relative_uncertainty = {uncertainty}\n",
        quoted(&facts.id),
        quoted(&facts.serial),
        facts.valid_from,
        quoted(&facts.certificate),
        facts.temperature_c,
        list(&[low, high]),
        list(&facts.scale.coefficients),
        facts.scale.uncertainty_nm,
        facts.scale.fwhm_nm,
        facts.noise.0,
        facts.noise.1,
        list(&found.wavelength_nm),
        list(&found.response)
    )
}

/// What the response is made from.
enum Source {
    Table(Table, Unit, Beside),
    Lamp { lamp: Table, counts: Table, integration_s: f64 },
}

impl Source {
    fn read(args: &ImportArgs, questions: &mut Questions<'_>) -> Option<Self> {
        let unit = |text: &str| units::parse(text).map(UnitText);
        let time = |text: &str| units::quantity(text, units::TIME, "50 ms");
        let integration = args.integration.as_deref();
        if let (Some(lamp), Some(counts)) = (&args.lamp, &args.counts) {
            let unit = questions.value(LAMP_UNIT, args.unit.as_deref(), None, |text| match units::parse(text)? {
                unit if unit.dimensions == SPECTRAL_IRRADIANCE => Ok(UnitText(unit)),
                unit => Err(format!("expected a unit of spectral irradiance such as W m-2 nm-1 (this is {unit})")),
            });
            let integration_s = questions.value(INTEGRATION, integration, None, time);
            let (lamp, counts) = (read_table(lamp, questions), read_table(counts, questions));
            let factor = unit?.0.factor;
            let mut lamp = lamp?;
            lamp.columns[1].iter_mut().for_each(|e| *e *= factor);
            return Some(Self::Lamp { lamp, counts: counts?, integration_s: integration_s? });
        }
        let table = read_table(args.table.as_ref()?, questions);
        let unit = questions.value(UNIT, args.unit.as_deref(), None, |text| {
            let unit = unit(text)?;
            response::meaning(&unit.0).map(|_| unit)
        })?;
        let (meaning, _) = response::meaning(&unit.0).ok()?;
        let mut beside = Beside::default();
        match meaning {
            Meaning::Response => {}
            Meaning::CountsForIrradiance => {
                beside.integration_s = Some(questions.value(INTEGRATION, integration, None, time)?)
            }
            Meaning::EnergyForCount => {
                let area = |text: &str| units::quantity(text, units::AREA, "7.07 mm2");
                beside.area_m2 = Some(questions.value(AREA, args.collecting_area.as_deref(), None, area)?);
            }
        }
        Some(Self::Table(table?, unit.0, beside))
    }

    /// Whether the table states the uncertainty of each entry.
    fn has_uncertainties(&self) -> bool {
        matches!(self, Self::Table(table, ..) if table.columns.len() > 2)
    }

    /// The response on wavelengths in air.
    fn response(&self, scale: &[f64], vacuum: bool) -> Result<ResponseTable, String> {
        match self {
            Self::Table(table, unit, beside) => {
                response::from_table(&table_in_air(table, vacuum), unit, *beside, scale)
            }
            Self::Lamp { lamp, counts, integration_s } => {
                let dark = counts.columns.get(2);
                let above = |i: usize| counts.values()[i] - dark.map_or(0.0, |dark| dark[i]);
                let at: Vec<(f64, f64)> =
                    counts.axis().iter().enumerate().map(|(i, p)| (at(scale, *p), above(i))).collect();
                response::from_lamp(&table_in_air(lamp, vacuum), &at, *integration_s)
            }
        }
    }
}

fn table_in_air(table: &Table, vacuum: bool) -> Table {
    let mut table = table.clone();
    if vacuum {
        table.columns[0].iter_mut().for_each(|nm| *nm = air::in_air(*nm));
    }
    table
}

fn read_table(path: &Path, questions: &mut Questions<'_>) -> Option<Table> {
    let text = read_text(path).map_err(|diagnostics| questions.fault(diagnostics.to_string())).ok()?;
    let parsed = table::parse(&path.display().to_string(), &text);
    parsed.map_err(|faults| faults.into_iter().for_each(|fault| questions.fault(fault))).ok()
}

/// A unit as an answer.
struct UnitText(Unit);

impl std::fmt::Display for UnitText {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

fn report(output: &Path, c: &Calibration, note: Option<&str>, assumed: &[Assumed]) -> String {
    let (first, last) = (c.response.wavelength_nm[0], c.response.wavelength_nm[c.response.wavelength_nm.len() - 1]);
    let name = output.display();
    let mut text = format!(
        "{name} written: {} entries of the response from {first:.1} nm to {last:.1} nm in air\n",
        c.response.wavelength_nm.len()
    );
    if let Some(note) = note {
        text += &format!("left out: {note}\n");
    }
    for value in assumed {
        text += &format!("ASSUMED {} {}: {}\n", value.argument, value.value, value.reason);
    }
    let (low, high) = c.temperature_range_c;
    text += &format!("ASSUMED detector temperatures from {low} °C to {high} °C: change temperature_range_c\n");
    text + "ASSUMED a linear detector, no correction of stray light, cosine response or temperature: add [linearity], [stray_light], \
            [cosine] and [temperature] where the certificate has them; every other key has the default of the format\n"
}
