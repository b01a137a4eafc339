//! Tests of the store. Databases are created in a memory-backed folder if there is one.

mod computations;
mod damage;
mod failures;
mod matrices;
mod missing_file;
mod opening;
mod rollups;

use super::*;
use crate::clock::UtcMicros;
use crate::fault::GapCause;
use crate::record::*;
use rusqlite::Connection;
use tempfile::TempDir;

pub(super) const QUANTITIES: [(&str, &str); 3] = [("ppfd", "umol m-2 s-1"), ("cct", "K"), ("uv_index", "1")];
pub(super) const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z

pub(super) fn folder() -> TempDir {
    let memory = Path::new("/dev/shm");
    if memory.is_dir() { tempfile::tempdir_in(memory).unwrap() } else { tempfile::tempdir().unwrap() }
}

pub(super) fn detector() -> Detector {
    Detector {
        pixels: 64,
        full_scale: 65_535,
        shielded: PixelRanges(vec![(0, 3), (60, 63)]),
        integration_min_s: 0.001,
        integration_max_s: 60.0,
        has_shutter: true,
        transfer_s: 0.36,
    }
}

pub(super) fn frame(start: UtcMicros, seed: u32) -> Frame {
    Frame {
        integration_s: 0.1 + f64::from(seed) * 1e-3,
        shutter: Shutter::Open,
        temperature_c: (!seed.is_multiple_of(3)).then_some(21.0625 + f64::from(seed)),
        stamps: (0..4).map(|k| Stamp { start: UtcMicros(start.0 + k * 460_017), crc32: seed ^ k as u32 }).collect(),
        sums: (0..64u32).map(|i| 4000 + (i * 7919 + seed * 104_729) % 977).collect(),
        clipped: PixelRanges(vec![(10, 12), (40, 40)]),
        light_variation: 0.0125,
        ripple: Vec::new(),
        rejected: Vec::new(),
    }
}

pub(super) fn reading(mid: UtcMicros) -> Reading {
    Reading {
        id: 0,
        time_start: mid.plus_seconds(-1.0),
        time_mid: mid,
        time_end: mid.plus_seconds(1.5),
        instrument: "roof head".into(),
        sun_elevation: Some(61.25),
        sun_azimuth: Some(180.1),
        relative_air_mass: Some(1.14),
        detector_temperature: Some(21.1),
        exposures: vec![
            Bracket { integration_s: 0.1, exposures: 4 },
            Bracket { integration_s: 2.0000000000000004, exposures: 1 },
        ],
        peak_level: 0.7312,
        signal_to_noise: Some(312.0),
        stray_floor: Some(-0.25),
        lamps: None,
        dark_age: Some(3600.0),
        flags: [Flag::Warming, Flag::DarkModelled].into_iter().collect(),
        values: vec![
            QuantityValue::Value { value: 1_234.567_890_123_456_7, uncertainty: 12.0, verdict: Verdict::Good },
            QuantityValue::Null("too little light, says \"the\" detector".into()),
            QuantityValue::Value { value: -0.001, uncertainty: 0.1, verdict: Verdict::Suspect },
        ],
        quantity_flags: vec![Flags::NONE, Flags::NONE, [Flag::StrayLight, Flag::Uncertain].into_iter().collect()],
        uv_index_stray_share: Some(0.125),
        window: vec![],
    }
}

/// Conditions of the acquisition, each unlike its default.
pub(super) fn about(peak_level: f64) -> AcquisitionContext {
    let drift = DriftEstimates { shift_nm: -0.12, wavelength_age_s: 3600.0, response_age_s: 86_400.5 };
    AcquisitionContext {
        warming: true,
        single_shot: true,
        unsteady_share: 0.05,
        peak_level,
        drift,
        ..AcquisitionContext::default()
    }
}

pub(super) struct TestDatabase {
    pub(super) folder: TempDir,
    pub(super) store: Store,
    pub(super) made_with: MadeWith,
}

