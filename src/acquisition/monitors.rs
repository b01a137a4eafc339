//! The saved_states of one instrument: fed with every reading, kept over restarts, and turned into spans of doubt.
//!
//! What they find is quality's; this hands them readings and notes and carries out what follows. Spans follow the saved_states'
//! standing: whatever was interrupted, at the next reading each tracker that is past its limit has a span that lasts, and no
//! other has. What must stay true: nothing here changes a stored reading.

mod darks;

use super::StationError;
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::config::{InstrumentConfig, LimitsConfig, Station, StationKind};
use crate::numeric::{median, ranked};
use crate::processing::pipeline::ProcessedReading;
use crate::quality::clear_sky::{PPFD_PER_WATT, expected_global};
use crate::quality::monitor::obstruction::ObstructionDetector;
use crate::quality::monitor::pixels::PixelDrift;
use crate::quality::monitor::response::{LEAN_LIMIT_DEG, LEAN_PASS_DEG, Level, Light, ResponseDrift, Sample};
use crate::quality::monitor::wavelength::fit::STRETCHES;
use crate::quality::monitor::wavelength::{Limits, ReferenceSpectrum, Spectrum, WavelengthDrift};
use crate::quality::unaffected::{self, Error};
use crate::quality::{LimitState, Transition};
use crate::quantities::{self, Matrix};
use crate::record::{Event, EventKind, Flag, FlaggedInterval, NoteClass, Reading, Tracked, Verdict, flagged_interval};
use crate::reduction::Reduced;
use crate::store::{SavedState, Store};
use crate::sun;
use darks::DarkDoubt;
use std::collections::BTreeMap;

/// Names of persisted state.
pub const WAVELENGTH_STATE: &str = "wavelength_drift";
/// See [`WAVELENGTH_STATE`].
pub const RESPONSE_STATE: &str = "response_drift";
/// See [`WAVELENGTH_STATE`].
pub const COVER_STATE: &str = "obstructed";
/// See [`WAVELENGTH_STATE`]; kept by the dark_set.
pub const DARK_STATE: &str = "dark_drift";
/// See [`WAVELENGTH_STATE`]; kept by the dark_set.
pub const PIXEL_STATE: &str = "pixel_fault";
const REPORTED_STATE: &str = "reported";
/// State that changes with every reading is saved this often [s]; what a restart loses of it is soon seen again.
pub const SAVED_EVERY_S: f64 = 600.0;
/// The sun's height from which on daylight shows its lines [degrees].
const LINES_FROM_DEG: f64 = 8.0;
/// Lines are looked at this often [s], and at every reading once they seem to have moved: a scale moves in jumps or in weeks.
const LINES_EVERY_S: f64 = 240.0;
/// Rungs that differ by more than this saw different light: where they join there is a step that is no line [1].
const JOINED_WITHIN: f64 = 0.003;
/// The same for a lamp's peaks, which are no shallow lines: such a step moves the middle of one by a fortieth of its width.
const JOINED_WITHIN_PEAKS: f64 = 0.01;
/// Lamps at night: the sun lower than this [degrees] …
const NIGHT_BELOW_DEG: f64 = -6.0;
/// … at least so many readings, brighter than this [µmol m⁻² s⁻¹], the middle half of them within this share.
const NIGHT_READINGS: usize = 5;
const NIGHT_PPFD: f64 = 5.0;
const NIGHT_STEADY: f64 = 0.03;

/// What the saved_states have told already, persisted over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
struct ReportedState {
    /// Row of the newest event up to which notes were taken notice of.
    notes_to: i64,
    /// A lean is on record.
    lean_told: bool,
    /// The last wipe on record.
    wipe_told: Option<UtcMicros>,
    /// Beginning of the doubt about the dark that is marked back on record.
    dark_marked: Option<UtcMicros>,
    /// Pixels on record, and the light by which each was judged last [µmol m⁻² s⁻¹].
    pixels: BTreeMap<usize, f64>,
}

