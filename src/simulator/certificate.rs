//! The calibration laboratory: writes the calibration file of a simulated detector, exact or with stated errors.
//!
//! Returns text only; shares no code with the reader of calibration files. The same settings give the same bytes.

use super::calibration_errors::{self, CORRELATED_FRACTION, CORRELATION_LENGTH_NM, CalibrationErrors, DrawnTerms};
use super::detector::Detector;
use super::scenes::playback::Playback;
use super::settings::Settings;
use super::simulated_station::{SimulatedStation, SimulatorError};
use crate::clock::UtcMicros;
use crate::spectrum::Spectrum;
use std::fmt::Write as _;

/// Spacing of the response table [nm]; linear interpolation between its entries errs by less than 0.03 %.
const STEP_NM: f64 = 1.0;

/// The calibration file of the detector that these settings describe.
pub fn certificate(settings: &Settings) -> Result<String, SimulatorError> {
    let nothing = Spectrum { wavelength_nm: vec![], irradiance: vec![] };
    let dark = Playback::new(&nothing, SimulatedStation::grid_of(settings));
    Ok(text(&SimulatedStation::with_scene(settings, UtcMicros(0), Box::new(dark))?))
}

/// The calibration file of a station's detector.
pub fn text(station: &SimulatedStation) -> String {
    let settings = station.settings();
    let (d, c) = (&settings.detector, &settings.certificate);
    let (mut errors, drawn) = (CalibrationErrors::new(c), DrawnTerms::new(c));
    let response = ResponseTable::new(station.detector(), settings, &mut errors);
    let mut scale = d.wavelength_coefficients.clone();
    if let Some(first) = scale.first_mut() {
        *first += c.error_wavelength_nm + errors.wavelength * c.wavelength_uncertainty_nm;
    }
    let shift_per_k =
        d.wavelength_shift_nm_per_k + c.error_shift_nm_per_k + drawn.shift_per_k * c.shift_uncertainty_nm_per_k;
    let mut out = String::from("# Calibration of a virtual spectrometer.\n");
    identification(&mut out, settings);
    section(
        &mut out,
        "wavelength",
        &[
            ("coefficients", array(&scale)),
            ("uncertainty_nm", format!("{:?}", c.wavelength_uncertainty_nm)),
            ("variation_nm", format!("{:?}", c.wavelength_variation_nm)),
            ("fwhm_nm", format!("{:?}", d.fwhm_nm + drawn.fwhm * c.fwhm_uncertainty_nm)),
            ("fwhm_uncertainty_nm", format!("{:?}", c.fwhm_uncertainty_nm)),
            ("shift_nm_per_k", format!("{shift_per_k:?}")),
            ("shift_uncertainty_nm_per_k", format!("{:?}", c.shift_uncertainty_nm_per_k)),
        ],
    );
    section(
        &mut out,
        "noise",
        &[
            ("electrons_per_count", format!("{:?}", d.electrons_per_count)),
            ("read_noise_counts", format!("{:?}", d.read_noise_counts)),
            ("saturation_fraction", "0.95".into()),
            ("blooming_pixels", d.blooming_pixels.to_string()),
        ],
    );
    let mut linearity = d.linearity_coefficients.clone();
    linearity.resize(linearity.len().max(2), 0.0);
    linearity[1] += drawn.linearity * c.linearity_uncertainty / f64::from(d.full_scale);
    section(
        &mut out,
        "linearity",
        &[("coefficients", array(&linearity)), ("relative_uncertainty", format!("{:?}", c.linearity_uncertainty))],
    );
    section(
        &mut out,
        "response",
        &[
            ("wavelength_nm", array(&response.wavelength_nm)),
            ("counts_per_s_per_w_m2_nm", array(&response.response)),
            ("relative_uncertainty", array(&response.relative_uncertainty)),
            ("correlated_fraction", format!("{CORRELATED_FRACTION:?}")),
            ("correlation_length_nm", format!("{CORRELATION_LENGTH_NM:?}")),
        ],
    );
    section(
        &mut out,
        "stray_light",
        &[
            ("floor_band_nm", format!("{:?}", c.floor_band_nm)),
            ("relative_uncertainty", format!("{:?}", c.stray_light_relative_uncertainty)),
        ],
    );
    cosine(&mut out, settings, &drawn);
    let of_coefficient = drawn.coefficient * c.coefficient_uncertainty_per_k;
    let per_k_nm = vec![response.wavelength_nm[0], 900.0, 1050.0];
    let per_k: Vec<f64> = per_k_nm.iter().map(|nm| station.detector().response_per_k(*nm) + of_coefficient).collect();
    section(
        &mut out,
        "temperature",
        &[
            ("wavelength_nm", array(&per_k_nm)),
            ("relative_per_k", array(&per_k)),
            ("uncertainty_per_k", format!("{:?}", c.coefficient_uncertainty_per_k)),
        ],
    );
    section(&mut out, "setup", &[("levelling_deg", format!("{:?}", c.levelling_deg))]);
    out
}