impl TestDatabase {
    pub(super) fn new() -> Self {
        let folder = folder();
        let store = Store::open_daemon(&folder.path().join("v.db"), &QUANTITIES).unwrap();
        let made_with = register(&store);
        Self { folder, store, made_with }
    }
    pub(super) fn path(&self) -> PathBuf {
        self.folder.path().join("v.db")
    }
    pub(super) fn commit(&self, mid: UtcMicros) -> Result<i64, StoreError> {
        self.commit_with(
            &reading(mid),
            &[FrameRecord {
                frame: frame(mid, 1),
                dark: DarkReference::None,
                dark_provenance: DarkProvenance::default(),
            }],
        )
    }
    pub(super) fn commit_with(&self, reading: &Reading, frames: &[FrameRecord]) -> Result<i64, StoreError> {
        let made_with = self.made_with;
        self.store.commit_reading(&NewReading {
            reading,
            made_with,
            about: AcquisitionContext::default(),
            frames,
            events: &[],
            saved_states: &[],
        })
    }
    /// A plain SQLite connection.
    pub(super) fn shell(&self) -> Connection {
        Connection::open(self.path()).unwrap()
    }
}

pub(super) fn register(store: &Store) -> MadeWith {
    let d = detector();
    let new = NewInstrument { name: "roof head", serial: "VB-0001", identity: "a,b,VB-0001,1", detector: &d };
    let instrument = store.register_instrument(&new, NOON).unwrap();
    MadeWith {
        instrument,
        calibration: Some(store.register_calibration(instrument, "lab-7", "[calibration]", None, NOON).unwrap()),
        configuration: store.register_configuration("version = 1", NOON).unwrap(),
        computation: store.register_computation("registry 1", NOON).unwrap(),
    }
}

/// All parts of a reading are read back bit for bit, also through another connection.
#[test]
fn a_reading_is_read_back_with_its_frames_events_and_state() {
    let s = TestDatabase::new();
    let dark = Dark { id: 0, source: DarkSource::Night, frame: Frame { shutter: Shutter::Closed, ..frame(NOON, 9) } };
    let dark_id = s.store.add_dark(s.made_with.instrument, &dark).unwrap();
    let model_id = s.store.add_dark_model(s.made_with.instrument, NOON, b"offset and rate").unwrap();
    let mut r = reading(NOON);
    r.window = vec![
        Some(WindowStatistics { minimum: 1200.0, maximum: 1300.25, deviation: 21.5 }),
        None,
        Some(WindowStatistics { minimum: -0.01, maximum: 0.01, deviation: 0.005 }),
    ];
    let frames = [
        FrameRecord {
            frame: frame(NOON, 1),
            dark: DarkReference::Matched { dark: dark_id, model: Some(model_id) },
            dark_provenance: DarkProvenance { stale: true, ..DarkProvenance::default() },
        },
        FrameRecord {
            frame: frame(NOON, 2),
            dark: DarkReference::Model(model_id),
            dark_provenance: DarkProvenance { modelled: true, ..DarkProvenance::default() },
        },
        FrameRecord { frame: frame(NOON, 3), dark: DarkReference::None, dark_provenance: DarkProvenance::default() },
    ];
    let event = Event {
        time: NOON,
        until: None,
        instrument: Some("roof head".into()),
        kind: EventKind::LinkFault,
        text: "block read again".into(),
    };
    let tracker = SavedState {
        instrument: s.made_with.instrument,
        name: "exposure".into(),
        json: "{\"t\":0.1}".into(),
        time: NOON,
    };
    let new = NewReading {
        reading: &r,
        made_with: s.made_with,
        about: about(r.peak_level),
        frames: &frames,
        events: std::slice::from_ref(&event),
        saved_states: std::slice::from_ref(&tracker),
    };
    let id = s.store.commit_reading(&new).unwrap();
    let about = about(r.peak_level);
    let want = StoredReading {
        flags_when_taken: r.flags,
        reading: Reading { id, ..r },
        before_intervals: None,
        made_with: s.made_with,
        about,
    };
    let reader = Reader::open(&s.path()).unwrap();
    for reader in [&reader, &*s.store] {
        assert_eq!(reader.latest(5).unwrap(), std::slice::from_ref(&want));
        assert_eq!(reader.reading(id).unwrap().as_ref(), Some(&want));
        assert_eq!(reader.frames(id).unwrap(), frames);
        assert_eq!(reader.events(NOON, NOON.plus_seconds(1.0)).unwrap(), std::slice::from_ref(&event));
        assert_eq!(reader.load_state(s.made_with.instrument, "exposure").unwrap().as_ref(), Some(&tracker));
        assert_eq!(reader.load_state(s.made_with.instrument, "other").unwrap(), None);
        let dark = Dark { id: dark_id, ..dark.clone() };
        assert_eq!(reader.dark(dark_id).unwrap().as_ref(), Some(&dark));
        let darks: Vec<Dark> =
            reader.darks(s.made_with.instrument, NOON).unwrap().into_iter().collect::<Result<_, _>>().unwrap();
        assert_eq!(darks, [dark]);
        assert!(reader.darks(s.made_with.instrument, NOON.plus_seconds(1.0)).unwrap().is_empty());
        let model = reader.latest_dark_model(s.made_with.instrument).unwrap().unwrap();
        assert_eq!((model.id, model.fitted_at, &model.blob[..]), (model_id, NOON, &b"offset and rate"[..]));
        assert_eq!(reader.dark_model(model_id).unwrap(), Some(model));
        assert_eq!(reader.instruments().unwrap()[0].detector, detector());
        assert_eq!(reader.calibration(s.made_with.calibration.unwrap()).unwrap().unwrap().name, "lab-7");
        assert_eq!(reader.current_configuration().unwrap().unwrap().text, "version = 1");
        assert_eq!(reader.computation(s.made_with.computation).unwrap().unwrap().text, "registry 1");
        assert_eq!(reader.integrity_faults().unwrap(), Vec::<String>::new());
    }
}

