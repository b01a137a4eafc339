//! Daily figures, compared with numpy, pandas and pvlib on the exported readings.

use crate::support::{measured, python};
use serde_json::Value;
use std::process::Command;
use vigilux::clock::UtcMicros;
use vigilux::config::{DailyConfig, StationKind};
use vigilux::record::{AcquisitionContext, Detector, Flag, QuantityValue, Reading, Verdict};
use vigilux::store::{MadeWith, NewInstrument, NewReading, Store};
use vigilux::summary::{self, Figure, Rules};
use vigilux::sun::{self, Place};

const CONFIG: &str = r#"
version = 1
[station]
name = "Example roof"
kind = "roof"
latitude_deg = 56.3
longitude_deg = 9.7
altitude_m = 40
time_zone = "Europe/Copenhagen"
day_starts_at = "04:00"
[[instrument]]
name = "south"
link = "/dev/null"
calibrations = ["none.toml"]
"#;
const QUANTITIES: [(&str, &str); 5] = [
    ("ppfd", "umol m-2 s-1"),
    ("illuminance", "lx"),
    ("erythemal_irradiance", "W m-2"),
    ("uv_index", "1"),
    ("red_far_red_ratio", "1"),
];
const PLACE: Place = Place { latitude_deg: 56.3, longitude_deg: 9.7, altitude_m: 40.0 };

/// Pseudo-random numbers from 0 to 1, the same in every run.
struct Drawn(u64);

