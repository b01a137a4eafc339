//! What a calibration states beside the response: identity, validity, wavelength scale, noise, temperature, uncertainty.
//!
//! Invariant: a number without a default has to be given; a default has its reason, and a key of the file that is marked with it.

use super::super::questions::{self, Question, Questions};
use crate::clock::{UtcMicros, parse_date};

/// Arguments for the facts of a certificate.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct FactsArgs {
    /// Identifier of the calibration
    #[arg(long, value_name = "TEXT")]
    id: Option<String>,
    /// Serial number that the instrument reports
    #[arg(long, value_name = "TEXT")]
    serial: Option<String>,
    /// First day of validity
    #[arg(long, value_name = "DATE")]
    valid_from: Option<String>,
    /// First day after the validity [default: until the next calibration begins]
    #[arg(long, value_name = "DATE")]
    valid_until: Option<String>,
    /// The certificate: laboratory, number, date
    #[arg(long, value_name = "TEXT")]
    certificate: Option<String>,
    /// Coefficients of the wavelength scale, lowest first, separated by commas: nm = sum of c_k * pixel^k, pixel from 0
    #[arg(long, value_name = "LIST", allow_hyphen_values = true)]
    coefficients: Option<String>,
    /// Number of pixels
    #[arg(long, value_name = "N")]
    pixels: Option<String>,
    /// Standard uncertainty of the wavelength scale [nm], k = 1
    #[arg(long, value_name = "NM")]
    wavelength_uncertainty: Option<String>,
    /// Width of the slit function at half its height [nm]
    #[arg(long, value_name = "NM")]
    fwhm: Option<String>,
    /// Relative uncertainty of the response as the certificate states it [%]; not asked where the table has a third column
    #[arg(long, value_name = "PERCENT")]
    uncertainty: Option<String>,
    /// Coverage factor k of the stated uncertainty
    #[arg(long, value_name = "K")]
    coverage_factor: Option<String>,
    /// Electrons per count
    #[arg(long, value_name = "N")]
    electrons_per_count: Option<String>,
    /// Read noise of one exposure, standard deviation [counts]
    #[arg(long, value_name = "COUNTS")]
    read_noise: Option<String>,
    /// Detector temperature during the calibration [°C]
    #[arg(long, value_name = "CELSIUS", allow_hyphen_values = true)]
    temperature: Option<String>,
}

/// The facts, in the units of the calibration.
#[derive(Clone, Debug)]
pub struct Facts {
    pub id: String,
    pub serial: String,
    pub certificate: String,
    pub valid_from: UtcMicros,
    /// `None`: an open end.
    pub valid_until: Option<UtcMicros>,
    /// As stated, in air or in vacuum.
    pub scale: Scale,
    pub pixels: u32,
    /// As stated, at the coverage factor [%].
    pub uncertainty_percent: f64,
    pub coverage_factor: f64,
    /// Electrons per count, and read noise [counts].
    pub noise: (f64, f64),
    pub temperature_c: f64,
}

/// The wavelength scale.
#[derive(Clone, Debug)]
pub struct Scale {
    pub coefficients: Vec<f64>,
    pub uncertainty_nm: f64,
    pub fwhm_nm: f64,
}

/// The questions with the key of the file that a default goes to.
const QUESTIONS: [(Question, &str); 5] = [
    (
        Question {
            argument: "--wavelength-uncertainty",
            text: "Standard uncertainty of the wavelength scale in nm, k = 1",
            reason: "common for array spectrometers checked with a lamp's lines",
        },
        "wavelength.uncertainty_nm",
    ),
    (
        Question {
            argument: "--electrons-per-count",
            text: "Electrons per count",
            reason: "common for a 16-bit array; a photon-transfer series gives the true one",
        },
        "noise.electrons_per_count",
    ),
    (
        Question {
            argument: "--read-noise",
            text: "Read noise of one exposure in counts, standard deviation",
            reason: "rather too high than too low",
        },
        "noise.read_noise_counts",
    ),
    (
        Question {
            argument: "--temperature",
            text: "Detector temperature during the calibration in °C",
            reason: "laboratories calibrate at 23 °C; detectors without cooling are a few degrees warmer",
        },
        "calibration.temperature_c",
    ),
    (
        Question {
            argument: "--pixels",
            text: "Number of pixels of the detector",
            reason: "common; it matters for scales in vacuum",
        },
        "",
    ),
];

/// Half the range of detector temperatures in which the calibration may be used [K]; stated nowhere, so it is assumed.
pub const TEMPERATURE_RANGE_K: f64 = 15.0;

impl FactsArgs {
    /// The key of the file (`section.key`) that an argument gives; `None` for those that give none.
    pub fn key_of(argument: &str) -> Option<&'static str> {
        QUESTIONS.iter().find(|(q, key)| q.argument == argument && !key.is_empty()).map(|(_, key)| *key)
    }
}

fn with_default(argument: &str) -> Question {
    // Every name in this file is in the table; a test calls each.
    QUESTIONS.iter().map(|(q, _)| *q).find(|q| q.argument == argument).unwrap_or(QUESTIONS[0].0)
}

const fn required(argument: &'static str, text: &'static str) -> Question {
    Question { argument, text, reason: "" }
}