/// A number that is not finite is stored as null with a reason; no column contains NaN or infinity.
#[test]
fn a_number_that_is_not_finite_is_never_stored() {
    let s = TestDatabase::new();
    let value = |value, uncertainty| QuantityValue::Value { value, uncertainty, verdict: Verdict::Good };
    let mut r = reading(NOON);
    r.values = vec![value(f64::NAN, 1.0), value(f64::NEG_INFINITY, 1.0), value(1.0, f64::NAN)];
    r.window = vec![Some(WindowStatistics { minimum: f64::NAN, maximum: 1.0, deviation: 1.0 }), None, None];
    (r.peak_level, r.sun_elevation, r.dark_age) = (f64::NAN, Some(f64::INFINITY), Some(f64::NAN));
    let id = s.commit_with(&r, &[]).unwrap();
    let got = s.store.reading(id).unwrap().unwrap().reading;
    let null = |why: &str| QuantityValue::Null(why.into());
    assert_eq!(
        got.values,
        [
            null("the computed value was NaN"),
            null("the computed value was -inf"),
            null("the computed uncertainty was NaN")
        ]
    );
    assert_eq!((got.sun_elevation, got.dark_age), (None, None));
    assert_eq!(got.window, [None, None, None]);
    let nulls: i64 = s
        .shell()
        .query_row(
            "SELECT count(*) FROM readings WHERE coalesce(peak_level, sun_elevation, dark_age, ppfd) IS NULL",
            [],
            |r| r.get(0),
        )
        .unwrap();
    assert_eq!(nulls, 1);
}

