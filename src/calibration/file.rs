//! Reads and writes the calibration file.
//!
//! Reports all errors of a file together, each with its key, rule and value. A returned [`Calibration`] satisfies the invariants
//! of its type. The choice of a calibration for an instrument and an instant is made by [`super::set`].

mod defaults;
mod sections;
mod write;

pub use write::write;

use super::matrix;
use super::{BudgetTerms, Calibration, Noise, Response, StrayLight, TemperatureCoefficient, WavelengthScale};
use crate::clock::{UtcMicros, parse_date};
use crate::document::{Diagnostics, Document, Range, Section, read_text};
use sections::{StrayFile, entries, read_cosine, read_linearity, read_temperature};
use std::fmt::Write;
use std::path::Path;

/// Maximum number of pixels over which the wavelength scale is checked.
const MAX_PIXELS: u32 = 65_536;

const WAVELENGTH: Range = Range::between(100.0, 5000.0, "nm");
const TEMPERATURE: Range = Range::between(-273.15, 200.0, "°C");

/// Reads and checks a calibration file; a stray-light matrix is read from the same folder.
pub fn load(path: &Path) -> Result<Calibration, Diagnostics> {
    let text = read_text(path)?;
    parse(path, &text)
}

/// Reads and checks the text of the calibration file `path`.
pub fn parse(path: &Path, text: &str) -> Result<Calibration, Diagnostics> {
    let mut record = text.to_owned();
    let mut calibration = parse_with(path, text, |name| {
        let (matrix, fingerprint) = matrix::load(&path.parent().unwrap_or(Path::new("")).join(name))?;
        // The checksum distinguishes two matrices with the same file name in the stored text.
        let _ = writeln!(record, "\n# {name}: CRC-32 {fingerprint:08x}");
        Ok(matrix)
    })?;
    calibration.text = record;
    Ok(calibration)
}

/// Reads a stored calibration, with the stray-light matrix stored with its text.
pub fn parse_stored(text: &str, matrix: Option<Vec<f64>>) -> Result<Calibration, Diagnostics> {
    let path = Path::new("stored calibration");
    parse_with(path, text, |name| {
        matrix.ok_or_else(|| {
            let found = format!("only the name of its file, `{name}`");
            Diagnostics::one(crate::document::Diagnostic::of_file(path, "its stray-light matrix stored with it", found))
        })
    })
}

/// Parses with `find_matrix` as the source of the matrix; `text` of the result is the input.
fn parse_with(
    path: &Path,
    text: &str,
    find_matrix: impl FnOnce(&str) -> Result<Vec<f64>, Diagnostics>,
) -> Result<Calibration, Diagnostics> {
    let document = Document::parse(path, text)?;
    let root = document.root();
    let head = Head::read(&root.section("calibration"));
    let wavelength = read_wavelength(&root.section("wavelength"));
    let noise = read_noise(&root.section("noise"));
    let linearity =
        root.optional_section("linearity").map_or(Some((vec![1.0], defaults::LINEARITY)), |s| read_linearity(&s));
    let response = read_response(&root.section("response"));
    if let (Some(scale), Some(response)) = (&wavelength, &response) {
        check_scale(&root, scale, response);
    }
    let stray = root.optional_section("stray_light").map_or(Some(StrayFile::default()), |s| StrayFile::read(&s));
    let cosine = root.optional_section("cosine").map_or(Some(None), |s| read_cosine(&s).map(Some));
    let unknown = || TemperatureCoefficient { uncertainty_per_k: vec![defaults::UNSTATED_PER_K], ..Default::default() };
    let temperature = root.optional_section("temperature").map_or_else(|| Some(unknown()), |s| read_temperature(&s));
    let levelling_deg = root.optional_section("setup").map_or(Some(defaults::LEVELLING_DEG), |s| read_levelling(&s));
    root.close();
    document.finish()?;
    // Each part is `Some` if no diagnostic was recorded; otherwise an error is returned instead of a panic.
    let (Some(head), Some(wavelength), Some(noise), Some((linearity, of_linearity)), Some(response)) =
        (head, wavelength, noise, linearity, response)
    else {
        return Err(incomplete(path));
    };
    let (Some(stray), Some(cosine), Some(temperature), Some(levelling_deg)) =
        (stray, cosine, temperature, levelling_deg)
    else {
        return Err(incomplete(path));
    };
    let matrix = match &stray.matrix {
        None => None,
        Some(name) => {
            let matrix = find_matrix(name)?;
            matrix::check_scale(path, &wavelength, &matrix)?;
            Some(matrix)
        }
    };
    Ok(Calibration {
        id: head.id,
        instrument_serial: head.instrument_serial,
        valid_from: head.valid_from,
        valid_until: head.valid_until,
        certificate: head.certificate,
        temperature_c: head.temperature_c,
        temperature_range_c: head.temperature_range_c,
        wavelength,
        noise,
        linearity,
        response,
        stray_light: StrayLight {
            floor_band_nm: stray.floor_band_nm,
            relative_uncertainty: stray.relative_uncertainty,
            matrix_relative_uncertainty: stray.matrix_relative_uncertainty,
            matrix,
        },
        cosine,
        temperature,
        budget: BudgetTerms {
            calibrated_on: head.calibrated_on,
            annual_change: head.annual_change,
            linearity: of_linearity,
            levelling_deg,
        },
        text: text.to_owned(),
    })
}

