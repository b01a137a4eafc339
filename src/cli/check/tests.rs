use super::*;

const CONFIG: &str = r#"
version = 1
[station]
name = "Example roof"
kind = "roof"
latitude_deg = -33.5
longitude_deg = -70.6
altitude_m = 560
time_zone = "America/Santiago"
[store]
path = "none/example.db"
[[instrument]]
name = "south"
link = "/dev/ttyExample"
calibrations = ["c.toml"]
[instrument.schedule]
cron = "0 0 * * * *"
local_window = "08:00-20:00"
[instrument.exposure]
budget_s = 3600
"#;

const CALIBRATION: &str = r#"
[calibration]
id = "example-2026"
instrument_serial = "BR-0042"
valid_from = 2026-01-01
valid_until = 2027-01-01
certificate = "made up for tests"
temperature_c = 23.0
temperature_range_c = [-5.0, 45.0]
[wavelength]
coefficients = [290.5, 0.4]
uncertainty_nm = 0.1
fwhm_nm = 2.0
[noise]
electrons_per_count = 3.0
read_noise_counts = 6.0
[response]
wavelength_nm = [280, 1000]
counts_per_s_per_w_m2_nm = [1e5, 2e6]
relative_uncertainty = 0.02
"#;

fn setup() -> (tempfile::TempDir, Setup) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("c.toml"), CALIBRATION).unwrap();
    std::fs::write(folder.path().join("roof.toml"), CONFIG).unwrap();
    let setup = config::load(&folder.path().join("roof.toml"), at("2026-12-01T02:10:00.5Z")).unwrap();
    (folder, setup)
}

fn at(text: &str) -> UtcMicros {
    UtcMicros::parse(text).unwrap()
}

#[test]
fn the_summary_has_site_calibration_range_and_next_times() {
    let (folder, setup) = setup();
    let text = Summary::of(Path::new("roof.toml"), &setup, at("2026-12-01T02:10:00.5Z")).text();
    let want = "roof.toml: valid, with 4 WARNINGS at the end

station      Example roof (roof), 33.5000° S, 70.6000° W, 560 m, America/Santiago
mains light  none expected
ultraviolet  rule of the sun: integrals start at 290 nm
database     FOLDER/none/example.db

instrument   south on /dev/ttyExample, 115200 baud, scpi
calibration  active    example-2026 for serial number BR-0042, 290.5 nm to 1000 nm
             2026-01-01T00:00:00Z to 2027-01-01T00:00:00Z, FOLDER/c.toml
             no uvb: it needs 290 nm to 315 nm
             no erythemal_irradiance: it needs 290 nm to 400 nm
             no uv_index: it needs 290 nm to 400 nm
             no vitamin_d_irradiance: it needs 290 nm to 330 nm
             no actinic_uv_irradiance: it needs 290 nm to 400 nm
             no plant_growth_uv_irradiance: it needs 290 nm to 366 nm
             no plant_damage_uv_irradiance: it needs 290 nm to 313.3 nm
schedule     0 0 * * * * (UTC), 08:00-20:00 local time; single shots
next         2026-12-01T11:00:00Z (2026-12-01 08:00:00 -03)
             2026-12-01T12:00:00Z (2026-12-01 09:00:00 -03)
             2026-12-01T13:00:00Z (2026-12-01 10:00:00 -03)

WARNING: station: name or coordinates are still those of the invented site `Example roof`: sun and days are of another place

WARNING: store.path: the folder FOLDER/none does not exist (yet)

WARNING: south: the device /dev/ttyExample is not there: is it plugged in and switched on?

WARNING: south: exposure.budget_s (3600 s) is not shorter than the interval of the schedule: in weak light, ticks will become gaps (`busy`)
";
    assert_eq!(text.replace(&folder.path().display().to_string(), "FOLDER"), want);
}

/// A calibration that ends within thirty days is a warning, one with an open end never.
#[test]
fn a_calibration_that_ends_soon_is_a_warning() {
    let (folder, setup) = setup();
    let summary = |setup: &Setup, now| Summary::of(Path::new("roof.toml"), setup, at(now)).text();
    let warning = "WARNING: south: calibration `example-2026` ends in 30 days and no other follows it";
    assert!(!summary(&setup, "2026-12-01T00:00:00Z").contains("ends in"), "31 days");
    assert!(summary(&setup, "2026-12-02T02:00:00Z").contains(warning));
    let open = CALIBRATION.replace("valid_until = 2027-01-01\n", "");
    std::fs::write(folder.path().join("c.toml"), open).unwrap();
    let setup = config::load(&folder.path().join("roof.toml"), at("2026-12-30T00:00:00Z")).unwrap();
    let text = summary(&setup, "2026-12-30T00:00:00Z");
    assert!(text.contains("2026-01-01T00:00:00Z to the next one begins, ") && !text.contains("ends in"), "{text}");
}

#[test]
fn ultraviolet_lamps_are_named_with_the_rule_that_holds() {
    let glasshouse = |lamps: &str| {
        let folder = tempfile::tempdir().unwrap();
        let calibration =
            format!("{CALIBRATION}[stray_light]\nfloor_band_nm = [291, 294]\nrelative_uncertainty = 0.3\n");
        std::fs::write(folder.path().join("c.toml"), calibration).unwrap();
        let config = CONFIG.replace("\"roof\"", &format!("\"glasshouse\"\nmains_hz = 50\n{lamps}"));
        std::fs::write(folder.path().join("glass.toml"), config).unwrap();
        let now = at("2026-12-01T02:10:00.5Z");
        let setup = config::load(&folder.path().join("glass.toml"), now).unwrap();
        let summary = Summary::of(Path::new("glass.toml"), &setup, now);
        (summary.text(), serde_json::to_value(&summary).unwrap())
    };
    let (text, json) = glasshouse("ultraviolet_lamps = true");
    for line in [
        "ultraviolet  rule of lamps, by station.ultraviolet_lamps: integrals need the whole range of each weighting",
        "             no uv_index: it needs 250 nm to 400 nm",
        "WARNING: south: calibration `example-2026` takes the stray-light floor from 291 nm to 294 nm: a lamp that emits there \
         makes ultraviolet quantities read too low",
    ] {
        assert!(text.lines().any(|l| l == line), "no line `{line}` in\n{text}");
    }
    assert_eq!(
        (&json["station"]["ultraviolet_lamps"], &json["station"]["source_rule"]),
        (&true.into(), &"lamp".into())
    );
    let (text, json) = glasshouse("");
    assert!(text.contains("rule of the sun: integrals start at 290 nm; where lamps emit ultraviolet, set "), "{text}");
    assert!(text.contains("no uv_index: it needs 290 nm to 400 nm") && !text.contains("stray-light floor"), "{text}");
    assert_eq!(
        (&json["station"]["ultraviolet_lamps"], &json["station"]["source_rule"]),
        (&false.into(), &"sun".into())
    );
}