/// Compares with a filter over all readings in memory. The clock is set back twice, as after a start with a wrong clock.
#[test]
fn a_time_range_is_read_page_by_page_also_after_the_clock_was_set_back() {
    let s = TestDatabase::new();
    let mut times = Vec::new();
    for (start, count) in [(0.0, 700), (-90_000.0, 80), (20_000.0, 300), (19_000.0, 5)] {
        times.extend((0..count).map(|k| NOON.plus_seconds(start + 61.0 * f64::from(k))));
    }
    for t in &times {
        s.commit_with(&reading(*t), &[]).unwrap();
    }
    let reader = Reader::open(&s.path()).unwrap();
    let from = NOON.plus_seconds(-100_000.0);
    for k in 0..60 {
        for length in [0.0, 1.0, 3_000.0, 40_000.0] {
            let (a, b) =
                (from.plus_seconds(2_777.0 * f64::from(k)), from.plus_seconds(2_777.0 * f64::from(k) + length));
            let got: Vec<i64> = reader.readings(a, b).unwrap().map(|r| r.unwrap().reading.id).collect();
            let want: Vec<i64> = (1..).zip(&times).filter(|(_, t)| (a..b).contains(*t)).map(|(id, _)| id).collect();
            assert_eq!(got, want, "from {a} to {b}");
        }
    }
    let all = reader.readings(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).unwrap();
    assert_eq!(all.count(), times.len());
    assert_eq!(reader.counts().unwrap().readings, times.len() as i64);
}

/// The view for other programs: names, time in microseconds, verdicts as text, flags as bits.
#[test]
fn the_view_shows_active_values() {
    let s = TestDatabase::new();
    let id = s.commit(NOON).unwrap();
    let shell = s.shell();
    let row: (i64, i64, String, String, f64, String, Option<f64>, i64) = shell
        .query_row(
            "SELECT id, time_mid, instrument, calibration, ppfd, uv_index_verdict, cct, flags FROM readings",
            [],
            |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?, r.get(7)?)),
        )
        .unwrap();
    let flags = i64::from(reading(NOON).flags.0);
    let want = (id, NOON.0, "roof head".into(), "lab-7".into(), 1_234.567_890_123_456_7, "suspect".into(), None, flags);
    assert_eq!(row, want);
    let names: String = shell
        .query_row("SELECT group_concat(name, ' ') FROM readings r JOIN flag f ON r.flags >> f.bit & 1", [], |r| {
            r.get(0)
        })
        .unwrap();
    assert_eq!(names, "warming dark_modelled");
    let reason: String = shell.query_row("SELECT reasons ->> '$.cct' FROM readings", [], |r| r.get(0)).unwrap();
    assert_eq!(reason, "too little light, says \"the\" detector");
}

/// An unfinished computation has no effect; one row activates it, only for readings with values of it.
#[test]
fn a_recomputation_is_activated_by_one_row() {
    let s = TestDatabase::new();
    for k in 0..3 {
        s.commit(NOON.plus_seconds(f64::from(k))).unwrap();
    }
    let shell = s.shell();
    shell
        .execute_batch(
            "INSERT INTO computation(id, text, sha256, program_version, created) VALUES (7, 'recomputation', '', '', 0);
             INSERT INTO value(id, flags, ppfd, ppfd_uncertainty, ppfd_verdict)
                 SELECT 7 << 40 | reading, 4, 99.0, 1.0, 1 FROM value WHERE reading <= 2;",
        )
        .unwrap();
    for reading in [1, 2] {
        s.store.transact("sealing", |tx| s.store.sealed().seal(tx, "value", 7 << 40 | reading)).unwrap();
    }
    let ppfd = || s.store.latest(3).unwrap().iter().map(|r| r.reading.values[0].value().unwrap()).collect::<Vec<_>>();
    let old = 1_234.567_890_123_456_7;
    assert_eq!(ppfd(), [old, old, old]);
    shell
        .execute_batch(
            "UPDATE computation SET active = 2 WHERE id = 7;
             INSERT OR REPLACE INTO active_values VALUES (1, 1, 7), (1, 3, 1)",
        )
        .unwrap();
    assert_eq!(ppfd(), [99.0, 99.0, old]);
    let first = s.store.reading(1).unwrap().unwrap();
    assert_eq!((first.reading.flags, first.flags_when_taken), (Flags(4), reading(NOON).flags));
    assert_eq!(first.made_with.computation, 7);
    // A later reading has values of the daemon's computation only.
    s.commit(NOON.plus_seconds(9.0)).unwrap();
    assert_eq!(s.store.latest(1).unwrap()[0].made_with.computation, s.made_with.computation);
}

