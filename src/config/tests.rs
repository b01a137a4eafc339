use super::*;
use crate::quantities::SourceRule;
use crate::record::DarkSource;

/// The shortest valid file.
const MINIMAL: &str = r#"
version = 1
[station]
name = "Example roof"
kind = "roof"
latitude_deg = 56.3
longitude_deg = 9.7
time_zone = "Europe/Copenhagen"
[[instrument]]
name = "south"
link = "/dev/ttyUSB0"
calibrations = ["c.toml"]
"#;

fn now() -> UtcMicros {
    UtcMicros::parse("2026-06-21T12:00:00Z").unwrap()
}

fn diagnostics(text: &str) -> Vec<String> {
    match parse(Path::new("a/roof.toml"), text, now()) {
        Ok(_) => Vec::new(),
        Err(diagnostics) => diagnostics.0.iter().map(ToString::to_string).collect(),
    }
}

#[test]
fn a_minimal_file_has_the_documented_defaults() {
    let c = parse(Path::new("a/roof.toml"), MINIMAL, now()).unwrap();
    assert_eq!((c.station.mains_hz, c.station.day_starts_at_s, c.station.place.altitude_m), (0.0, 0, 0.0));
    assert_eq!(c.store.path, Path::new("a/vigilux.db"));
    assert_eq!((c.store.free_space_floor_mb, c.store.keep_raw_months), (500, None));
    assert_eq!(
        c.station.days,
        DailyConfig { interpolate_up_to_s: 900.0, photoperiod_ppfd: 1.0, hours_above_ppfd: 200.0 }
    );
    assert!(c.station.lamps_s.is_empty() && !c.station.ultraviolet_lamps);
    assert_eq!(c.station.source_rule(), SourceRule::Sun);
    let i = &c.instruments[0];
    assert_eq!((i.baud, i.dialect.name.as_str(), i.warm_up_s), (115_200, "scpi", 1200.0));
    assert_eq!(i.link, Path::new("/dev/ttyUSB0"));
    assert_eq!(i.calibrations, [Path::new("a/c.toml")]);
    assert_eq!(i.schedule.cron.source(), "0 * * * * *");
    let exposure = ExposureConfig {
        target_level: 0.75,
        integration_min_s: 0.001,
        integration_max_s: 10.0,
        budget_s: 20.0,
        exposures: 2,
        bracket_ratio: Some(70.0),
        bracket_exposures: 1,
        discard_frames: 0,
        unsteady_share: 0.05,
    };
    assert_eq!(i.exposure, exposure);
    assert_eq!(i.darks.sources, DarkSource::ALL);
    assert_eq!((i.darks.refresh_s, i.darks.max_age_s, i.darks.model_max_age_s), (1200.0, 3600.0, 2_592_000.0));
    assert_eq!((i.limits.low_sun_deg, i.limits.dark_offset_counts, i.limits.dark_rate_relative), (90.0, 20.0, 0.5));
    assert_eq!(c.text, MINIMAL);
}