impl Facts {
    /// Asks for what was not given; `None` after a fault. stated_in_table: the table has the uncertainties itself.
    pub fn ask(args: &FactsArgs, stated_in_table: bool, questions: &mut Questions<'_>) -> Option<Self> {
        let text = |q: &mut Questions<'_>, given: &Option<String>, argument, what| {
            q.value(required(argument, what), given.as_deref(), None, questions::text)
        };
        let id = text(questions, &args.id, "--id", "Identifier of the calibration, e.g. south-2026");
        let serial = text(questions, &args.serial, "--serial", "Serial number that the instrument reports");
        let certificate =
            text(questions, &args.certificate, "--certificate", "The certificate: laboratory, number, date");
        let first_day = required("--valid-from", "First day of validity, e.g. 2026-03-01");
        let valid_from = questions.value(first_day, args.valid_from.as_deref(), None, date);
        let valid_until = match &args.valid_until {
            None => Some(None),
            Some(given) => {
                let end = required("--valid-until", "First day after the validity");
                questions.value(end, Some(given.as_str()), None, date).map(Some)
            }
        };
        let pixels = questions.value(
            with_default("--pixels"),
            args.pixels.as_deref(),
            Some("2048"),
            questions::number(2.0, 65_536.0),
        );
        let scale = ask_scale(args, questions);
        let noise = ask_noise(args, questions);
        let percent =
            required("--uncertainty", "Relative uncertainty of the response as the certificate states it, in %");
        let uncertainty_percent = if stated_in_table {
            Some(0.0)
        } else {
            questions.value(percent, args.uncertainty.as_deref(), None, questions::number(0.0, 100.0))
        };
        let k = required(
            "--coverage-factor",
            "Coverage factor k of that uncertainty (2 for most certificates, 1 for standard uncertainties)",
        );
        let coverage_factor = questions.value(k, args.coverage_factor.as_deref(), None, questions::number(1.0, 4.0));
        let celsius = questions::number(-100.0, 100.0);
        let temperature_c =
            questions.value(with_default("--temperature"), args.temperature.as_deref(), Some("25"), celsius);
        Some(Self {
            id: id?,
            serial: serial?,
            certificate: certificate?,
            valid_from: valid_from?,
            valid_until: valid_until?,
            scale: scale?,
            pixels: pixels? as u32,
            uncertainty_percent: uncertainty_percent?,
            coverage_factor: coverage_factor?,
            noise: noise?,
            temperature_c: temperature_c?,
        })
    }
}

fn ask_scale(args: &FactsArgs, questions: &mut Questions<'_>) -> Option<Scale> {
    let list = required(
        "--coefficients",
        "Coefficients of the wavelength scale, lowest first, separated by commas (nm = sum of c_k * pixel^k, pixel from 0)",
    );
    let coefficients = questions.value(list, args.coefficients.as_deref(), None, |text| {
        let numbers: Option<Vec<f64>> =
            text.split(',').map(|c| c.trim().parse().ok().filter(|c: &f64| c.is_finite())).collect();
        let valid = numbers.filter(|c| (2..=6).contains(&c.len()));
        valid.map(Coefficients).ok_or_else(|| "expected two to six numbers separated by commas".to_owned())
    });
    let given = args.wavelength_uncertainty.as_deref();
    let uncertainty_nm =
        questions.value(with_default("--wavelength-uncertainty"), given, Some("0.2"), questions::number(0.0, 10.0));
    let width = required("--fwhm", "Width of the slit function at half its height in nm (a narrow line shows it)");
    let fwhm_nm = questions.value(width, args.fwhm.as_deref(), None, questions::number(0.01, 100.0));
    let Coefficients(coefficients) = coefficients?;
    Some(Scale { coefficients, uncertainty_nm: uncertainty_nm?, fwhm_nm: fwhm_nm? })
}

fn ask_noise(args: &FactsArgs, questions: &mut Questions<'_>) -> Option<(f64, f64)> {
    let electrons = args.electrons_per_count.as_deref();
    let electrons =
        questions.value(with_default("--electrons-per-count"), electrons, Some("3"), questions::number(1e-3, 1e4));
    let read_noise = args.read_noise.as_deref();
    let read_noise = questions.value(with_default("--read-noise"), read_noise, Some("10"), questions::number(0.0, 1e4));
    Some((electrons?, read_noise?))
}

/// Coefficients as an answer.
struct Coefficients(Vec<f64>);

impl std::fmt::Display for Coefficients {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:?}", self.0)
    }
}

fn date(text: &str) -> Result<UtcMicros, String> {
    let day = parse_date(text).map(UtcMicros::midnight).or_else(|| UtcMicros::parse(text).ok());
    day.ok_or_else(|| "expected a date such as 2026-03-01, or an instant with its offset".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every question with a default is in the table, and its key is one of the file.
    #[test]
    fn defaults_have_a_key_of_the_file() {
        let text = crate::simulator::certificate::certificate(&Default::default()).unwrap();
        let table: toml::Table = text.parse().unwrap();
        for (question, key) in QUESTIONS {
            assert_eq!(with_default(question.argument).argument, question.argument);
            if let Some((section, key)) = key.split_once('.') {
                assert!(table[section].get(key).is_some(), "{section}.{key}");
                assert!(!question.reason.is_empty());
            }
        }
    }
}
