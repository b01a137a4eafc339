//! Invalid configurations.

use super::{CALIBRATION, CONFIG, assert_refused, changed, folder_with};
use crate::support::Folder;

/// Each wrong value is refused with file, line, key, rule and the value found.
#[test]
fn each_wrong_value_is_named_with_key_rule_and_value() {
    let cases: &[(&str, &str, &str)] = &[
        (
            "sources = [\"shutter\", \"night\"]",
            "night_sky_lx = -0.01",
            "station.toml:29: instrument[0].darks.night_sky_lx: expected a number from 0 to 1 [lx], but found `-0.01`",
        ),
        (
            "latitude_deg = 56.3",
            "latitude_deg = 95",
            "station.toml:6: station.latitude_deg: expected a number from -90 to 90 [degrees, north positive], but found `95`",
        ),
        (
            "longitude_deg = 9.7",
            "longitude_deg = nan",
            "station.toml:7: station.longitude_deg: expected a number from -180 to 180 [degrees, east positive], but found \
             `nan`",
        ),
        (
            "altitude_m = 40",
            "altitude_m = inf",
            "station.toml:8: station.altitude_m: expected a number from -500 to 9000 [m], but found `inf`",
        ),
        (
            "kind = \"roof\"",
            "kind = \"garden\"",
            "station.toml:5: station.kind: expected one of `roof`, `glasshouse`, `lamp`, but found `\"garden\"`",
        ),
        (
            "\"Europe/Copenhagen\"",
            "\"Mars/Olympus\"",
            "station.toml:9: station.time_zone: expected an IANA time zone such as `Europe/Dublin`, but found `\"Mars/Olympus\"`",
        ),
        (
            "altitude_m = 40",
            "altitude_metres = 40",
            "station.toml:8: station.altitude_metres: expected one of the keys `name`, `kind`, `latitude_deg`, \
             `longitude_deg`, `altitude_m`, `time_zone`, `day_starts_at`, `mains_hz`, `lamps`, `ultraviolet_lamps`, \
             `lamp_incidence_deg`, `glazing_transmission`, `glazing_transmission_uncertainty`, `glazing_haze`, \
             `glazing_haze_uncertainty`, but found an unknown key (did you mean `altitude_m`?)",
        ),
        (
            "altitude_m = 40",
            "lamps = [\"06:00-22:00\"]",
            "station.toml:8: station.lamps: expected no such key under kind `roof`, where no lamp is seen, but found \
             `[\"06:00-22:00\"]`",
        ),
        (
            "kind = \"roof\"",
            "kind = \"glasshouse\"\nmains_hz = 50\nlamps = [\"06:00-06:00\"]",
            "station.toml:7: station.lamps: expected a list of windows of local time such as `[\"05:00-21:00\"]`, each with \
             different ends, but found `[\"06:00-06:00\"]`",
        ),
        (
            "altitude_m = 40",
            "glazing_haze = 0.5",
            "station.toml:8: station.glazing_haze: expected no such key but under kind `glasshouse`, which has glazing, but found \
             `0.5`",
        ),
        (
            "altitude_m = 40",
            "lamp_incidence_deg = 20",
            "station.toml:8: station.lamp_incidence_deg: expected no such key under kind `roof`, where no lamp is seen, but found \
             `20`",
        ),
        (
            "kind = \"roof\"",
            "kind = \"glasshouse\"\nmains_hz = 50\nglazing_transmission = 85",
            "station.toml:7: station.glazing_transmission: expected a number from 0.05 to 1 [share of the light], but found `85`",
        ),
        (
            "kind = \"roof\"",
            "kind = \"glasshouse\"\nmains_hz = 50\nglazing_haze_uncertainty = nan",
            "station.toml:7: station.glazing_haze_uncertainty: expected a number from 0 to 0.5 [standard uncertainty of the \
             share], but found `nan`",
        ),
        (
            "kind = \"roof\"",
            "kind = \"glasshouse\"\nmains_hz = 50\nlamp_incidence_deg = 90",
            "station.toml:7: station.lamp_incidence_deg: expected a number from 0 to 85 [degrees from the vertical], but found \
             `90`",
        ),
        (
            "[store]",
            "[daily]\ninterpolate_up_to_min = 90\n[store]",
            "station.toml:12: daily.interpolate_up_to_min: expected a number above 0 and at most 60 [min], but found `90`",
        ),
        (
            "[store]",
            "[daily]\nhours_above_ppfd = nan\n[store]",
            "station.toml:12: daily.hours_above_ppfd: expected a number above 0 and at most 5000 [umol m-2 s-1], but found \
             `nan`",
        ),
        (
            "name = \"Example roof\"\n",
            "",
            "station.toml: station.name: expected a name, but found nothing: the key is required",
        ),
        (
            "baud = 115200",
            "baud = -9600",
            "station.toml:17: instrument[0].baud: expected a whole number of at least 1 [baud], but found `-9600`",
        ),
        (
            "cron = \"0 * * * * *\"",
            "cron = \"* * * * *\"",
            "station.toml:21: instrument[0].schedule.cron: expected a cron expression in UTC that fires: second minute hour \
             day-of-month month day-of-week (1 = Sunday to 7) and perhaps year, but found `* * * * *`, which has 5 fields",
        ),
        (
            "target_level = 0.75",
            "target_level = 75",
            "station.toml:25: instrument[0].exposure.target_level: expected a number from 0.1 to 0.9 [of full scale], but \
             found `75`",
        ),
        (
            "integration_max_ms = 8000",
            "integration_max_ms = \"8 s\"",
            "station.toml:26: instrument[0].exposure.integration_max_ms: expected a number above 0 and at most 600000 [ms], \
             but found `\"8 s\"`",
        ),
        (
            "cron = \"0 * * * * *\"",
            "cron = \"0 * * * * *\"\ncheck_source = \"noon\"",
            "station.toml:22: instrument[0].schedule.check_source: expected a cron expression in UTC that fires: second minute hour \
             day-of-month month day-of-week (1 = Sunday to 7) and perhaps year, but found `noon`, which has 1 fields",
        ),
        (
            "[instrument.limits.uncertainty]",
            "[instrument.limits]\nwavelength_shift = \"mend\"\n[instrument.limits.uncertainty]",
            "station.toml:32: instrument[0].limits.wavelength_shift: expected `flag` or `apply`, but found `\"mend\"`",
        ),
        (
            "[instrument.limits.uncertainty]",
            "[instrument.limits]\nwavelength_drift_nm = 0\n[instrument.limits.uncertainty]",
            "station.toml:32: instrument[0].limits.wavelength_drift_nm: expected a number above 0 and at most 10 [nm], but found \
             `0`",
        ),
        (
            "[instrument.limits.uncertainty]",
            "[instrument.limits]\nresponse_drift_relative = 7\n[instrument.limits.uncertainty]",
            "station.toml:32: instrument[0].limits.response_drift_relative: expected a number above 0 and at most 1, but found \
             `7`",
        ),
        (
            "ppfd = {",
            "pdfd = {",
            "station.toml:32: instrument[0].limits.uncertainty.pdfd: expected the identifier of a quantity, but found an \
             unknown name",
        ),
    ];
    for (from, to, want) in cases {
        assert_refused(&folder_with(&[(from, to)], &[]), &[want]);
    }
}