/// The saved_states of one instrument.
pub struct MonitorSet {
    instrument: String,
    row: i64,
    station: Station,
    limits: LimitsConfig,
    light: Option<Light>,
    reference_spectrum: ReferenceSpectrum,
    wavelength: WavelengthDrift,
    response: ResponseDrift,
    cover: ObstructionDetector,
    dark: DarkDoubt,
    pixels: PixelDrift,
    /// Pixels that were judged, by what light [µmol m⁻² s⁻¹], and not put on record yet: their doubts, as spans.
    odd_pixels: BTreeMap<usize, (f64, FlaggedInterval)>,
    reported: ReportedState,
    /// Readings of the solar day, or of the night, that is not closed yet.
    samples: Vec<Sample>,
    /// The spans that last.
    open: Vec<FlaggedInterval>,
    /// What each doubt that may come would spare, by the newest readings.
    unaffected: Vec<(Flag, Vec<String>)>,
    events: Vec<Event>,
    saved: Option<UtcMicros>,
    changed: bool,
}

impl MonitorSet {
    /// Opens it with what the store remembers.
    pub fn open(
        store: &Store,
        row: i64,
        station: &Station,
        instrument: &InstrumentConfig,
        now: UtcMicros,
    ) -> Result<Self, StationError> {
        let light = match (station.kind, &instrument.schedule.check_source) {
            (_, Some(_)) => Some(Light::CheckSource),
            (StationKind::Roof, None) => Some(Light::ClearSky),
            (StationKind::Glasshouse, None) => Some(Light::NightLamps),
            (StationKind::Lamp, None) => None,
        };
        let mut watch = Self {
            instrument: instrument.name.clone(),
            row,
            station: station.clone(),
            limits: instrument.limits.clone(),
            light,
            reference_spectrum: ReferenceSpectrum::None,
            wavelength: load(store, row, WAVELENGTH_STATE)?.unwrap_or_default(),
            response: load(store, row, RESPONSE_STATE)?.unwrap_or_default(),
            cover: load(store, row, COVER_STATE)?.unwrap_or_default(),
            dark: DarkDoubt::default(),
            pixels: PixelDrift::default(),
            odd_pixels: BTreeMap::new(),
            reported: load(store, row, REPORTED_STATE)?.unwrap_or_default(),
            samples: Vec::new(),
            open: Vec::new(),
            unaffected: Vec::new(),
            events: Vec::new(),
            saved: None,
            changed: false,
        };
        let mine = |s: &FlaggedInterval| s.instrument.as_ref() == Some(&watch.instrument) && s.flag != Flag::Servicing;
        let open = store.open_spans()?;
        watch.open = open.into_iter().filter(mine).collect();
        watch.remember_today(store, now)?;
        Ok(watch)
    }

    /// Today's readings, after a restart in the middle of the day.
    fn remember_today(&mut self, store: &Store, now: UtcMicros) -> Result<(), StationError> {
        if !matches!(self.light, Some(Light::ClearSky | Light::NightLamps)) {
            return Ok(());
        }
        let Some(ppfd) = store.position("ppfd") else { return Ok(()) };
        for stored in store.readings(now.plus_seconds(-86_400.0), now)? {
            let stored = stored?;
            let reading = stored.as_computed();
            if reading.instrument == self.instrument
                && let Some(sample) = sample_of(reading, ppfd)
                && self.day_of(sample.time) == self.day_of(now)
            {
                self.samples.push(sample);
            }
        }
        Ok(())
    }

    /// Sees to it that the saved_states watch the calibration in force.
    pub fn calibrate(&mut self, calibration: &Calibration, now: UtcMicros) {
        let (anew, _) = self.wavelength.meet(&calibration.id, now);
        self.response.meet(&calibration.id, now);
        if anew {
            // Whoever put another calibration in force has had the head in hand.
            let mut standing = self.cover.standing;
            standing.begin(now);
            self.cover = ObstructionDetector { standing, ..ObstructionDetector::default() };
        }
        if anew || matches!(self.reference_spectrum, ReferenceSpectrum::None) {
            self.reference_spectrum =
                ReferenceSpectrum::new(self.station.kind.sunlit(), calibration.wavelength.fwhm_nm);
        }
        self.changed |= anew;
    }