/// The table of the response, with the errors of the laboratory.
struct ResponseTable {
    wavelength_nm: Vec<f64>,
    response: Vec<f64>,
    relative_uncertainty: Vec<f64>,
}

impl ResponseTable {
    fn new(detector: &Detector, settings: &Settings, errors: &mut CalibrationErrors) -> Self {
        let c = &settings.certificate;
        let lit = || detector.wavelength_nm().iter().zip(detector.lit()).filter(|(_, lit)| **lit).map(|(nm, _)| *nm);
        let (low, high) = (lit().fold(f64::MAX, f64::min), lit().fold(f64::MIN, f64::max));
        // Beyond both ends by the largest shift of the scale with temperature and warm-up.
        let (first, last) = ((low - 3.0).floor(), (high + 3.0).ceil());
        let phase = std::f64::consts::TAU * (settings.seed % 97) as f64 / 97.0;
        let mut table = Self { wavelength_nm: vec![], response: vec![], relative_uncertainty: vec![] };
        for i in 0..=((last - first) / STEP_NM).round() as u32 {
            let nm = first + f64::from(i) * STEP_NM;
            let wave = c.error_shape * (std::f64::consts::TAU * nm / 300.0 + phase).sin();
            let u = if nm < 350.0 { 2.0 * c.relative_uncertainty } else { c.relative_uncertainty };
            table.wavelength_nm.push(nm);
            table
                .response
                .push(detector.response(nm) * (1.0 + c.error_scale + wave + u * errors.next_response(STEP_NM)));
            table.relative_uncertainty.push(u);
        }
        table
    }
}

fn identification(out: &mut String, settings: &Settings) {
    let (d, c) = (&settings.detector, &settings.certificate);
    section(
        out,
        "calibration",
        &[
            ("id", quoted(&c.id)),
            ("instrument_serial", quoted(&settings.identity.serial)),
            ("valid_from", quoted(&c.valid_from)),
            ("valid_until", quoted(&c.valid_until)),
            ("certificate", quoted(&format!("virtual laboratory, seed {}", settings.seed))),
            ("calibrated_on", quoted(&c.calibrated_on)),
            ("annual_change", format!("{:?}", c.annual_change)),
            ("temperature_c", format!("{:?}", d.reference_temperature_c)),
            ("temperature_range_c", format!("{:?}", c.temperature_range_c)),
        ],
    );
}

fn cosine(out: &mut String, settings: &Settings, drawn: &DrawnTerms) {
    let (optic, c) = (&settings.optic, &settings.certificate);
    if optic.perfect {
        let exact = |text: &str| text.to_owned();
        section(
            out,
            "cosine",
            &[
                ("zenith_deg", exact("[0.0, 90.0]")),
                ("ratio", exact("[1.0, 1.0]")),
                ("ratio_uncertainty", exact("0.0")),
                ("azimuth_deviation", exact("0.0")),
                ("diffuse_ratio", exact("1.0")),
                ("diffuse_uncertainty", exact("0.0")),
            ],
        );
        return;
    }
    let u: Vec<f64> = optic.zenith_deg.iter().map(|z| calibration_errors::of_cosine(c, *z)).collect();
    // The table errs, and the sun stands at one azimuth.
    let both = std::f64::consts::SQRT_2 * drawn.beam;
    let ratio: Vec<f64> = optic.ratio.iter().zip(&u).map(|(r, u)| r * (1.0 + both * u)).collect();
    let diffuse = optic.diffuse_ratio * (1.0 + drawn.sky * c.diffuse_uncertainty);
    section(
        out,
        "cosine",
        &[
            ("zenith_deg", array(&optic.zenith_deg)),
            ("ratio", array(&ratio)),
            ("ratio_uncertainty", array(&u)),
            ("azimuth_deviation", array(&u)),
            ("diffuse_ratio", format!("{diffuse:?}")),
            ("diffuse_uncertainty", format!("{:?}", c.diffuse_uncertainty)),
        ],
    );
}

/// Appends a table with its keys and values, after a blank line unless it is the first.
fn section(out: &mut String, name: &str, entries: &[(&str, String)]) {
    // Writing to a string cannot fail.
    let _ = writeln!(out, "{}[{name}]", if out.lines().count() > 1 { "\n" } else { "" });
    for (key, value) in entries {
        let _ = writeln!(out, "{key} = {value}");
    }
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// Numbers as a TOML array; each number is written so that it is read back exactly.
fn array(values: &[f64]) -> String {
    let numbers: Vec<String> = values.iter().map(|v| format!("{v:?}")).collect();
    if numbers.len() <= 12 {
        return format!("[{}]", numbers.join(", "));
    }
    let rows: Vec<String> = numbers.chunks(8).map(|row| format!("    {},", row.join(", "))).collect();
    format!("[\n{}\n]", rows.join("\n"))
}

#[cfg(test)]
#[path = "certificate_tests.rs"]
mod tests;