/// A schedule that never fires is refused, with the instant from which it was evaluated (the machine's own).
#[test]
fn a_schedule_that_never_fires_is_refused() {
    for cron in ["0 0 0 30 2 *", "0 0 0 1 1 * 2001"] {
        let folder = folder_with(&[("0 * * * * *", cron)], &[]);
        let ran = folder.vigilux(&["check", "--config", "station.toml"]);
        let complaint = ran.stderr();
        assert_eq!(ran.status(), Some(2), "{ran}");
        assert!(
            complaint.starts_with("station.toml:21: instrument[0].schedule.cron: expected a cron expression"),
            "{ran}"
        );
        assert!(complaint.contains(&format!("but found `{cron}`, which never fires after 20")), "{ran}");
    }
}

/// All faults of configuration and calibration are reported together.
#[test]
fn all_flaws_of_all_files_are_said_in_one_go() {
    let folder = folder_with(
        &[
            ("version = 1", "version = 3"),
            ("latitude_deg = 56.3", "latitude_deg = 95"),
            ("\"south\"", "\"south wing\""),
            ("target_level = 0.75", "target_leve = 0.75"),
        ],
        &[("[1e5, 2e6, 3e6, 1e6]", "[1e5, -2e6, 3e6, 1e6]"), ("fwhm_nm = 2.0", "fwhm_nm = nan")],
    );
    assert_refused(
        &folder,
        &[
            "station.toml:1: version: expected version 1 of the configuration file, but found `3`",
            "station.toml:6: station.latitude_deg: expected a number from -90 to 90 [degrees, north positive], but found `95`",
            "station.toml:15: instrument[0].name: expected a name of letters, digits, `-` and `_`, but found `\"south wing\"`",
            "station.toml:25: instrument[0].exposure.target_leve: expected one of the keys `target_level`, \
             `integration_min_ms`, `integration_max_ms`, `budget_s`, `exposures`, `bracketing`, `bracket_ratio`, \
             `bracket_exposures`, `discard_frames`, `unsteady_share`, but found an unknown key (did you mean `target_level`?)",
            "calibration.toml:13: wavelength.fwhm_nm: expected a number above 0 and at most 100 [nm], but found `nan`",
            "calibration.toml:27: response.counts_per_s_per_w_m2_nm[1]: expected a number above 0 [counts/s per W m-2 nm-1], \
             but found `-2e6`",
        ],
    );
}