    /// Takes notice of what the owner has put on record.
    pub fn take_notes(&mut self, store: &Store) -> Result<(), StationError> {
        let (notes, newest) = store.notes_after(self.reported.notes_to)?;
        self.reported.notes_to = newest;
        for (class, note) in notes {
            self.changed = true;
            if note.instrument.as_ref().is_some_and(|name| *name != self.instrument) {
                continue;
            }
            match class {
                NoteClass::Cleaned => self.response.cleaned(note.time),
                NoteClass::Moved => {
                    self.response.begin(note.time);
                    self.cover = ObstructionDetector::default();
                    self.samples.clear();
                }
                NoteClass::LampReplaced => {
                    if matches!(self.light, Some(Light::NightLamps)) {
                        self.response.begin(note.time);
                        self.samples.clear();
                    }
                    if matches!(self.reference_spectrum, ReferenceSpectrum::Lamp) {
                        self.wavelength.forget_marks();
                    }
                }
                NoteClass::Servicing | NoteClass::ServicingOver | NoteClass::Other => {}
            }
        }
        Ok(())
    }

    /// What the saved_states know before a reading.
    pub fn tracked(&self, now: UtcMicros) -> Tracked {
        Tracked {
            shift_nm: if self.limits.wavelength_apply { self.wavelength.applied_nm } else { 0.0 },
            wavelength_age_s: self.wavelength.standing.age_s(now),
            response_age_s: self.response.standing.age_s(now),
        }
    }

    /// Looks at a reading with its spectrum and weights.
    pub fn look(&mut self, processed: &ProcessedReading, matrix: &Matrix) {
        let reading = &processed.reading;
        let Some(reduced) = &processed.reduced else { return };
        let unfit = [Flag::Warming, Flag::RepeatedFrame, Flag::ShutterFault].iter().any(|f| reading.flags.has(*f));
        let Some(ppfd) = quantities::index_of("ppfd").filter(|_| !unfit) else { return };
        if reading.flags.has(Flag::CheckSource) {
            self.look_at_source(reading, ppfd);
            return;
        }
        self.look_at_lines(reading, reduced, matrix);
        if let Some(sample) = sample_of(reading, ppfd) {
            self.look_at_light(sample, reading);
        }
        let grey: Vec<f64> = reduced.irradiance.iter().map(|e| e * self.limits.response_drift_relative).collect();
        self.set_unaffected(Flag::ResponseDrift, self.response.doubt(), reduced, matrix, (&grey, Error::Share));
        self.set_unaffected(Flag::Obstructed, self.cover.standing, reduced, matrix, (&[], Error::Share));
        self.look_at_dark(reading, reduced, matrix, ppfd);
    }

    fn look_at_lines(&mut self, reading: &Reading, reduced: &Reduced, matrix: &Matrix) {
        let low = reading.sun_elevation.is_some_and(|e| e < LINES_FROM_DEG);
        let seen = self.wavelength.recent.last();
        let early = seen.is_some_and(|s| {
            let quiet =
                s.nm.abs() <= self.limits.wavelength_drift_nm && self.wavelength.standing.exceeded_since.is_none();
            quiet && reading.time_mid.seconds_since(s.time).abs() < LINES_EVERY_S
        });
        if early || (self.station.kind.sunlit() && low) {
            return;
        }
        let scale = &reduced.scale;
        let mut usable: Vec<bool> = scale.valid.iter().zip(&reduced.saturated).map(|(v, s)| *v && !*s).collect();
        let joined = if matches!(self.reference_spectrum, ReferenceSpectrum::Lamp) {
            JOINED_WITHIN_PEAKS
        } else {
            JOINED_WITHIN
        };
        if reduced.disagreement.is_some_and(|(d, u)| d.abs() > joined.max(3.0 * u)) {
            leave_out_seams(reduced, &mut usable);
        }
        let spectrum = Spectrum {
            time: reading.time_mid,
            wavelength_nm: &scale.wavelength_nm,
            irradiance: &reduced.irradiance,
            variance: &reduced.variance,
            usable: &usable,
        };
        let limits = Limits { shift_nm: self.limits.wavelength_drift_nm, apply: self.limits.wavelength_apply };
        let was_done = self.wavelength.baseline_done;
        let turn = self.wavelength.look(&self.reference_spectrum, &spectrum, &limits);
        self.changed |= was_done != self.wavelength.baseline_done || matches!(turn, Some(Transition::Exceeded(_)));
        let shift = self.wavelength.found_nm.0.abs().max(limits.shift_nm);
        let column = unaffected::of_shift(&scale.wavelength_nm, &reduced.irradiance, &usable, shift);
        self.set_unaffected(Flag::WavelengthDrift, self.wavelength.standing, reduced, matrix, (&column, Error::Share));
    }