/// Events are found by the interval they cover, gaps keep their cause, and the end of an event can be moved.
#[test]
fn events_and_gaps_are_found_by_the_interval_they_cover() {
    let s = TestDatabase::new();
    let at = |t: f64| NOON.plus_seconds(t);
    let event = |time, until, kind| Event { time, until, instrument: None, kind, text: "x".into() };
    let mut written: Vec<Event> =
        GapCause::ALL.iter().map(|c| event(at(0.0), Some(at(100.0)), EventKind::Gap(*c))).collect();
    written.push(event(at(50.0), None, EventKind::Started));
    let ids = s.store.add_events(&written).unwrap();
    assert_eq!(s.store.events(at(0.0), at(1.0)).unwrap(), written[..GapCause::ALL.len()]);
    assert_eq!(s.store.events(at(99.0), at(1000.0)).unwrap(), written[..GapCause::ALL.len()]);
    assert_eq!(s.store.events(at(50.0), at(50.1)).unwrap(), written);
    assert_eq!(s.store.events(at(100.1), at(200.0)).unwrap(), []);
    assert_eq!(s.store.gaps(at(0.0), at(60.0)).unwrap(), written[..GapCause::ALL.len()]);
    s.store.extend_event(ids[2], at(500.0), "still gone").unwrap();
    let late = s.store.gaps(at(400.0), at(600.0)).unwrap();
    assert_eq!((late.len(), late[0].until, &late[0].text[..]), (1, Some(at(500.0)), "still gone"));
    assert!(s.store.extend_event(4711, at(1.0), "").is_err());
    let counts = s.store.counts().unwrap();
    let gaps = GapCause::ALL.len() as i64;
    assert_eq!((counts.events, counts.gaps, counts.readings), (gaps + 1, gaps, 0));
}

/// The pixel of a flagged interval is stored in a column, independent of the text.
#[test]
fn a_flagged_interval_keeps_its_pixel() {
    let s = TestDatabase::new();
    for pixel in [None, Some(0), Some(65_535)] {
        let mut interval = FlaggedInterval {
            id: 0,
            from: NOON,
            until: None,
            instrument: Some("roof head".into()),
            pixel,
            flag: Flag::PixelFault,
            unaffected: vec!["cct".into()],
            text: "pixel 7 (501.2 nm)".into(),
        };
        interval.id = s.store.add_flagged_interval(&interval).unwrap();
        assert_eq!(s.store.open_flagged_intervals().unwrap(), std::slice::from_ref(&interval));
        s.store.end_flagged_interval(interval.id, NOON).unwrap();
    }
}

/// State is replaced under its name; floating-point numbers keep every bit.
#[test]
fn state_is_replaced_under_its_name() {
    let s = TestDatabase::new();
    let numbers = vec![0.1 + 0.2, 1e-310, 123_456_789.123_456_79];
    let mut t = SavedState { instrument: 1, name: "baseline".into(), json: "[]".into(), time: NOON };
    s.store.save_state(&t).unwrap();
    (t.json, t.time) = (serde_json::to_string(&numbers).unwrap(), NOON.plus_seconds(9.0));
    s.store.save_state(&t).unwrap();
    let got = s.store.load_state(1, "baseline").unwrap().unwrap();
    assert_eq!(got, t);
    assert_eq!(serde_json::from_str::<Vec<f64>>(&got.json).unwrap(), numbers);
}
