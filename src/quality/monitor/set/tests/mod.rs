//! The decisions of a monitor set, with a database in memory that can be interrupted at any write.

mod darks;
mod flags;
mod interruptions;
mod levels;
mod notes;
mod pixels;

use super::*;
use crate::quality::monitor::action::MonitorAction;
use crate::quality::monitor::pixels::{PixelAnomaly, PixelDrift};
use crate::quality::monitor::{
    BELOW_ZERO_STATE, DARK_STATE, OBSTRUCTION_STATE, PIXEL_STATE, REPORTED_STATE, RESPONSE_STATE, WAVELENGTH_STATE,
};
use crate::quantities::SourceRule;
use crate::record::{Detector, Flags, LimitState, PixelRanges, QuantityValue, Shutter, Stamp, Verdict};
use crate::reduction::Scale;
use crate::spectrum::errors::Errors;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

const PIXELS: usize = 1800;
/// Light that neither shows nor clears an obstruction [µmol m⁻² s⁻¹].
const DULL: f64 = 130.0;
/// The flags whose intervals each follow one limit state.
const FOLLOWED: [Flag; 3] = [Flag::WavelengthDrift, Flag::ResponseDrift, Flag::Obstructed];

/// Minutes after noon of a day in June.
fn at(minutes: f64) -> UtcMicros {
    UtcMicros::parse("2026-06-21T11:00:00Z").unwrap().plus_seconds(60.0 * minutes)
}

fn just_after(t: UtcMicros) -> UtcMicros {
    UtcMicros(t.0 + 1)
}

/// What remains after an interruption.
#[derive(Clone, Debug, Default)]
struct Database {
    states: BTreeMap<&'static str, String>,
    intervals: Vec<FlaggedInterval>,
    events: Vec<Event>,
    models: BTreeMap<i64, DarkModel>,
}

impl Database {
    fn state<T: serde::de::DeserializeOwned + Default>(&self, name: &str) -> T {
        self.states.get(name).map(|json| serde_json::from_str(json).unwrap()).unwrap_or_default()
    }

    /// Writes an action; returns the row of its interval.
    fn write(&mut self, action: &MonitorAction) -> i64 {
        match action {
            MonitorAction::Open { interval, .. } => {
                let id = self.intervals.len() as i64 + 1;
                self.intervals.push(FlaggedInterval { id, ..interval.clone() });
                id
            }
            MonitorAction::Widen { id, from, unaffected } => {
                let open = self.open(*id);
                open.from = open.from.min(*from);
                open.unaffected.clone_from(unaffected);
                *id
            }
            MonitorAction::End { id, until, .. } => {
                let open = self.open(*id);
                open.until = Some(open.from.max(*until));
                *id
            }
        }
    }

    fn open(&mut self, id: i64) -> &mut FlaggedInterval {
        self.intervals.iter_mut().find(|s| s.id == id && s.until.is_none()).expect("an open interval is changed")
    }
}

/// An instrument with its monitors.
struct Example {
    station: Station,
    instrument: InstrumentConfig,
    calibration: Calibration,
    scale: Arc<Scale>,
    matrix: Matrix,
    database: Database,
    monitors: MonitorSet,
    minute: f64,
}

impl Example {
    fn new(kind: &str, schedule: &str) -> Self {
        let text = format!(
            "version = 1\n[station]\nname = \"Example\"\nkind = \"{kind}\"\nlatitude_deg = 48.0\nlongitude_deg = 11.0\n\
             time_zone = \"Europe/Berlin\"\nmains_hz = 50\n[[instrument]]\nname = \"south\"\nlink = \"/dev/null\"\ncalibrations = [\"c.toml\"]\n{schedule}"
        );
        let config = crate::config::parse(Path::new("example.toml"), &text, at(0.0)).unwrap();
        let text = include_str!("../../../../../tests/bad_input/good_calibration.toml");
        let calibration = crate::calibration::file::parse(Path::new("good.toml"), text).unwrap();
        let detector = Detector {
            pixels: PIXELS,
            full_scale: 65_535,
            shielded: PixelRanges(vec![(0, 3)]),
            integration_min_s: 1e-3,
            integration_max_s: 60.0,
            has_shutter: true,
            transfer_s: 0.1,
        };
        let scale = Arc::new(Scale::new(&calibration, &detector, 0));
        let matrix = Matrix::build(&scale.wavelength_nm, scale.valid_nm, SourceRule::Sun);
        let (station, instrument) = (config.station, config.instruments[0].clone());
        let database = Database::default();
        let monitors = MonitorSet::new(inputs(&station, &instrument, &database, at(0.0)));
        let mut example = Self { station, instrument, calibration, scale, matrix, database, monitors, minute: 0.0 };
        example.monitors.observe_calibration(&example.calibration, at(0.0));
        example
    }