    fn set_unaffected(
        &mut self,
        flag: Flag,
        standing: LimitState,
        reduced: &Reduced,
        matrix: &Matrix,
        (column, error): (&[f64], Error),
    ) {
        if standing.exceeded_since.is_none() {
            self.unaffected.retain(|s| s.0 != flag);
            return;
        }
        let now = if column.is_empty() {
            Vec::new()
        } else {
            unaffected::unaffected(matrix, &reduced.irradiance, (column, error), &self.limits)
        };
        match self.unaffected.iter_mut().find(|s| s.0 == flag) {
            // What one reading does not spare, the doubt does not spare.
            Some((_, unaffected)) => unaffected.retain(|id| now.contains(id)),
            None => self.unaffected.push((flag, now)),
        }
    }

    fn look_at_light(&mut self, sample: Sample, reading: &Reading) {
        if self.station.kind == StationKind::Roof {
            let clear =
                expected_global(sample.elevation_deg) * PPFD_PER_WATT * sun::inverse_distance_squared(sample.time);
            let turn = self.cover.look(sample.time, sample.elevation_deg, sample.ppfd, clear);
            self.changed |= matches!(turn, Some(Transition::Exceeded(_)));
        }
        let elevation = sample.elevation_deg;
        match self.light {
            Some(Light::ClearSky) => {
                let another_day = self.samples.first().is_some_and(|s| self.day_of(s.time) != self.day_of(sample.time));
                if another_day || elevation < 0.0 {
                    self.close_day();
                }
                if elevation > 0.0 && self.cover.standing.exceeded_since.is_none() {
                    self.samples.push(sample);
                }
            }
            Some(Light::NightLamps) => {
                if elevation >= NIGHT_BELOW_DEG {
                    self.close_night();
                } else if sample.ppfd > NIGHT_PPFD && !reading.flags.has(Flag::Flicker) {
                    self.samples.push(sample);
                }
            }
            Some(Light::CheckSource) | None => {}
        }
    }

    fn close_day(&mut self) {
        let samples = std::mem::take(&mut self.samples);
        if let Some(level) = crate::quality::monitor::response::day::work_out(&samples, self.response.scale()) {
            self.take_level(level);
        }
    }

    fn close_night(&mut self) {
        let samples = std::mem::take(&mut self.samples);
        let mut light: Vec<f64> = samples.iter().map(|s| s.ppfd).collect();
        let n = light.len();
        if n < NIGHT_READINGS {
            return;
        }
        let (low, high) = (ranked(&mut light, n / 4), ranked(&mut light, 3 * n / 4));
        let (Some(low), Some(high)) = (low, high) else { return };
        let (Some(level), Some(last)) = (median(light), samples.last()) else { return };
        if high - low <= NIGHT_STEADY * level {
            self.take_level(Level { time: last.time, level: level.ln(), slope: (0.0, 0.0), east_deg: None });
        }
    }

    fn look_at_source(&mut self, reading: &Reading, ppfd: usize) {
        if self.light != Some(Light::CheckSource) {
            return;
        }
        if let Some(value) = reading.values.get(ppfd).and_then(|v| v.value()).filter(|v| *v > 0.0) {
            let level = Level { time: reading.time_mid, level: value.ln(), slope: (0.0, 0.0), east_deg: None };
            self.take_level(level);
        }
    }

