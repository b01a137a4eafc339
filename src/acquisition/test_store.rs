//! A database for tests, with readings of an instrument of 64 pixels.

use crate::clock::UtcMicros;
use crate::record::{
    AcquisitionContext, Bracket, DarkProvenance, DarkReference, Detector, Event, Frame, Reading, Shutter, Stamp,
};
use crate::store::{FrameRecord, MadeWith, NewInstrument, NewReading, Store};
use std::sync::Arc;

/// 2026-06-21T12:00:00Z.
pub const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000);

/// A number of minutes after noon.
pub fn minute(n: u32) -> UtcMicros {
    NOON.plus_seconds(60.0 * f64::from(n))
}

/// A database in a temporary folder.
pub struct TestStore {
    pub store: Arc<Store>,
    made_with: MadeWith,
    _folder: tempfile::TempDir,
}

impl TestStore {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Arc::new(Store::open_daemon(&folder.path().join("v.db"), &[]).unwrap());
        let detector = Detector {
            pixels: 64,
            full_scale: 65_535,
            shielded: Default::default(),
            integration_min_s: 0.001,
            integration_max_s: 60.0,
            has_shutter: true,
            transfer_s: 0.1,
        };
        let new = NewInstrument { name: "south", serial: "1", identity: "", detector: &detector };
        let made_with = MadeWith {
            instrument: store.register_instrument(&new, NOON).unwrap(),
            calibration: None,
            configuration: store.register_configuration("", NOON).unwrap(),
            computation: store.register_computation("", NOON).unwrap(),
        };
        Self { store, made_with, _folder: folder }
    }

    /// Passes the reading of a minute after noon to `take`.
    pub fn with_reading<T>(&self, n: u32, take: impl FnOnce(&NewReading<'_>) -> T) -> T {
        let t = minute(n);
        let reading = Reading {
            id: 0,
            time_start: t,
            time_mid: t.plus_seconds(1.0),
            time_end: t.plus_seconds(2.0),
            instrument: "south".into(),
            sun_elevation: None,
            sun_azimuth: None,
            relative_air_mass: None,
            detector_temperature: None,
            exposures: vec![Bracket { integration_s: 2.0, exposures: 1 }],
            peak_level: 0.5,
            signal_to_noise: None,
            stray_floor: None,
            lamps: None,
            dark_age: None,
            flags: Default::default(),
            values: vec![],
            quantity_flags: vec![],
            uv_index_stray_share: None,
            window: vec![],
        };
        take(&NewReading {
            reading: &reading,
            made_with: self.made_with,
            about: AcquisitionContext::default(),
            frames: &[FrameRecord {
                frame: frame(n),
                dark: DarkReference::None,
                dark_provenance: DarkProvenance::default(),
            }],
            events: &[],
            saved_states: &[],
        })
    }

    /// Locks the database by another connection, until the result is dropped.
    pub fn lock_by_another_process(&self) -> DatabaseLock {
        self.store.set_busy_timeout(std::time::Duration::ZERO);
        let other = rusqlite::Connection::open(self.store.path()).unwrap();
        other.execute_batch("BEGIN IMMEDIATE").unwrap();
        DatabaseLock(other)
    }

    pub fn events(&self) -> Vec<Event> {
        self.store.latest_events(100).unwrap()
    }
}

/// A write lock on a database.
pub struct DatabaseLock(rusqlite::Connection);

impl Drop for DatabaseLock {
    fn drop(&mut self) {
        self.0.execute_batch("ROLLBACK").unwrap();
    }
}

/// A frame whose counts depend on a seed.
pub fn frame(seed: u32) -> Frame {
    Frame {
        integration_s: 2.0,
        shutter: Shutter::Open,
        temperature_c: Some(20.0),
        stamps: vec![Stamp { start: NOON, crc32: seed }],
        sums: (0..64u32).map(|i| 4000 + (i * 7919 + seed * 104_729) % 977).collect(),
        clipped: Default::default(),
        light_variation: 0.0,
        ripple: Vec::new(),
        rejected: Vec::new(),
    }
}
