use super::*;

/// A small valid calibration; no value equals its default.
pub const GOOD: &str = r#"
[calibration]
id = "example-2026"
instrument_serial = "BR-0042"
valid_from = 2026-01-01
valid_until = 2027-01-01T00:00:00Z
certificate = "made up for tests"
temperature_c = 23.0
temperature_range_c = [-5.0, 45.0]

[wavelength]
coefficients = [280.0, 0.4, -1e-5]
uncertainty_nm = 0.1
fwhm_nm = 2.0
shift_nm_per_k = 0.008

[noise]
electrons_per_count = 3.0
read_noise_counts = 6.0
saturation_fraction = 0.9
blooming_pixels = 12

[linearity]
coefficients = [1.0, 1e-7]

[response]
wavelength_nm = [280, 400, 700, 1000]
counts_per_s_per_w_m2_nm = [1e5, 2e6, 3e6, 1e6]
relative_uncertainty = [0.05, 0.02, 0.02, 0.03]
correlated_fraction = 0.4
correlation_length_nm = 40.0

[stray_light]
floor_band_nm = [281.0, 289.0]
relative_uncertainty = 0.3

[cosine]
zenith_deg = [0, 60, 90]
ratio = [1.0, 0.97, 0.5]
diffuse_ratio = 0.98

[temperature]
wavelength_nm = [300, 900]
relative_per_k = [0.0, 0.001]
"#;

fn errors_of(from: &str, to: &str) -> Vec<String> {
    assert!(GOOD.contains(from), "the example has no `{from}`");
    match parse(Path::new("c.toml"), &GOOD.replacen(from, to, 1)) {
        Ok(_) => Vec::new(),
        Err(diagnostics) => diagnostics.0.iter().map(ToString::to_string).collect(),
    }
}

/// Every number of the file is read into its field.
#[test]
fn a_valid_file_is_read_completely() {
    let c = parse(Path::new("c.toml"), GOOD).unwrap();
    assert_eq!((c.id.as_str(), c.instrument_serial.as_str()), ("example-2026", "BR-0042"));
    assert_eq!(c.valid_from, UtcMicros::parse("2026-01-01T00:00:00Z").unwrap());
    assert_eq!(c.valid_until, UtcMicros::parse("2027-01-01T00:00:00Z").unwrap());
    assert_eq!((c.temperature_c, c.temperature_range_c), (23.0, (-5.0, 45.0)));
    assert_eq!(c.wavelength.coefficients, [280.0, 0.4, -1e-5]);
    assert_eq!((c.noise.saturation_fraction, c.noise.blooming_pixels), (0.9, 12));
    assert_eq!(c.linearity, [1.0, 1e-7]);
    assert_eq!(c.response.relative_uncertainty, [0.05, 0.02, 0.02, 0.03]);
    assert_eq!((c.response.correlated_fraction, c.response.correlation_length_nm), (0.4, 40.0));
    assert_eq!(c.stray_light.floor_band_nm, Some((281.0, 289.0)));
    assert_eq!(c.cosine.as_ref().unwrap().ratio, [1.0, 0.97, 0.5]);
    assert_eq!(c.temperature.relative_per_k, [0.0, 0.001]);
    assert_eq!(c.text, GOOD);
}

/// An absent optional section means no correction; an absent optional key has its documented default.
#[test]
fn optional_sections_and_keys_have_documented_defaults() {
    let required = GOOD.split("[linearity]").next().unwrap();
    let text = format!(
        "{}[response]\nwavelength_nm = [280, 1000]\ncounts_per_s_per_w_m2_nm = [1, 2]\nrelative_uncertainty = 0.02\n",
        required.replace("saturation_fraction = 0.9\nblooming_pixels = 12\n", "")
    );
    let c = parse(Path::new("c.toml"), &text).unwrap();
    assert_eq!((c.noise.saturation_fraction, c.noise.blooming_pixels), (0.95, 0));
    assert_eq!(c.linearity, [1.0]);
    assert_eq!(c.response.relative_uncertainty, [0.02, 0.02]);
    assert_eq!((c.response.correlated_fraction, c.response.correlation_length_nm), (0.5, 50.0));
    assert_eq!((c.stray_light.floor_band_nm, c.cosine, c.temperature.wavelength_nm.len()), (None, None, 0));
    assert_eq!(c.temperature.uncertainty_per_k, [5e-4]);
    assert_eq!((c.budget.calibrated_on, c.budget.annual_change), (c.valid_from, 0.01));
    assert_eq!((c.budget.linearity, c.budget.levelling_deg), (0.002, 0.3));
    assert_eq!((c.wavelength.variation_nm, c.wavelength.fwhm_uncertainty_nm), (0.03, 0.1));
    assert_eq!(c.wavelength.shift_uncertainty_nm_per_k, 0.001);
    let unstated = parse(Path::new("c.toml"), &text.replace("shift_nm_per_k = 0.008", "")).unwrap();
    assert_eq!(unstated.wavelength.shift_uncertainty_nm_per_k, 0.005);
    let whole = parse(Path::new("c.toml"), GOOD).unwrap();
    let cosine = whole.cosine.unwrap();
    assert_eq!(
        (cosine.ratio_uncertainty[0], cosine.ratio_uncertainty[2], cosine.diffuse_uncertainty),
        (0.0, 0.05, 0.01)
    );
    assert!((cosine.azimuth_deviation[1] - 0.0052 * 3f64.sqrt()).abs() < 1e-12);
    assert_eq!(whole.temperature.uncertainty_per_k, [1e-4, 1e-4f64.hypot(1e-4)]);
    assert_eq!(whole.stray_light.matrix_relative_uncertainty, 0.1);
}

