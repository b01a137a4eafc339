//! Invalid calibrations.

use super::{CALIBRATION, assert_refused, changed, folder_with};

/// Each wrong value is refused with file, line, key, rule and the value found.
#[test]
fn each_wrong_value_is_named_with_key_rule_and_value() {
    let cases: &[(&str, &str, &str)] = &[
        (
            "[280, 400, 700, 1000]",
            "[280, 400, 390, 1000]",
            "calibration.toml:26: response.wavelength_nm[2]: expected a number above the one before it, but found `390` \
             after `400`",
        ),
        (
            "[1e5, 2e6, 3e6, 1e6]",
            "[1e5, 2e6, 3e6]",
            "calibration.toml:27: response.counts_per_s_per_w_m2_nm: expected as many entries as wavelength_nm (4), but \
             found 3",
        ),
        (
            "[1e5, 2e6, 3e6, 1e6]",
            "[1e5, 0.0, 3e6, 1e6]",
            "calibration.toml:27: response.counts_per_s_per_w_m2_nm[1]: expected a number above 0 [counts/s per W m-2 \
             nm-1], but found `0.0`",
        ),
        (
            "[280.0, 0.4, -1e-5]",
            "[280.0, -0.4]",
            "calibration.toml:11: wavelength.coefficients: expected wavelengths that rise from pixel to pixel, but found \
             279.600 nm after 280.000 nm at pixel 1",
        ),
        (
            "valid_from = 2026-01-01",
            "valid_from = 2101-01-01",
            "calibration.toml:5: calibration.valid_until: expected an instant after valid_from (2101-01-01T00:00:00Z), but \
             found `2100-01-01`",
        ),
        (
            "electrons_per_count = 3.0",
            "electrons_per_count = 0",
            "calibration.toml:17: noise.electrons_per_count: expected a number above 0 [electrons], but found `0`",
        ),
        (
            "fwhm_nm = 2.0",
            "fwhm_nm = 2.0\nvariation_nm = -0.1",
            "calibration.toml:14: wavelength.variation_nm: expected a number from 0 to 10 [nm, k = 1], but found `-0.1`",
        ),
        (
            "instrument_serial",
            "calibrated_on = \"last spring\"\ninstrument_serial",
            "calibration.toml:3: calibration.calibrated_on: expected an instant with its offset, or a date (00:00 UTC), but \
             found `\"last spring\"`",
        ),
        (
            "[noise]",
            "[noises]",
            "calibration.toml: noise.electrons_per_count: expected a number above 0 [electrons], but found nothing: the key \
             is required\ncalibration.toml: noise.read_noise_counts: expected a number of at least 0 [counts], but found \
             nothing: the key is required\ncalibration.toml:16: noises: expected one of the keys `calibration`, \
             `wavelength`, `noise`, `linearity`, `response`, `stray_light`, `cosine`, `temperature`, `setup`, but found an \
             unknown key (did you mean `noise`?)",
        ),
    ];
    for (from, to, want) in cases {
        assert_refused(&folder_with(&[], &[(from, to)]), &want.lines().collect::<Vec<_>>());
    }
}

/// A missing calibration is named.
#[test]
fn a_missing_calibration_is_named() {
    let folder = folder_with(&[("\"calibration.toml\"", "\"c/none.toml\"")], &[]);
    assert_refused(
        &folder,
        &["c/none.toml: expected a readable file, but found no such file: its folder c does not exist"],
    );
}

/// A calibration that is not valid now is refused (the instant in the message is the machine's own).
#[test]
fn an_expired_calibration_is_refused() {
    let folder = folder_with(&[], &[("2026-01-01", "2019-01-01"), ("2100-01-01", "2020-01-01")]);
    let ran = folder.vigilux(&["check", "--config", "station.toml"]);
    let complaint = ran.stderr();
    assert_eq!(ran.status(), Some(2), "{ran}");
    let rule = "calibration.toml: calibration.valid_until: expected a calibration of `BR-0042` that is valid now (20";
    assert!(complaint.starts_with(rule), "{ran}");
    assert!(complaint.ends_with("), but found one that expired at 2020-01-01T00:00:00Z\n"), "{ran}");
}

/// Two calibrations: one for another serial number, one with the same name and overlapping validity.
#[test]
fn calibrations_that_contradict_each_other_are_refused() {
    let both = [("[\"calibration.toml\"]", "[\"calibration.toml\", \"second.toml\"]")];
    let folder = folder_with(&both, &[]);
    folder.put("second.toml", changed(CALIBRATION, &[("BR-0042", "BR-0043"), ("example-2026", "second")]));
    assert_refused(
        &folder,
        &["second.toml: calibration.instrument_serial: expected the serial number `BR-0042` of `example-2026` in \
             calibration.toml, but found `BR-0043`"],
    );
    folder.put("second.toml", changed(CALIBRATION, &[("2026-01-01", "2027-01-01")]));
    assert_refused(
        &folder,
        &[
            "second.toml: calibration.valid_from: expected a validity that begins when `example-2026` in calibration.toml has \
             ended (2100-01-01T00:00:00Z), but found 2027-01-01T00:00:00Z",
            "second.toml: calibration.id: expected another identifier than that of `example-2026` in calibration.toml, but found `example-2026`",
        ],
    );
}