#[test]
fn every_key_is_read_in_its_unit() {
    let text = format!(
        "{MINIMAL}baud = 57600\nwarm_up_min = 5\n[instrument.schedule]\ncron = \"0 */5 * * * *\"\nsun_above_deg = -6\n\
         local_window = \"22:00-04:00\"\nwindow_s = 50\n[instrument.exposure]\nbracketing = false\nintegration_min_ms = 2.5\n\
         [instrument.darks]\nsources = [\"night\"]\nnight_every_min = 30\n[instrument.limits]\nlamp_rating_ppfd = 900\n\
         [instrument.limits.uncertainty]\nppfd = {{ relative = 0.05, absolute = 2 }}\n\
         [daily]\ninterpolate_up_to_min = 5\nphotoperiod_ppfd = 0.5\nhours_above_ppfd = 500\n"
    );
    let c = parse(Path::new("roof.toml"), &text, now()).unwrap();
    assert_eq!(
        c.station.days,
        DailyConfig { interpolate_up_to_s: 300.0, photoperiod_ppfd: 0.5, hours_above_ppfd: 500.0 }
    );
    let under_glass = text.replace(
        "\"roof\"",
        "\"glasshouse\"\nmains_hz = 50\nultraviolet_lamps = true\nlamps = [\"05:00-08:30\", \"20:00-02:00\"]",
    );
    let glass = parse(Path::new("glass.toml"), &under_glass, now()).unwrap();
    assert_eq!(glass.station.lamps_s, [(18_000, 30_600), (72_000, 7_200)]);
    assert_eq!((glass.station.ultraviolet_lamps, glass.station.source_rule()), (true, SourceRule::Lamp));
    let glazing = |keys: &str| {
        let stated = under_glass.replace("mains_hz = 50", &format!("mains_hz = 50\n{keys}"));
        let station = parse(Path::new("glass.toml"), &stated, now()).unwrap().station;
        let g = station.glazing.unwrap();
        ([g.transmission, g.transmission_uncertainty, g.haze, g.haze_uncertainty], station.lamp_incidence_deg)
    };
    assert_eq!(glazing(""), ([0.8, 0.1, 0.35, 0.25], None));
    assert_eq!(glazing("glazing_haze = 0.6\nlamp_incidence_deg = 30"), ([0.8, 0.1, 0.6, 0.1], Some(30.0)));
    let stated = "glazing_transmission = 0.9\nglazing_transmission_uncertainty = 0.02\nglazing_haze_uncertainty = 0.2";
    assert_eq!(glazing(stated), ([0.9, 0.02, 0.35, 0.2], None));
    assert_eq!(c.station.glazing, None);
    let i = &c.instruments[0];
    assert_eq!((i.baud, i.warm_up_s), (57_600, 300.0));
    assert_eq!((i.schedule.sun_above_deg, i.schedule.local_window_s), (Some(-6.0), Some((79_200, 14_400))));
    assert_eq!(i.schedule.window_s, Some(50.0));
    assert_eq!((i.exposure.bracket_ratio, i.exposure.integration_min_s), (None, 0.0025));
    assert_eq!((i.darks.sources.as_slice(), i.darks.night_every_s), ([DarkSource::Night].as_slice(), 1800.0));
    assert_eq!(i.limits.lamp_rating_ppfd, Some(900.0));
    assert_eq!(i.limits.uncertainty, [("ppfd".to_owned(), 0.05, 2.0)]);
    assert_eq!(c.store.path, Path::new("vigilux.db"));
}

#[test]
fn an_empty_file_is_refused_with_every_required_key() {
    let found = diagnostics("");
    let keys: Vec<&str> = found.iter().map(|f| f.split(": ").nth(1).unwrap()).collect();
    let want = [
        "version",
        "station.name",
        "station.kind",
        "station.latitude_deg",
        "station.longitude_deg",
        "station.time_zone",
        "instrument",
    ];
    assert_eq!(keys, want);
}

