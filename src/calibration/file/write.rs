//! Writes a calibration file.

use crate::calibration::Calibration;

/// The text of a calibration file that [`super::parse`] reads back to the same numbers.
///
/// The matrix is not included: `matrix_file` is the name of its file, which the caller writes.
pub fn write(c: &Calibration, matrix_file: Option<&str>) -> String {
    let mut t = String::new();
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let list = |values: &[f64]| format!("[{}]", values.iter().map(|v| format!("{v:?}")).collect::<Vec<_>>().join(", "));
    let mut line = |text: String| {
        t.push_str(&text);
        t.push('\n');
    };
    line("[calibration]".into());
    line(format!("id = {}", quoted(&c.id)));
    line(format!("instrument_serial = {}", quoted(&c.instrument_serial)));
    line(format!("valid_from = {}", c.valid_from));
    if let Some(end) = c.end() {
        line(format!("valid_until = {end}"));
    }
    line(format!("certificate = {}", quoted(&c.certificate)));
    line(format!("calibrated_on = {}", c.budget.calibrated_on));
    line(format!("annual_change = {:?}", c.budget.annual_change));
    line(format!("temperature_c = {:?}", c.temperature_c));
    line(format!("temperature_range_c = {}", list(&[c.temperature_range_c.0, c.temperature_range_c.1])));
    line("\n[wavelength]".into());
    line(format!("coefficients = {}", list(&c.wavelength.coefficients)));
    line(format!("uncertainty_nm = {:?}", c.wavelength.uncertainty_nm));
    line(format!("variation_nm = {:?}", c.wavelength.variation_nm));
    line(format!("fwhm_nm = {:?}", c.wavelength.fwhm_nm));
    line(format!("fwhm_uncertainty_nm = {:?}", c.wavelength.fwhm_uncertainty_nm));
    line(format!("shift_nm_per_k = {:?}", c.wavelength.shift_nm_per_k));
    line(format!("shift_uncertainty_nm_per_k = {:?}", c.wavelength.shift_uncertainty_nm_per_k));
    line("\n[noise]".into());
    line(format!("electrons_per_count = {:?}", c.noise.electrons_per_count));
    line(format!("read_noise_counts = {:?}", c.noise.read_noise_counts));
    line(format!("saturation_fraction = {:?}", c.noise.saturation_fraction));
    line(format!("blooming_pixels = {}", c.noise.blooming_pixels));
    line("\n[linearity]".into());
    line(format!("coefficients = {}", list(&c.linearity)));
    line(format!("relative_uncertainty = {:?}", c.budget.linearity));
    line("\n[response]".into());
    line(format!("wavelength_nm = {}", list(&c.response.wavelength_nm)));
    line(format!("counts_per_s_per_w_m2_nm = {}", list(&c.response.counts_per_s_per_w_m2_nm)));
    line(format!("relative_uncertainty = {}", list(&c.response.relative_uncertainty)));
    line(format!("correlated_fraction = {:?}", c.response.correlated_fraction));
    line(format!("correlation_length_nm = {:?}", c.response.correlation_length_nm));
    line("\n[stray_light]".into());
    if let Some((low, high)) = c.stray_light.floor_band_nm {
        line(format!("floor_band_nm = {}", list(&[low, high])));
    }
    line(format!("relative_uncertainty = {:?}", c.stray_light.relative_uncertainty));
    line(format!("matrix_relative_uncertainty = {:?}", c.stray_light.matrix_relative_uncertainty));
    if let Some(name) = matrix_file {
        line(format!("matrix = {}", quoted(name)));
    }
    if let Some(cosine) = &c.cosine {
        line("\n[cosine]".into());
        line(format!("zenith_deg = {}", list(&cosine.zenith_deg)));
        line(format!("ratio = {}", list(&cosine.ratio)));
        line(format!("ratio_uncertainty = {}", list(&cosine.ratio_uncertainty)));
        line(format!("azimuth_deviation = {}", list(&cosine.azimuth_deviation)));
        line(format!("diffuse_ratio = {:?}", cosine.diffuse_ratio));
        line(format!("diffuse_uncertainty = {:?}", cosine.diffuse_uncertainty));
    }
    if !c.temperature.wavelength_nm.is_empty() {
        line("\n[temperature]".into());
        line(format!("wavelength_nm = {}", list(&c.temperature.wavelength_nm)));
        line(format!("relative_per_k = {}", list(&c.temperature.relative_per_k)));
        line(format!("uncertainty_per_k = {}", list(&c.temperature.uncertainty_per_k)));
    }
    line("\n[setup]".into());
    line(format!("levelling_deg = {:?}", c.budget.levelling_deg));
    t
}