    fn roof() -> Self {
        Self::new("roof", "")
    }

    fn now(&self) -> UtcMicros {
        at(self.minute)
    }

    /// The process ends and starts again.
    fn restart(&mut self) {
        self.monitors = MonitorSet::new(inputs(&self.station, &self.instrument, &self.database, self.now()));
        self.monitors.observe_calibration(&self.calibration, self.now());
    }

    fn reading_with(&self, ppfd: f64, elevation_deg: f64, flags: Flags) -> Reading {
        let mut values = vec![QuantityValue::Null("not needed here".to_owned()); quantities::registry().len()];
        values[quantities::index_of("ppfd").unwrap()] =
            QuantityValue::Value { value: ppfd, uncertainty: 0.01 * ppfd, verdict: Verdict::Good };
        Reading {
            id: 0,
            time_start: self.now(),
            time_mid: self.now(),
            time_end: self.now(),
            instrument: "south".to_owned(),
            sun_elevation: Some(elevation_deg),
            sun_azimuth: Some(180.0),
            relative_air_mass: None,
            detector_temperature: Some(23.0),
            exposures: vec![],
            peak_level: 0.7,
            signal_to_noise: None,
            stray_floor: None,
            lamps: None,
            dark_age: None,
            flags,
            values,
            quantity_flags: vec![],
            uv_index_stray_share: None,
            window: vec![],
        }
    }

    /// A smooth spectrum with a maximum, too noisy for a check of the wavelength scale, and with a logarithmic slope below 330 nm [1/nm], on which
    /// the effect of a shift depends.
    fn reduced(&self, ppfd: f64, ultraviolet_slope: f64) -> Reduced {
        let light = |nm: &f64| {
            let visible = 0.2 + (-((nm - 560.0) / 120.0).powi(2)).exp();
            ppfd / 1000.0 * visible * (-ultraviolet_slope * (330.0 - nm).max(0.0)).exp()
        };
        let irradiance: Vec<f64> = self.scale.wavelength_nm.iter().map(light).collect();
        Reduced {
            scale: Arc::clone(&self.scale),
            rate: irradiance.clone(),
            variance: irradiance.clone(),
            irradiance,
            errors: Errors::default(),
            merge_weights: vec![vec![1.0; PIXELS]],
            saturated: vec![false; PIXELS],
            floor_rate: None,
            dark_irradiance: vec![1e-3; PIXELS],
            signal_to_noise: None,
            disagreement: None,
            cosine: None,
            beam_share: None,
            lamps: None,
            lamp_response: None,
            dark_light: None,
        }
    }

    /// Observes a reading a minute later, and stores its record. Its actions are not written.
    fn observe(&mut self, reading: impl FnOnce(&Self) -> (Reading, Reduced)) {
        self.minute += 1.0;
        let (reading, reduced) = reading(self);
        self.monitors.observe_reading(&reading, &reduced, &self.matrix);
        let record = self.monitors.reading_record(self.now());
        self.database.states.extend(record.states.into_iter().map(|s| (s.name, s.json)));
        self.database.events.extend(record.events);
    }

    fn observe_light(&mut self, ppfd: f64) {
        self.observe(|e| (e.reading_with(ppfd, 60.0, Flags::NONE), e.reduced(ppfd, 0.0)));
    }

    /// Writes every action, as the executor does; returns them.
    fn execute(&mut self) -> Vec<MonitorAction> {
        let actions = self.monitors.actions(self.now());
        for action in &actions {
            let id = self.database.write(action);
            self.monitors.applied(action.clone(), id);
            self.database.events.extend(action.report().cloned());
        }
        actions
    }

    /// Observes a reading in dull light and executes its actions.
    fn read(&mut self) -> Vec<MonitorAction> {
        self.observe_light(DULL);
        self.execute()
    }

    /// The limit of a monitor is exceeded since an instant.
    fn exceed(&mut self, flag: Flag, since: UtcMicros) {
        let state = LimitState { last_within_limit: Some(UtcMicros(since.0 - 1)), exceeded_since: Some(since) };
        match flag {
            Flag::WavelengthDrift => {
                self.monitors.wavelength.drift.limit_state = state;
                self.monitors.wavelength.drift.largest_nm = (0.31, 0.02);
            }
            Flag::ResponseDrift => self.monitors.response.level_limit = state,
            Flag::Obstructed => self.monitors.obstruction.limit_state = state,
            Flag::DarkDrift => {
                self.monitors.dark.drift.offset.exceeded_since = state.exceeded_since;
                self.monitors.dark.drift.offset.last_within_limit = state.last_within_limit;
                self.monitors.dark.update_found(self.now());
            }
            other => panic!("no monitor of {other:?}"),
        }
        self.monitors.pending.changed = true;
    }