    fn take_level(&mut self, level: Level) {
        self.response.take(level, self.limits.response_drift_relative);
        self.changed = true;
        let at = level.time;
        if let Some((when, step)) = self.response.last_wipe.filter(|(t, _)| self.reported.wipe_told != Some(*t)) {
            self.reported.wipe_told = Some(when);
            self.tell(at, format!("the response rose by {:.1} % at {when}, as after a wipe", 100.0 * step));
        }
        let Some(lean) = self.response.tilt_east_deg() else { return };
        if lean.abs() >= LEAN_LIMIT_DEG && !self.reported.lean_told {
            self.reported.lean_told = true;
            self.tell(at, leans(lean));
        } else if lean.abs() < LEAN_PASS_DEG && self.reported.lean_told {
            self.reported.lean_told = false;
            self.tell(at, "the head stands as it did at first".to_owned());
        }
    }

    fn tell(&mut self, time: UtcMicros, text: String) {
        let instrument = Some(self.instrument.clone());
        self.events.push(Event { time, until: None, instrument, kind: EventKind::Drift, text });
    }

    /// State to be saved with a reading.
    pub fn states(&mut self, now: UtcMicros) -> Vec<SavedState> {
        let of = |name: &str, json: String| SavedState { instrument: self.row, name: name.to_owned(), json, time: now };
        let due = self.saved.is_none_or(|t| now.seconds_since(t).abs() >= SAVED_EVERY_S);
        let mut states = Vec::new();
        if due || self.changed {
            states.push(of(WAVELENGTH_STATE, json(&self.wavelength)));
            states.push(of(COVER_STATE, json(&self.cover)));
            states.push(of(PIXEL_STATE, json(&self.pixels)));
            self.saved = Some(now);
        }
        if self.changed {
            states.push(of(RESPONSE_STATE, json(&self.response)));
            states.push(of(REPORTED_STATE, json(&self.reported)));
            self.changed = false;
        }
        states
    }

    /// Puts on record what follows from where the saved_states stand: spans, and what is worth an event.
    pub fn settle(&mut self, store: &Store, now: UtcMicros) -> Result<Vec<Event>, StationError> {
        self.mark_dark_back(store, now)?;
        self.settle_pixels(store, now)?;
        for (flag, standing) in [
            (Flag::WavelengthDrift, self.wavelength.standing),
            (Flag::ResponseDrift, self.response.doubt()),
            (Flag::Obstructed, self.cover.standing),
        ] {
            let open = self.open.iter().position(|s| s.flag == flag);
            match (standing.exceeded_since, open) {
                (Some(from), None) => self.doubt(store, flag, from, now)?,
                (Some(from), Some(at)) => {
                    // A later reading may show that it touches more than the first one did, and what joins it may be older.
                    let open = &self.open[at];
                    let fewer = self.spares_of(flag).filter(|s| s.len() < open.unaffected.len());
                    if fewer.is_some() || from < open.from {
                        let unaffected = fewer.unwrap_or_else(|| open.unaffected.clone());
                        store.widen_span(open.id, from, &unaffected)?;
                        let open = &mut self.open[at];
                        (open.from, open.unaffected) = (open.from.min(from), unaffected);
                    }
                }
                (None, Some(at)) => {
                    let open = self.open.remove(at);
                    let until = standing.last_within_limit.unwrap_or(now);
                    store.end_span(open.id, until)?;
                    self.tell(now, format!("{}: within its limit again since {until}", flag.name()));
                }
                (None, None) => {}
            }
        }
        let events = std::mem::take(&mut self.events);
        if !events.is_empty() {
            store.add_events(&events)?;
        }
        Ok(events)
    }

    fn spares_of(&self, flag: Flag) -> Option<Vec<String>> {
        self.unaffected.iter().find(|s| s.0 == flag).map(|s| s.1.clone())
    }