#[test]
fn each_broken_rule_is_refused_with_line_key_rule_and_value() {
    let cases: &[(&str, &str, &str)] = &[
        ("version = 1", "version = 2", "2: version: expected version 1 of the configuration file, but found `2`"),
        (
            "latitude_deg = 56.3",
            "latitude_deg = 95",
            "6: station.latitude_deg: expected a number from -90 to 90 [degrees, north positive], but found `95`",
        ),
        (
            "latitude_deg = 56.3",
            "latitude_deg = nan",
            "6: station.latitude_deg: expected a number from -90 to 90 [degrees, north positive], but found `nan`",
        ),
        (
            "\"Europe/Copenhagen\"",
            "\"Europe/Nowhere\"",
            "8: station.time_zone: expected an IANA time zone such as `Europe/Dublin`, but found `\"Europe/Nowhere\"`",
        ),
        (
            "kind = \"roof\"",
            "kind = \"roof\"\nmains_hz = 16.7",
            "6: station.mains_hz: expected 0, or a mains frequency from 40 to 70 [Hz], but found `16.7`",
        ),
        (
            "kind = \"roof\"",
            "kind = \"lamp\"",
            ": station.mains_hz: expected a number from 0 to 70 [Hz; 0 where no mains-driven light is seen], but found \
             nothing: the key is required",
        ),
        (
            "kind = \"roof\"",
            "kind = \"roof\"\nultraviolet_lamps = true",
            "6: station.ultraviolet_lamps: expected no such key but under kind `glasshouse`: the rule of the sun holds under \
             `roof`, the rule of lamps under `lamp`, but found `true`",
        ),
        (
            "[[instrument]]",
            "[instrument]",
            "9: instrument: expected `[[instrument]]`, also when there is only one, but found a table",
        ),
        (
            "name = \"south\"",
            "name = \"south\"\nbaud = 0",
            "11: instrument[0].baud: expected a whole number of at least 1 [baud], but found `0`",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = []",
            "12: instrument[0].calibrations: expected a list of at least one calibration file, but found `[]`",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\nschedule.cron = \"0 0 0 30 2 *\"",
            "13: instrument[0].schedule.cron: expected a cron expression in UTC that fires: second minute hour day-of-month \
             month day-of-week (1 = Sunday to 7) and perhaps year, but found `0 0 0 30 2 *`, which never fires after \
             2026-06-21T12:00:00Z",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\nschedule.window_s = 60",
            "13: instrument[0].schedule.window_s: expected a window shorter than the time between two ticks of cron (60 s), \
             but found `60`",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\nschedule = { sun_above_deg = 5, sun_below_deg = -5 }",
            "13: instrument[0].schedule.sun_above_deg: expected an elevation below sun_below_deg (-5), or no reading would be \
             taken, but found `5`",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\nexposure.target_level = 1.5",
            "13: instrument[0].exposure.target_level: expected a number from 0.1 to 0.9 [of full scale], but found `1.5`",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\nexposure.integration_max_ms = 0.5",
            "13: instrument[0].exposure.integration_max_ms: expected integration_min_ms of at most integration_max_ms, but \
             found 1 and 0.5",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\ndarks.sources = [\"shutter\", \"dusk\"]",
            "13: instrument[0].darks.sources: expected a list of `shutter`, `night`, `covered`, at least one and none twice, \
             but found `[\"shutter\", \"dusk\"]`",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\nlimits.uncertainty.par = { relative = 0.1 }",
            "13: instrument[0].limits.uncertainty.par: expected the identifier of a quantity, but found an unknown name",
        ),
        (
            "calibrations = [\"c.toml\"]",
            "calibrations = [\"c.toml\"]\nlimits.uncertainty.ppfd = { absolute = nan }",
            "13: instrument[0].limits.uncertainty.ppfd.absolute: expected a number of at least 0 [in the quantity's unit, \
             k = 2], but found `nan`",
        ),
    ];
    for (from, to, want) in cases {
        assert!(MINIMAL.contains(from), "the example has no `{from}`");
        let colon = if want.starts_with(':') { "" } else { ":" };
        assert_eq!(
            diagnostics(&MINIMAL.replacen(from, to, 1)),
            [format!("a/roof.toml{colon}{want}")],
            "{from} -> {to}"
        );
    }
}

#[test]
fn two_instruments_with_one_name_or_port_are_refused() {
    let copied = MINIMAL.split_once("[[instrument]]").unwrap().1;
    assert_eq!(
        diagnostics(&format!("{MINIMAL}[[instrument]]{copied}")),
        [
            "a/roof.toml:14: instrument[1].name: expected another name than instrument[0], but found `\"south\"`",
            "a/roof.toml:15: instrument[1].link: expected another port than instrument[0], but found `\"/dev/ttyUSB0\"`",
        ]
    );
}
