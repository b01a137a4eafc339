//! Stored roll-ups equal those computed from the present readings.

use super::*;
use crate::config::{DailyConfig, StationKind};
use crate::record::{AcquisitionContext, Detector, Flag, FlaggedInterval, QuantityValue, Reading, Verdict};
use crate::store::{MadeWith, NewInstrument, NewReading};
use crate::sun::Place;
use proptest::prelude::*;

const MINUTE: f64 = 60.0;
pub(in crate::archive) const BEGIN: UtcMicros = UtcMicros(1_782_000_000_000_000); // 2026-06-21T00:00:00Z

pub(in crate::archive) fn rules() -> Rules {
    Rules {
        kind: StationKind::Roof,
        place: Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 0.0 },
        time_zone: crate::clock::time_zone("Europe/Berlin").unwrap(),
        day_starts_at_s: 0,
        lamps_s: vec![],
        days: DailyConfig::default(),
    }
}

/// The quantities of days and one more, in another order.
const QUANTITIES: [(&str, &str); 6] = [
    ("cct", "K"),
    ("uv_index", "1"),
    ("ppfd", "umol m-2 s-1"),
    ("red_far_red_ratio", "1"),
    ("illuminance", "lx"),
    ("erythemal_irradiance", "W m-2"),
];

pub(in crate::archive) struct Site {
    folder: tempfile::TempDir,
    pub(in crate::archive) store: Store,
    made_with: MadeWith,
}

fn open(folder: &tempfile::TempDir) -> (Store, MadeWith) {
    let store = Store::open_daemon(&folder.path().join("v.db"), &QUANTITIES).unwrap();
    let detector = Detector {
        pixels: 8,
        full_scale: 65_535,
        shielded: Default::default(),
        integration_min_s: 0.001,
        integration_max_s: 60.0,
        has_shutter: false,
        transfer_s: 0.1,
    };
    let new = NewInstrument { name: "south", serial: "VB-1", identity: "", detector: &detector };
    let instrument = store.register_instrument(&new, BEGIN).unwrap();
    let made_with = MadeWith {
        instrument,
        calibration: None,
        configuration: store.register_configuration("x", BEGIN).unwrap(),
        computation: store.register_computation("r", BEGIN).unwrap(),
    };
    (store, made_with)
}

impl Site {
    pub(in crate::archive) fn new() -> Self {
        let memory = std::path::Path::new("/dev/shm");
        let folder = if memory.is_dir() { tempfile::tempdir_in(memory).unwrap() } else { tempfile::tempdir().unwrap() };
        let (store, made_with) = open(&folder);
        Self { folder, store, made_with }
    }

    fn restart(self) -> Self {
        let Self { folder, store, .. } = self;
        drop(store);
        let (store, made_with) = open(&folder);
        Self { folder, store, made_with }
    }

    pub(in crate::archive) fn commit(&self, minute: i64, light: f64, verdict: Verdict) {
        let t = BEGIN.plus_seconds(MINUTE * minute as f64);
        let value = |k: f64| QuantityValue::Value { value: k * light, uncertainty: 0.03 * k * light, verdict };
        let sun = crate::sun::position(rules().place, t);
        let reading = Reading {
            id: 0,
            time_start: t,
            time_mid: t,
            time_end: t,
            instrument: "south".into(),
            sun_elevation: sun.map(|s| s.elevation_deg),
            sun_azimuth: sun.map(|s| s.azimuth_deg),
            relative_air_mass: None,
            detector_temperature: None,
            exposures: vec![],
            peak_level: 0.5,
            signal_to_noise: None,
            stray_floor: None,
            lamps: None,
            dark_age: None,
            flags: Default::default(),
            values: [3.0, 0.005, 1.0, 0.001, 54.0, 0.0001].map(value).into(),
            quantity_flags: vec![],
            uv_index_stray_share: None,
            window: vec![],
        };
        self.store
            .commit_reading(&NewReading {
                reading: &reading,
                made_with: self.made_with,
                about: AcquisitionContext::default(),
                frames: &[],
                events: &[],
                saved_states: &[],
            })
            .unwrap();
    }