impl Drawn {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A reading without flags; `sun`: elevation and azimuth.
fn reading_at(t: UtcMicros, sun: (Option<f64>, Option<f64>), values: Vec<QuantityValue>) -> Reading {
    Reading {
        id: 0,
        time_start: t,
        time_mid: t,
        time_end: t,
        instrument: "south".into(),
        sun_elevation: sun.0,
        sun_azimuth: sun.1,
        relative_air_mass: None,
        detector_temperature: None,
        exposures: vec![],
        peak_level: 0.5,
        signal_to_noise: None,
        stray_floor: None,
        lamps: None,
        dark_age: None,
        flags: Default::default(),
        values,
        quantity_flags: vec![],
        uv_index_stray_share: None,
        window: vec![],
    }
}

/// Four days around the change to summer time on 2026-03-29: noisy light, values of every verdict, gaps of every length, two
/// nights without readings, readings at odd seconds.
fn fill(store: &Store) {
    let detector = Detector {
        pixels: 8,
        full_scale: 65_535,
        shielded: Default::default(),
        integration_min_s: 0.001,
        integration_max_s: 60.0,
        has_shutter: true,
        transfer_s: 0.1,
    };
    let begin = UtcMicros::parse("2026-03-27T14:00:00Z").unwrap();
    let new = NewInstrument { name: "south", serial: "VB-1", identity: "", detector: &detector };
    let made_with = MadeWith {
        instrument: store.register_instrument(&new, begin).unwrap(),
        calibration: None,
        configuration: store.register_configuration(CONFIG, begin).unwrap(),
        computation: store.register_computation("r", begin).unwrap(),
    };
    let (mut drawn, mut blind) = (Drawn(7), 0.0);
    for minute in 0..4 * 1440 {
        let t = begin.plus_seconds(60.0 * f64::from(minute) + 3.0 * drawn.next());
        let sun = sun::position(PLACE, t).unwrap();
        if drawn.next() < 0.004 {
            blind = 45.0 * drawn.next();
        }
        blind -= 1.0;
        // In the first two nights the gate is closed below −6°.
        if blind > 0.0 || (minute < 2880 && sun.elevation_deg < -6.0) {
            continue;
        }
        let light = 1900.0 * sun.elevation_deg.to_radians().sin().max(0.0)
            + 2.0 * (sun.elevation_deg / 6.0 + 1.0).clamp(0.0, 1.0);
        let light = light * (0.3 + 0.7 * drawn.next());
        let mut value = |k: f64| {
            let verdict = match drawn.next() {
                x if x < 0.01 => Verdict::Bad,
                x if x < 0.2 => Verdict::Suspect,
                _ => Verdict::Good,
            };
            QuantityValue::Value { value: k * light, uncertainty: k * (0.03 * light + 0.01), verdict }
        };
        let mut values: Vec<QuantityValue> = [1.0, 54.0, 1e-4, 0.004].map(&mut value).into();
        values.push(if light > 0.5 { value(1.1 / light) } else { QuantityValue::Null("too little light".into()) });
        let flags = if drawn.next() < 0.1 { [Flag::Unsteady].into_iter().collect() } else { Default::default() };
        let sun = (Some(sun.elevation_deg), Some(sun.azimuth_deg));
        let reading = Reading {
            time_start: t.plus_seconds(-0.5),
            time_end: t.plus_seconds(0.5),
            flags,
            ..reading_at(t, sun, values)
        };
        let about = AcquisitionContext::default();
        let new = NewReading { reading: &reading, made_with, about, frames: &[], events: &[], saved_states: &[] };
        store.commit_reading(&new).unwrap();
    }
}

/// Independent: numpy, pandas and pvlib 0.16.1 find the same figures in the exported readings. They integrate piece by piece with
/// interpolation of their own, sample the time above a level, integrate every half hour for itself and look for the
/// dark second by second. Tolerances: 3 s at each of the day's borders of dark, 1 in 2e4 samples of a piece for durations,
/// else rounding (1e-8 for sums, which the 3 s of dark do not touch by more).
#[test]
fn figures_of_days_agree_with_numpy_and_pandas() {
    let folder = tempfile::tempdir().unwrap();
    let database = folder.path().join("v.db");
    fill(&Store::open_daemon(&database, &QUANTITIES).unwrap());
    let run = |arguments: &[&str]| {
        let ran = Command::new(env!("CARGO_BIN_EXE_vigilux")).args(arguments).arg("--database").arg(&database).output();
        let ran = ran.unwrap();
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
        ran.stdout
    };
    let csv = folder.path().join("readings.csv");
    std::fs::write(&csv, run(&["export"])).unwrap();
    let ours: Value = serde_json::from_slice(&run(&["daily", "--json"])).unwrap();
    let ours = ours["instruments"][0]["days"].as_array().unwrap();
    let theirs = python::json_with("tests/references/daily.py", &[csv.as_os_str()]);
    let theirs = theirs.as_array().unwrap();
    assert_eq!((ours.len(), theirs.len()), (5, 5));
    let (mut compared, mut partial) = (0, 0);
    for (day, want) in ours.iter().zip(theirs) {
        let starts = UtcMicros::parse(day["starts"].as_str().unwrap()).unwrap();
        assert_eq!(Some(starts.seconds()), want["starts"].as_f64());
        assert_eq!((&day["readings"], &day["verdicts"]["ppfd"]["bad"]), (&want["readings"], &want["ppfd_bad"]));
        assert_eq!(day["flags"]["unsteady"], want["unsteady"]);
        partial += u32::from(day["partial"] == true);
        let covered = day["data_coverage"].as_f64().unwrap();
        assert!((covered - want["covered"].as_f64().unwrap()).abs() < 6.0 / 86_400.0, "{day} {want}");
        for (id, relative, absolute) in [
            ("light_integral", 1e-8, 2e-6),
            ("lux_hours", 1e-8, 0.03),
            ("erythemal_dose", 1e-8, 2e-4),
            ("erythemal_dose_sed", 1e-8, 2e-6),
            ("photoperiod", 1e-4, 0.0),
            ("hours_above", 1e-4, 0.0),
            ("ppfd_maximum", 1e-12, 0.0),
            ("uv_index_maximum", 1e-6, 0.0),
            ("dusk_red_far_red_ratio", 1e-12, 0.0),
        ] {
            let (got, want) = (day["figures"][id]["value"].as_f64(), want[id].as_f64());
            let (Some(got), Some(want)) = (got, want) else {
                assert_eq!((got, id), (want, id), "{day}");
                continue;
            };
            compared += 1;
            assert!(
                (got - want).abs() <= relative * want.abs() + absolute,
                "{} {id}: want {want}, got {got}",
                day["date"]
            );
        }
        let (got, want) = (&day["figures"]["light_integral"]["uncertainty"], &want["light_integral_uncertainty"]);
        let (got, want) = (got.as_f64().unwrap(), want.as_f64().unwrap());
        assert!((got - want).abs() <= 1e-8 * want + 2e-6, "uncertainty: want {want}, got {got}");
    }
    println!("{compared} figures of {} days compared, {partial} of them partial", ours.len());
    assert!(compared >= 40 && partial >= 2);
}

/// The minutes of a station: global irradiance [W m⁻²] from the first instant on, and where it stands.
fn measured_minutes() -> Vec<(Vec<f64>, UtcMicros, Place)> {
    let found = python::json_with("tests/references/clear_sky.py", &[measured::folder().as_os_str()]);
    let station = |name: &str, begins: &str, latitude_deg, longitude_deg, altitude_m| {
        let series = found[name]["measured"].as_array().expect("a series");
        let series = series.iter().map(|x| x.as_f64().unwrap_or(f64::NAN)).collect();
        (series, UtcMicros::parse(begins).expect("an instant"), Place { latitude_deg, longitude_deg, altitude_m })
    };
    vec![
        station("payerne", "2016-06-01T00:00:00Z", 46.815, 6.944, 491.0),
        station("alamosa", "2016-01-01T00:00:00Z", 37.70, -105.92, 2317.0),
    ]
}

/// A reading of the daily quantities, each equal to `value` and exact.
fn exact_reading(t: UtcMicros, value: f64) -> Reading {
    let value = QuantityValue::Value { value, uncertainty: 0.0, verdict: Verdict::Good };
    reading_at(t, (None, None), vec![value; QUANTITIES.len()])
}

/// Independent: days of minutes of BSRN Payerne (June 2016) and SURFRAD Alamosa, of which every 2nd, 5th, 10th or 15th is read, from
/// each possible minute on. The stated interval of the sum, without any uncertainty of the values, holds the sum over all minutes
/// in at least 95 % of cases for each interval.
#[test]
fn thinned_minutes_state_an_interval_that_holds_the_full_sum() {
    let stations = measured_minutes();
    for every in [2, 5, 10, 15] {
        let (mut held, mut cases, mut squares, mut ratios) = (0, 0, 0.0, Vec::new());
        for (series, begins, place) in &stations {
            let rules = Rules {
                kind: StationKind::Roof,
                place: *place,
                time_zone: jiff::tz::TimeZone::UTC,
                day_starts_at_s: 0,
                lamps_s: vec![],
                days: DailyConfig::default(),
            };
            for d in (0..series.len() / 1440).filter(|d| series[d * 1440..(d + 1) * 1440].iter().all(|v| v.is_finite()))
            {
                let minutes = (d * 1440).saturating_sub(15)..((d + 1) * 1440 + 15).min(series.len());
                let day = |keep: &dyn Fn(usize) -> bool| {
                    let at = |m: usize| begins.plus_seconds(60.0 * m as f64);
                    let kept = minutes.clone().filter(|m| series[*m].is_finite() && keep(*m));
                    let readings = kept.map(|m| exact_reading(at(m), series[m])).collect();
                    let day = summary::day(&rules, &rules.day_of(at(d * 1440)), readings);
                    match day.figures["light_integral"] {
                        Figure::Value { value, uncertainty: Some(u), .. } => (value, u),
                        ref other => panic!("{other:?}"),
                    }
                };
                let (full, _) = day(&|_| true);
                for offset in 0..every {
                    let (sum, u) = day(&|m| m % every == offset);
                    let error = (sum - full).abs();
                    (cases, held) = (cases + 1, held + u32::from(error <= 2.0 * u));
                    squares += (error / full).powi(2);
                    ratios.push(error / (2.0 * u));
                }
            }
        }
        ratios.sort_by(f64::total_cmp);
        let (share, rms) = (f64::from(held) / f64::from(cases), (squares / f64::from(cases)).sqrt());
        let median = ratios[ratios.len() / 2];
        println!(
            "every {every} min: {held} of {cases} held, errors {:.2} % rms, median of error/U {median:.2}",
            100.0 * rms
        );
        assert!(share >= 0.95, "every {every} min: {share}");
    }
}