/// GOOD with every uncertainty that may be left out.
fn complete() -> String {
    let added = [
        ("certificate = ", "calibrated_on = 2025-11-20\nannual_change = 0.015\ncertificate = "),
        (
            "fwhm_nm = 2.0",
            "fwhm_nm = 2.0\nvariation_nm = 0.04\nfwhm_uncertainty_nm = 0.07\nshift_uncertainty_nm_per_k = 0.002",
        ),
        ("coefficients = [1.0, 1e-7]", "coefficients = [1.0, 1e-7]\nrelative_uncertainty = 0.004"),
        ("relative_uncertainty = 0.3", "relative_uncertainty = 0.3\nmatrix_relative_uncertainty = 0.25"),
        (
            "diffuse_ratio = 0.98",
            "diffuse_ratio = 0.98\nratio_uncertainty = [0, 0.006, 0.04]\nazimuth_deviation = 0.007\ndiffuse_uncertainty = 0.012",
        ),
        (
            "relative_per_k = [0.0, 0.001]",
            "relative_per_k = [0.0, 0.001]\nuncertainty_per_k = [2e-5, 3e-4]\n[setup]\nlevelling_deg = 0.6",
        ),
    ];
    added.iter().fold(GOOD.to_owned(), |text, (from, to)| text.replacen(from, to, 1))
}

/// Stated uncertainties replace their defaults; one number stands for all angles.
#[test]
fn stated_uncertainties_replace_the_defaults() {
    let c = parse(Path::new("c.toml"), &complete()).unwrap();
    assert_eq!(c.budget.calibrated_on, UtcMicros::parse("2025-11-20T00:00:00Z").unwrap());
    assert_eq!((c.budget.annual_change, c.budget.linearity, c.budget.levelling_deg), (0.015, 0.004, 0.6));
    assert_eq!((c.wavelength.variation_nm, c.wavelength.fwhm_uncertainty_nm), (0.04, 0.07));
    assert_eq!(c.wavelength.shift_uncertainty_nm_per_k, 0.002);
    assert_eq!(c.stray_light.matrix_relative_uncertainty, 0.25);
    let cosine = c.cosine.as_ref().unwrap();
    assert_eq!(
        (&cosine.ratio_uncertainty[..], &cosine.azimuth_deviation[..]),
        (&[0.0, 0.006, 0.04][..], &[0.007; 3][..])
    );
    assert_eq!((cosine.diffuse_uncertainty, &c.temperature.uncertainty_per_k[..]), (0.012, &[2e-5, 3e-4][..]));
    let text = write(&c, None);
    assert_eq!(parse(Path::new("c.toml"), &text).unwrap(), Calibration { text, ..c });
}

/// Identity: the written text reads back to the same numbers.
#[test]
fn a_written_calibration_is_read_back() {
    let c = parse(Path::new("c.toml"), GOOD).unwrap();
    let text = write(&c, None);
    let parsed = parse(Path::new("c.toml"), &text).unwrap();
    assert_eq!(parsed, Calibration { text, ..c });
}

