//! A small database for the tests of commands that read one.

use super::source::{Archive, Source};
use crate::clock::UtcMicros;
use crate::record::{AcquisitionContext, Bracket, Flag, Flags, QuantityValue, Reading, Verdict, WindowStatistics};
use crate::store::{MadeWith, NewInstrument, NewReading, Store};

/// Three readings a minute apart from 2026-06-21T12:00:00Z on, of an instrument whose name needs quoting.
pub fn archive(windows: bool) -> (tempfile::TempDir, Archive) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("v.db");
    let store = Store::open_daemon(&path, &[("ppfd", "umol m-2 s-1"), ("cct", "K")]).unwrap();
    let detector = crate::record::Detector {
        pixels: 8,
        full_scale: 65_535,
        shielded: Default::default(),
        integration_min_s: 0.001,
        integration_max_s: 60.0,
        has_shutter: false,
        transfer_s: 0.1,
    };
    let t = UtcMicros::parse("2026-06-21T12:00:00Z").unwrap();
    let new = NewInstrument { name: "roof, head", serial: "VB-1", identity: "", detector: &detector };
    let instrument = store.register_instrument(&new, t).unwrap();
    let made_with = MadeWith {
        instrument,
        calibration: Some(store.register_calibration(instrument, "lab-7", "x", None, t).unwrap()),
        configuration: store.register_configuration("not a configuration", t).unwrap(),
        computation: store.register_computation("r", t).unwrap(),
    };
    for k in 0..3 {
        let reading = reading(t.plus_seconds(60.0 * f64::from(k)), windows);
        store
            .commit_reading(&NewReading {
                reading: &reading,
                made_with,
                about: AcquisitionContext::default(),
                frames: &[],
                events: &[],
                saved_states: &[],
            })
            .unwrap();
    }
    drop(store);
    let source = Source { config: None, database: Some(path) };
    let archive = source.open(t).unwrap();
    (folder, archive)
}

/// A reading with one value, one null and two brackets.
pub fn reading(mid: UtcMicros, windows: bool) -> Reading {
    let w = WindowStatistics { minimum: 1.5, maximum: 2.5, deviation: 0.25 };
    Reading {
        id: 0,
        time_start: mid.plus_seconds(-0.5),
        time_mid: mid,
        time_end: mid.plus_seconds(0.5),
        instrument: "roof, head".into(),
        sun_elevation: Some(-3.25),
        sun_azimuth: None,
        relative_air_mass: None,
        detector_temperature: Some(1.5e-7),
        exposures: vec![Bracket { integration_s: 0.05, exposures: 4 }, Bracket { integration_s: 5.0, exposures: 1 }],
        peak_level: 0.5,
        signal_to_noise: None,
        stray_floor: Some(0.1 + 0.2),
        lamps: None,
        dark_age: Some(60.0),
        flags: [Flag::Warming, Flag::LowSun].into_iter().collect(),
        values: vec![
            QuantityValue::Value { value: -0.125, uncertainty: 0.5, verdict: Verdict::Suspect },
            QuantityValue::Null("too little \"light\", it says".into()),
        ],
        quantity_flags: vec![Flags::from_iter([Flag::Warming]), Flags::NONE],
        uv_index_stray_share: None,
        window: if windows { vec![Some(w), None] } else { vec![] },
    }
}