    fn doubt(&mut self, store: &Store, flag: Flag, from: UtcMicros, now: UtcMicros) -> Result<(), StationError> {
        let text = match flag {
            Flag::WavelengthDrift => {
                let (shift, u) = self.wavelength.found_nm;
                let whose = if self.station.kind.sunlit() { "" } else { ", or the lamp's own lines have moved" };
                let limit = self.limits.wavelength_drift_nm;
                format!("wavelength scale off by {shift:+.2} ± {:.2} nm (limit {limit}){whose}", 2.0 * u)
            }
            Flag::ResponseDrift if self.response.standing.exceeded_since.is_none() => {
                format!("{} (limit {LEAN_LIMIT_DEG})", leans(self.response.tilt_east_deg().unwrap_or(f64::NAN)))
            }
            Flag::ResponseDrift => {
                let change = 100.0 * self.response.now().unwrap_or(f64::NAN);
                format!("response {change:+.1} % (limit {:.0} %)", 100.0 * self.limits.response_drift_relative)
            }
            _ => {
                let share = 100.0 * self.cover.latest.unwrap_or(f64::NAN);
                format!("the optic is covered: {share:.1} % of a clear sky's light")
            }
        };
        let unaffected = self.spares_of(flag).unwrap_or_default();
        let instrument = Some(self.instrument.clone());
        let mut span = FlaggedInterval { id: 0, from, until: None, instrument, pixel: None, flag, unaffected, text };
        span.id = store.add_span(&span)?;
        self.tell(now, format!("{}: {}, in doubt from {from} on", flag.name(), span.text));
        self.open.push(span);
        Ok(())
    }

    /// Makes a reading what readers will get, with the spans of this instrument that last.
    pub fn put_under_spans(&self, reading: &mut Reading) {
        if !self.open.is_empty() {
            flagged_interval::apply(&self.open, reading, quantities::registry().iter().map(|q| q.id));
        }
    }

    /// Days are counted from mean solar midnight to mean solar midnight.
    fn day_of(&self, t: UtcMicros) -> i64 {
        (t.seconds() / 86_400.0 + self.station.place.longitude_deg / 360.0).floor() as i64
    }
}

/// A lean in words.
fn leans(east_deg: f64) -> String {
    let side = if east_deg > 0.0 { "east" } else { "west" };
    format!("the head leans by {:.1} degrees more to the {side} than at first", east_deg.abs())
}

/// Takes out the stretches in which one bracket gives way to another.
fn leave_out_seams(reduced: &Reduced, usable: &mut [bool]) {
    let nm = &reduced.scale.wavelength_nm;
    let main = |i: usize| reduced.served.iter().position(|s| s[i] > 0.5);
    for stretch in STRETCHES {
        let inside: Vec<usize> = (0..nm.len()).filter(|i| nm[*i] >= stretch.from && nm[*i] <= stretch.to).collect();
        if inside.windows(2).any(|w| main(w[0]) != main(w[1])) {
            inside.iter().for_each(|i| usable[*i] = false);
        }
    }
}

/// What the saved_states of the response need of a reading; `None` where it is worth nothing.
fn sample_of(reading: &Reading, ppfd: usize) -> Option<Sample> {
    let value = reading.values.get(ppfd)?;
    if value.verdict()? == Verdict::Bad || reading.flags.has(Flag::Warming) {
        return None;
    }
    Some(Sample {
        time: reading.time_mid,
        ppfd: value.value()?,
        elevation_deg: reading.sun_elevation?,
        azimuth_deg: reading.sun_azimuth?,
    })
}

/// A persisted state; one that cannot be read any more counts as absent.
fn load<T: serde::de::DeserializeOwned>(store: &Store, row: i64, name: &str) -> Result<Option<T>, StationError> {
    let stored = store.load_state(row, name)?;
    Ok(stored.and_then(|t| match serde_json::from_str(&t.json) {
        Ok(state) => Some(state),
        Err(why) => {
            tracing::warn!("saved state `{name}` cannot be read ({why}); starting it anew");
            None
        }
    }))
}

/// Our own plain structures always become JSON.
fn json<T: serde::Serialize>(state: &T) -> String {
    serde_json::to_string(state).unwrap_or_default()
}