    /// A monitor is within its limit.
    fn clear(&mut self, flag: Flag, when: UtcMicros) {
        match flag {
            Flag::WavelengthDrift => self.monitors.wavelength.drift.limit_state.check_passed(when),
            Flag::ResponseDrift => self.monitors.response.level_limit.check_passed(when),
            Flag::Obstructed => self.monitors.obstruction.limit_state.check_passed(when),
            other => panic!("no monitor of {other:?}"),
        };
        self.monitors.pending.changed = true;
    }

    /// A pixel has a confirmed anomaly. A rate of 5000 counts/s affects quantities at any wavelength, one of 0.01 at none.
    fn anomaly(&mut self, pixel: usize, rate: f64) {
        let anomaly = PixelAnomaly {
            counts: 10.0 * rate,
            integration_s: 10.0,
            equivalent_s: 10.0,
            rate,
            times: 2,
            passed: 0,
            last_within_limit: None,
            exceeded_since: Some(self.now()),
        };
        self.monitors.pixels.drift.anomalies.insert(pixel, anomaly);
        self.monitors.pending.changed = true;
    }

    fn open_of(&self, flag: Flag) -> Vec<&FlaggedInterval> {
        self.database.intervals.iter().filter(|s| s.flag == flag && s.until.is_none()).collect()
    }

    /// Exactly the monitors that exceed their limit have an open flagged interval, one each.
    fn assert_invariant(&self, what: &str) {
        for flag in FOLLOWED {
            let state = self.monitors.limit_state(flag).unwrap();
            let open = self.open_of(flag);
            assert_eq!(open.len(), usize::from(state.exceeded_since.is_some()), "{what}: {flag:?} {state:?} {open:?}");
            assert!(open.iter().all(|s| Some(s.from) == state.exceeded_since), "{what}: {state:?} {open:?}");
        }
        let mut open: Vec<Option<usize>> = self.open_of(Flag::PixelFault).iter().map(|s| s.pixel).collect();
        open.sort_unstable();
        let has_effect = |anomaly: &PixelAnomaly| anomaly.rate > 1.0;
        let anomalous: Vec<Option<usize>> =
            self.monitors.pixels.drift.confirmed().filter(|(_, a)| has_effect(a)).map(|(i, _)| Some(i)).collect();
        assert_eq!(open, anomalous, "{what}");
        let known: Vec<i64> = self.monitors.intervals.open().iter().map(|s| s.id).collect();
        let mut stored: Vec<i64> = self.database.intervals.iter().filter(|s| s.until.is_none()).map(|s| s.id).collect();
        stored.retain(|id| known.contains(id));
        assert_eq!(stored.len(), known.len(), "{what}: every interval that the set holds open is open in the database");
    }

    fn events(&self) -> Vec<&str> {
        self.database.events.iter().map(|e| e.text.as_str()).collect()
    }
}

fn inputs<'a>(
    station: &'a Station,
    instrument: &'a InstrumentConfig,
    database: &Database,
    now: UtcMicros,
) -> MonitorInputs<'a> {
    let pixels: PixelDrift = database.state(PIXEL_STATE);
    let saved = SavedMonitors {
        wavelength: database.state(WAVELENGTH_STATE),
        response: database.state(RESPONSE_STATE),
        obstruction: database.state(OBSTRUCTION_STATE),
        dark: database.state(DARK_STATE),
        pixel_baseline: pixels.baseline.and_then(|row| database.models.get(&row).cloned()),
        pixels,
        below_zero: database.state(BELOW_ZERO_STATE),
        reported: database.state(REPORTED_STATE),
    };
    MonitorInputs { station, instrument, saved, intervals: database.intervals.clone(), recent: vec![], now }
}

fn opened(actions: &[MonitorAction]) -> Vec<&FlaggedInterval> {
    let mut opened = Vec::new();
    for action in actions {
        if let MonitorAction::Open { interval, .. } = action {
            opened.push(interval);
        }
    }
    opened
}

fn affects(interval: &FlaggedInterval, quantity: &str) -> bool {
    interval.affects(quantity)
}