    /// Checks that stored roll-ups equal computed ones; returns the number of days (UTC) with stored hours, and of stored days.
    fn check(&self) -> (usize, usize) {
        let (store, row) = (&self.store, self.made_with.instrument);
        let days_with_hours = store.days_with_hours(row, 0, i64::MAX / HOUR).unwrap();
        let stored_hours: Vec<_> =
            store.quantities().iter().map(|(id, _)| store.hour_values(row, id, 0, i64::MAX / HOUR).unwrap()).collect();
        for hour in days_with_hours.iter().flat_map(|day| 24 * day..24 * (day + 1)) {
            let readings = store.readings(UtcMicros(hour * HOUR), UtcMicros((hour + 1) * HOUR)).unwrap();
            let readings: Vec<Reading> = readings.map(|r| r.unwrap().reading).collect();
            for (k, want) in summary::hour(readings.iter(), QUANTITIES.len()).iter().enumerate() {
                let got = stored_hours[k].iter().find(|(h, _)| *h == hour).map(|(_, v)| *v);
                assert_eq!((got, k), (*want, k), "hour {hour}");
            }
        }
        let days = store.stored_days(row, UtcMicros(0), UtcMicros(i64::MAX), &rules().text()).unwrap();
        for stored in &days {
            let day = day_of(store, &rules(), "south", &rules().day_of(stored.starts)).unwrap();
            assert_eq!(parse_row(stored).unwrap(), day);
        }
        (days_with_hours.len(), days.len())
    }
}

/// A step of a random sequence.
#[derive(Clone, Debug)]
enum Step {
    /// A number of readings, at an interval of one to eight minutes, with a verdict.
    Read(i64, i64, u8),
    /// A late reading, by its age in minutes.
    Late(i64),
    /// The clock is set back by a number of minutes.
    SetBack(i64),
    /// A flagged interval, by its age and its length in minutes; `None` is open.
    FlaggedInterval(i64, Option<i64>),
    /// The newest open interval is widened, with a start some minutes ago.
    Widen(i64),
    /// The newest open interval ends some minutes ago.
    End(i64),
    /// The daemon stores a number of roll-ups.
    RollUp(u8),
    /// The daemon is restarted.
    Restart,
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        6 => (1i64..400, 1i64..9, 0u8..3).prop_map(|(n, apart, v)| Step::Read(n, apart, v)),
        2 => (1i64..3000).prop_map(Step::Late),
        1 => (1i64..2000).prop_map(Step::SetBack),
        2 => (0i64..3000, proptest::option::of(1i64..2000)).prop_map(|(ago, long)| Step::FlaggedInterval(ago, long)),
        1 => (0i64..3000).prop_map(Step::Widen),
        1 => (0i64..2000).prop_map(Step::End),
        8 => (1u8..60).prop_map(Step::RollUp),
        1 => Just(Step::Restart),
    ]
}