fn incomplete(path: &Path) -> Diagnostics {
    Diagnostics::one(crate::document::Diagnostic::of_file(
        path,
        "a complete calibration",
        "one with an unusable part".into(),
    ))
}

/// `[calibration]`.
struct Head {
    id: String,
    instrument_serial: String,
    valid_from: UtcMicros,
    valid_until: UtcMicros,
    certificate: String,
    calibrated_on: UtcMicros,
    annual_change: f64,
    temperature_c: f64,
    temperature_range_c: (f64, f64),
}

impl Head {
    fn read(s: &Section) -> Option<Self> {
        let rule = "an instant with its offset, or a date (00:00 UTC)";
        let id = s.text("id", None, "a unique identifier");
        let instrument_serial = s.text("instrument_serial", None, "the serial number that the instrument reports");
        let valid_from = s.timestamp("valid_from", rule, instant);
        // An open end ends where the next calibration of the instrument begins.
        let valid_until = if s.has("valid_until") {
            s.timestamp("valid_until", rule, instant)
        } else {
            s.ignore("valid_until");
            Some(Calibration::NO_END)
        };
        if let (Some(from), Some(until)) = (valid_from, valid_until)
            && from >= until
        {
            s.refuse("valid_until", format!("an instant after valid_from ({from})"));
        }
        let certificate = s.text("certificate", None, "the calibration certificate");
        // Most certificates are put to use within weeks.
        let calibrated_on = if s.has("calibrated_on") {
            s.timestamp("calibrated_on", rule, instant)
        } else {
            s.ignore("calibrated_on");
            valid_from
        };
        let annual_change =
            s.number("annual_change", Some(defaults::ANNUAL_CHANGE), Range::between(0.0, 1.0, "a year, k = 1"));
        let temperature_c = s.number("temperature_c", None, TEMPERATURE);
        let range = s.interval("temperature_range_c", true, TEMPERATURE);
        if let (Some(t), Some((low, high))) = (temperature_c, range)
            && !(low <= t && t <= high)
        {
            s.refuse("temperature_c", format!("a temperature within temperature_range_c [{low}, {high}]"));
        }
        s.close();
        Some(Self {
            id: id?,
            instrument_serial: instrument_serial?,
            valid_from: valid_from?,
            valid_until: valid_until?,
            certificate: certificate?,
            calibrated_on: calibrated_on?,
            annual_change: annual_change?,
            temperature_c: temperature_c?,
            temperature_range_c: range?,
        })
    }
}

/// An instant in RFC 3339, or a date, which means 00:00 UTC.
fn instant(text: &str) -> Option<UtcMicros> {
    UtcMicros::parse(text).ok().or_else(|| parse_date(text).map(UtcMicros::midnight))
}

fn read_wavelength(s: &Section) -> Option<WavelengthScale> {
    let coefficients = s.numbers("coefficients", true, 2, Range::finite(""));
    let uncertainty_nm = s.number("uncertainty_nm", None, Range::at_least(0.0, "nm").up_to(10.0));
    let fwhm_nm = s.number("fwhm_nm", None, Range::above(0.0, "nm").up_to(100.0));
    let shift_nm_per_k = s.number("shift_nm_per_k", Some(0.0), Range::between(-1.0, 1.0, "nm/K"));
    let variation_nm =
        s.number("variation_nm", Some(defaults::VARIATION_NM), Range::at_least(0.0, "nm, k = 1").up_to(10.0));
    let unstated = fwhm_nm.map(|fwhm| defaults::FWHM_RELATIVE * fwhm);
    let fwhm_uncertainty_nm =
        s.number("fwhm_uncertainty_nm", unstated.or(Some(0.0)), Range::at_least(0.0, "nm, k = 1").up_to(100.0));
    let of_shift = if s.has("shift_nm_per_k") { defaults::SHIFT_NM_PER_K } else { defaults::UNSTATED_SHIFT_NM_PER_K };
    let shift_uncertainty_nm_per_k =
        s.number("shift_uncertainty_nm_per_k", Some(of_shift), Range::between(0.0, 1.0, "nm/K, k = 1"));
    s.close();
    Some(WavelengthScale {
        coefficients: coefficients?,
        uncertainty_nm: uncertainty_nm?,
        variation_nm: variation_nm?,
        fwhm_nm: fwhm_nm?,
        fwhm_uncertainty_nm: fwhm_uncertainty_nm?,
        shift_nm_per_k: shift_nm_per_k?,
        shift_uncertainty_nm_per_k: shift_uncertainty_nm_per_k?,
    })
}