/// A file that cannot be read is reported with the reason; a missing folder is named.
#[test]
fn a_configuration_that_cannot_be_read_says_why() {
    let folder = Folder::new();
    assert_refused(&folder, &["station.toml: expected a readable file, but found no such file"]);
    let ran = folder.vigilux(&["check", "--config", "none/station.toml"]);
    assert_eq!(
        (ran.status(), ran.stderr().as_str()),
        (
            Some(2),
            "none/station.toml: expected a readable file, but found no such file: its folder none does not exist\n"
        )
    );
    folder.put("station.toml", b"version = 1\nname = \"\xff\"\n");
    assert_refused(&folder, &["station.toml: expected UTF-8 text, but found another byte at 20"]);
    folder.put("station.toml", "version = 1\n[station\n");
    let ran = folder.vigilux(&["check", "--config", "station.toml"]);
    assert_eq!(ran.status(), Some(2), "{ran}");
    assert!(ran.stderr().starts_with("station.toml:2: expected TOML, but found "), "{ran}");
}

/// Two instruments that share a calibration, hence a serial number, are refused.
#[test]
fn a_copied_instrument_is_refused() {
    let copy = CONFIG.split_once("[[instrument]]").expect("the good file has an instrument").1;
    let copy = changed(copy, &[("\"south\"", "\"north\""), ("/dev/ttyExample", "/dev/ttyExample2")]);
    let folder = Folder::new();
    folder.put("station.toml", format!("{CONFIG}\n[[instrument]]{copy}"));
    folder.put("calibration.toml", CALIBRATION);
    assert_refused(
        &folder,
        &[
            "station.toml: instrument[1].calibrations: expected calibrations of another instrument than instrument[0], but \
             found the same serial number `BR-0042`",
        ],
    );
}

/// `--json` gives the same diagnostics as data, field by field.
#[test]
fn flaws_come_as_json_too() {
    let folder = folder_with(&[("latitude_deg = 56.3", "latitude_deg = 95")], &[]);
    let ran = folder.vigilux(&["check", "--config", "station.toml", "--json"]);
    assert_eq!(ran.status(), Some(2), "{ran}");
    let json: serde_json::Value = serde_json::from_str(&ran.stdout()).expect("JSON");
    let want = serde_json::json!({ "valid": false, "diagnostics": [{
        "file": "station.toml",
        "line": 6,
        "key": "station.latitude_deg",
        "expected": "a number from -90 to 90 [degrees, north positive]",
        "found": "`95`",
    }] });
    assert_eq!(json, want, "{ran}");
}