/// Each broken rule is reported with key, rule and value.
#[test]
fn each_broken_rule_names_key_rule_and_value() {
    let cases = [
        (
            "[280, 400, 700, 1000]",
            "[280, 400, 390, 1000]",
            "c.toml:27: response.wavelength_nm[2]: expected a number above the one before it, but found `390` after `400`",
        ),
        (
            "[280, 400, 700, 1000]",
            "[280, 400, 400, 1000]",
            "c.toml:27: response.wavelength_nm[2]: expected a number above the one before it, but found `400` after `400`",
        ),
        (
            "[1e5, 2e6, 3e6, 1e6]",
            "[1e5, -2e6, 3e6, 1e6]",
            "c.toml:28: response.counts_per_s_per_w_m2_nm[1]: expected a number above 0 [counts/s per W m-2 nm-1], but \
             found `-2e6`",
        ),
        (
            "[1e5, 2e6, 3e6, 1e6]",
            "[1e5, 0, 3e6, 1e6]",
            "c.toml:28: response.counts_per_s_per_w_m2_nm[1]: expected a number above 0 [counts/s per W m-2 nm-1], but \
             found `0`",
        ),
        (
            "[1e5, 2e6, 3e6, 1e6]",
            "[1e5, nan, 3e6, 1e6]",
            "c.toml:28: response.counts_per_s_per_w_m2_nm[1]: expected a number above 0 [counts/s per W m-2 nm-1], but \
             found `nan`",
        ),
        (
            "[1e5, 2e6, 3e6, 1e6]",
            "[1e5, 2e6, 3e6]",
            "c.toml:28: response.counts_per_s_per_w_m2_nm: expected as many entries as wavelength_nm (4), but found 3",
        ),
        (
            "valid_from = 2026-01-01",
            "valid_from = 2028-01-01",
            "c.toml:6: calibration.valid_until: expected an instant after valid_from (2028-01-01T00:00:00Z), but found \
             `2027-01-01T00:00:00Z`",
        ),
        (
            "valid_from = 2026-01-01",
            "valid_from = 2026-01-01T00:00:00",
            "c.toml:5: calibration.valid_from: expected an instant with its offset, or a date (00:00 UTC), but found \
             `2026-01-01T00:00:00`",
        ),
        (
            "[280.0, 0.4, -1e-5]",
            "[280.0, 0.4, -1e-3]",
            "c.toml:12: wavelength.coefficients: expected wavelengths that rise from pixel to pixel, but found 319.999 nm \
             after 320.000 nm at pixel 201",
        ),
        (
            "[280.0, 0.4, -1e-5]",
            "[1050.0, -0.4]",
            "c.toml:12: wavelength.coefficients: expected pixel 0 below the last wavelength of the response (1000 nm), but \
             found 1050 nm",
        ),
        (
            "temperature_c = 23.0",
            "temperature_c = 60",
            "c.toml:8: calibration.temperature_c: expected a temperature within temperature_range_c [-5, 45], but found \
             `60`",
        ),
        (
            "floor_band_nm = [281.0, 289.0]",
            "floor_band_nm = [289.0, 281.0]",
            "c.toml:34: stray_light.floor_band_nm: expected two numbers [low, high], low below high, each a number from 100 \
             to 5000 [nm], but found `[289.0, 281.0]`",
        ),
        (
            "zenith_deg = [0, 60, 90]",
            "zenith_deg = [10, 60, 90]",
            "c.toml:38: cosine.zenith_deg: expected angles that begin at 0, the reference direction of the cosine response, \
             but found `[10, 60, 90]`",
        ),
        (
            "diffuse_ratio = 0.98",
            "diffuse_ratio = 0.98\nratio_uncertainty = [0.0, 0.01]",
            "c.toml:41: cosine.ratio_uncertainty: expected as many entries as zenith_deg (3), but found 2",
        ),
        (
            "relative_per_k = [0.0, 0.001]",
            "relative_per_k = [0.0, 0.001]\n[setup]\nlevelling_deg = -1",
            "c.toml:46: setup.levelling_deg: expected a number from 0 to 10 [degrees, k = 1], but found `-1`",
        ),
        (
            "coefficients = [1.0, 1e-7]",
            "coefficients = [0.0, 1e-7]",
            "c.toml:24: linearity.coefficients[0]: expected a number above 0, the divisor of the counts of weak light, \
             but found `0`",
        ),
        (
            "fwhm_nm = 2.0\n",
            "",
            "c.toml: wavelength.fwhm_nm: expected a number above 0 and at most 100 [nm], but found nothing: the key is required",
        ),
    ];
    for (from, to, want) in cases {
        assert_eq!(errors_of(from, to), [want], "{from} -> {to}");
    }
}

/// A missing matrix is reported with its file name.
#[test]
fn a_matrix_that_is_missing_is_refused() {
    let found = errors_of("relative_uncertainty = 0.3", "relative_uncertainty = 0.3\nmatrix = \"none.csv\"");
    assert_eq!(found, ["none.csv: expected a readable matrix, but found no such file"]);
}