fn read_noise(s: &Section) -> Option<Noise> {
    let electrons_per_count = s.number("electrons_per_count", None, Range::above(0.0, "electrons"));
    let read_noise_counts = s.number("read_noise_counts", None, Range::at_least(0.0, "counts"));
    let saturation_fraction = s.number(
        "saturation_fraction",
        Some(defaults::SATURATION_FRACTION),
        Range::above(0.0, "of full scale").up_to(1.0),
    );
    let blooming_pixels = s.integer("blooming_pixels", Some(0), Range::between(0.0, 1000.0, "pixels"));
    s.close();
    Some(Noise {
        electrons_per_count: electrons_per_count?,
        read_noise_counts: read_noise_counts?,
        saturation_fraction: saturation_fraction?,
        blooming_pixels: u16::try_from(blooming_pixels?).ok()?,
    })
}

fn read_levelling(s: &Section) -> Option<f64> {
    let degrees = s.number("levelling_deg", Some(defaults::LEVELLING_DEG), Range::between(0.0, 10.0, "degrees, k = 1"));
    s.close();
    degrees
}

fn read_response(s: &Section) -> Option<Response> {
    let wavelength_nm = s.numbers("wavelength_nm", true, 2, WAVELENGTH);
    let counts = s.numbers("counts_per_s_per_w_m2_nm", true, 2, Range::above(0.0, "counts/s per W m-2 nm-1"));
    let uncertain = Range::between(0.0, 1.0, "k = 1");
    // A single number applies to all wavelengths: many certificates state only one.
    let relative_uncertainty = if s.has("relative_uncertainty") && !s.is_list("relative_uncertainty") {
        entries(s, "relative_uncertainty", uncertain, "wavelength_nm", wavelength_nm.as_deref(), |_| 0.0)
    } else {
        s.numbers("relative_uncertainty", true, 2, uncertain)
    };
    let correlated_fraction = s.number(
        "correlated_fraction",
        Some(defaults::CORRELATED_FRACTION),
        Range::between(0.0, 1.0, "of the variance"),
    );
    let correlation_length_nm =
        s.number("correlation_length_nm", Some(defaults::CORRELATION_LENGTH_NM), Range::above(0.0, "nm"));
    check_axis(s, "wavelength_nm", wavelength_nm.as_deref());
    check_length(s, "counts_per_s_per_w_m2_nm", counts.as_deref(), "wavelength_nm", wavelength_nm.as_deref());
    check_length(s, "relative_uncertainty", relative_uncertainty.as_deref(), "wavelength_nm", wavelength_nm.as_deref());
    s.close();
    Some(Response {
        wavelength_nm: wavelength_nm?,
        counts_per_s_per_w_m2_nm: counts?,
        relative_uncertainty: relative_uncertainty?,
        correlated_fraction: correlated_fraction?,
        correlation_length_nm: correlation_length_nm?,
    })
}

/// Checks that an axis rises strictly; reports the first entry that does not.
fn check_axis(s: &Section, key: &str, axis: Option<&[f64]>) {
    let Some(axis) = axis else { return };
    if let Some(i) = axis.windows(2).position(|pair| !(pair[0] < pair[1])) {
        let found = format!("`{}` after `{}`", axis[i + 1], axis[i]);
        s.refuse_with(&format!("{key}[{}]", i + 1), "a number above the one before it", found);
    }
}

fn check_length(s: &Section, key: &str, values: Option<&[f64]>, axis_key: &str, axis: Option<&[f64]>) {
    if let (Some(values), Some(axis)) = (values, axis)
        && values.len() != axis.len()
    {
        s.refuse_with(key, format!("as many entries as {axis_key} ({})", axis.len()), format!("{}", values.len()));
    }
}

/// Checks that the wavelength scale rises over the range of the response.
///
/// The number of pixels is known only after connection ([`WavelengthScale::first_fall`] is then checked again), so the scale is
/// checked up to the last wavelength of the response.
fn check_scale(root: &Section, scale: &WavelengthScale, response: &Response) {
    let last = response.wavelength_nm[response.wavelength_nm.len() - 1];
    let refuse =
        |expected: String, found: String| root.section("wavelength").refuse_with("coefficients", expected, found);
    if !(scale.at(0.0) < last) {
        refuse(
            format!("pixel 0 below the last wavelength of the response ({last} nm)"),
            format!("{} nm", scale.at(0.0)),
        );
        return;
    }
    let end = (1..MAX_PIXELS).find(|p| !(scale.at(f64::from(*p)) < last)).unwrap_or(MAX_PIXELS);
    if let Some(pixel) = scale.first_fall(end) {
        let (before, here) = (scale.at(f64::from(pixel) - 1.0), scale.at(f64::from(pixel)));
        refuse(
            "wavelengths that rise from pixel to pixel".into(),
            format!("{here:.3} nm after {before:.3} nm at pixel {pixel}"),
        );
    }
}

impl WavelengthScale {
    /// The first of `pixels` pixels whose wavelength is not above that of the previous pixel; `None` if the scale rises.
    pub fn first_fall(&self, pixels: u32) -> Option<u32> {
        (1..pixels).find(|p| !(self.at(f64::from(*p)) > self.at(f64::from(*p) - 1.0)))
    }
}

#[cfg(test)]
pub(super) mod tests;