/// After any sequence of readings on time and late, clocks set back, intervals begun, widened and ended, and restarts, stored
/// roll-ups equal computed ones bit for bit, at every step.
#[test]
fn stored_roll_ups_equal_computed_ones() {
    let seen = std::cell::Cell::new((0, 0));
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig::with_cases(24));
    let result = runner.run(&proptest::collection::vec(step(), 1..40), |steps| {
        let mut site = Site::new();
        let mut writer = RollUpWriter::new("south", rules());
        let (mut minute, mut open) = (0i64, Vec::new());
        for step in steps {
            let now = BEGIN.plus_seconds(MINUTE * minute as f64);
            let ago = |m: i64| now.plus_seconds(-MINUTE * m as f64);
            match step {
                Step::Read(n, apart, v) => {
                    for _ in 0..n {
                        minute += apart;
                        site.commit(minute, 100.0 + (minute % 97) as f64, Verdict::ALL[usize::from(v)]);
                    }
                }
                Step::Late(m) => site.commit(minute - m, 5000.0, Verdict::Good),
                Step::SetBack(m) => minute -= m,
                Step::FlaggedInterval(m, long) => {
                    let until = long.map(|l| ago(m).plus_seconds(MINUTE * l as f64));
                    let (flag, unaffected, text) = (Flag::WavelengthDrift, vec!["ppfd".into()], String::new());
                    let interval = FlaggedInterval {
                        id: 0,
                        from: ago(m),
                        until,
                        instrument: None,
                        pixel: None,
                        flag,
                        unaffected,
                        text,
                    };
                    let id = site.store.add_flagged_interval(&interval).unwrap();
                    open.extend(until.is_none().then_some(id));
                }
                Step::Widen(m) => {
                    if let Some(id) = open.last() {
                        site.store.widen_flagged_interval(*id, ago(m), &[]).unwrap();
                    }
                }
                Step::End(m) => {
                    if let Some(id) = open.pop() {
                        site.store.end_flagged_interval(id, ago(m)).unwrap();
                    }
                }
                Step::RollUp(n) => {
                    for _ in 0..n {
                        writer.store_next(&site.store, now).unwrap();
                    }
                    let (hours, days) = site.check();
                    seen.set((seen.get().0.max(hours), seen.get().1.max(days)));
                }
                Step::Restart => {
                    site = site.restart();
                    writer = RollUpWriter::new("south", rules());
                }
            }
        }
        site.check();
        Ok(())
    });
    result.unwrap();
    let seen = seen.get();
    assert!(seen.0 >= 2 && seen.1 >= 2, "too few roll-ups were stored: {seen:?}");
}

/// The daemon stores all hours and days that have passed, also those before a restart in the middle of a day. The current day is
/// computed on request, and stored when it is over. Stored and computed days are equal.
#[test]
fn a_daemon_restarted_in_the_middle_of_a_day_stores_complete_days() {
    let mut site = Site::new();
    let mut writer = RollUpWriter::new("south", rules());
    let days_of =
        |site: &Site| days(&site.store, &rules(), "south", BEGIN, BEGIN.plus_seconds(9.0 * 86_400.0)).unwrap();
    for minute in (0..5 * 1440).step_by(5) {
        site.commit(minute, 200.0, Verdict::Good);
        writer.store_next(&site.store, BEGIN.plus_seconds(MINUTE * minute as f64)).unwrap();
        if minute == 2200 {
            site = site.restart();
            writer = RollUpWriter::new("south", rules());
        }
    }
    // Days begin at 23:00 UTC: the first had begun before the readings, four are complete, of which the last ended too recently
    // to be stored, and one is the current day.
    assert_eq!(site.check(), (4, 4));
    let before = days_of(&site);
    // The hour before the first reading is night.
    assert_eq!(before.iter().map(|d| d.partial).collect::<Vec<_>>(), [false, false, false, false, false, true]);
    site.store
        .add_flagged_interval(&FlaggedInterval {
            id: 0,
            from: BEGIN,
            until: None,
            instrument: None,
            pixel: None,
            flag: Flag::ClockUnsynced,
            unaffected: QUANTITIES.map(|q| q.0.to_owned()).into(),
            text: String::new(),
        })
        .unwrap();
    assert_eq!(site.check(), (0, 0));
    let after = days_of(&site);
    assert_eq!(
        before.iter().map(|d| &d.figures).collect::<Vec<_>>(),
        after.iter().map(|d| &d.figures).collect::<Vec<_>>()
    );
    let mut stored = 0;
    store_all(&site.store, &rules(), "south", BEGIN.plus_seconds(5.0 * 86_400.0), || stored += 1).unwrap();
    assert_eq!((site.check(), stored), ((5, 5), 10));
    assert_eq!(days_of(&site), after);
    let text = DayRow {
        figures: "{".into(),
        ..site.store.stored_days(1, BEGIN, UtcMicros(i64::MAX), &rules().text()).unwrap()[0].clone()
    };
    assert!(parse_row(&text).unwrap_err().to_string().contains("expected values of a day"));
}
