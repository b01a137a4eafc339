//! The darks of one instrument: kept, developed, fitted, and handed out.
//!
//! Which darks to take and which serves is capture's decision, whether a frame is dark too; the model is reduction's. This
//! keeps what they decide on, in memory and in the store, and never lets a refused dark serve.

use crate::acquisition::StationError;
use crate::calibration::Calibration;
use crate::clock::UtcMicros;
use crate::config::{DarksConfig, InstrumentConfig};
use crate::darks::{
    DarkChoice, DarkContext, DarkMetadata, DarkNoise, DarkRequest, DarkWanted, choose, darkest_below_deg, judge,
    looks_dark, plan_darks,
};
use crate::exposure::CaptureSetup;
use crate::numeric::upper_median;
use crate::quality::DarkProvenance;
use crate::record::{Dark, DarkSource, Event, EventKind, Exposure, Frame};
use crate::reduction::dark_model::mean_counts;
use crate::reduction::{DarkFor, DarkModel, FittingDark};
use crate::store::{DarkReference, Store};
use crate::sun::{self, Place, Sun};
use std::sync::Arc;

/// Darks the model is fitted to, at most.
const LIBRARY_SIZE: usize = 96;
/// Darks kept in memory beyond those, before what can no longer serve is forgotten.
const KEPT_BEYOND: usize = 16;
/// Darks of about the same integration time and temperature in the library, newest first.
const ALIKE_IN_LIBRARY: usize = 2;
/// With a model in force, it is fitted anew when this long has passed [s] …
const REFIT_S: f64 = 3600.0;
/// … or when this share of new darks has come.
const REFIT_SHARE: f64 = 0.5;
/// Darks are loaded from this far back after a restart [s].
const LOADED_S: f64 = 10.0 * 86_400.0;
/// A dark signal that differs from the model's by this share means that the detector has changed …
const CHANGED_SHARE: f64 = 0.3;
/// … where the model's dark signal is at least this [counts].
const CHANGED_FROM: f64 = 6.0;
/// The sun's elevation from which on a light frame cannot be dark [degrees].
const DAYLIGHT_DEG: f64 = 3.0;

/// The darks of one instrument.
pub struct DarkSet {
    config: DarksConfig,
    instrument: String,
    place: Place,
    row: i64,
    store: Arc<Store>,
    darks: Vec<Kept>,
    model: Option<(i64, DarkModel)>,
    fitted_at: Option<UtcMicros>,
    new_since_fit: usize,
    refused_at: Option<UtcMicros>,
    shutter_lit: bool,
    /// Darks from before this taught another detector than the one there is now.
    library_from: Option<UtcMicros>,
}

struct Kept {
    note: DarkMetadata,
    frame: Frame,
    /// Taken in warm-up: serves light of the same minutes, never the model.
    warming: bool,
}

/// What came of a dark.
#[derive(Clone, Debug)]
pub enum DarkOutcome {
    /// It serves.
    Accepted(Option<AcceptedDark>),
    /// It does not serve.
    Refused(Event),
}

/// A dark that was accepted and stored.
#[derive(Clone, Debug)]
pub struct AcceptedDark {
    /// The dark.
    pub frame: Frame,
    /// Taken in warm-up: the monitors do not observe it.
    pub warming: bool,
}

/// The dark that serves a frame.
#[derive(Clone, Copy, Debug)]
pub struct Served {
    /// What the verdict has to know.
    pub used: DarkProvenance,
    /// When it was taken, or the newest dark of the model.
    pub time: Option<UtcMicros>,
    /// For the store.
    pub reference: DarkReference,
}

/// A pause between readings, in which darks may be taken.
#[derive(Clone, Copy, Debug)]
pub struct Pause<'a> {
    /// The time.
    pub now: UtcMicros,
    /// Time until the next reading [s].
    pub free_s: f64,
    /// The shortest such time there is on this schedule [s].
    pub shortest_s: f64,
    /// Integration times the last reading used [s].
    pub used_s: &'a [f64],
    /// Where the sun stands; `None` when unknown, which is never night.
    pub sun: Option<Sun>,
    /// Detector temperature [°C].
    pub temperature_c: Option<f64>,
}

/// What a dark or a model is made from.
pub struct Means<'a> {
    /// The instrument's setup.
    pub setup: &'a CaptureSetup,
    /// The calibration in force, for noise and linearity.
    pub calibration: Option<&'a Calibration>,
}

impl Means<'_> {
    fn noise(&self) -> DarkNoise {
        DarkNoise {
            read_noise_counts: self.setup.read_noise_counts,
            electrons_per_count: self.setup.electrons_per_count,
        }
    }
}

impl DarkSet {
    /// Opens it with what the store remembers.
    pub fn open(
        instrument: &InstrumentConfig,
        place: Place,
        row: i64,
        store: &Arc<Store>,
        now: UtcMicros,
    ) -> Result<Self, StationError> {
        let mut room = Self {
            config: instrument.darks.clone(),
            instrument: instrument.name.clone(),
            place,
            row,
            store: Arc::clone(store),
            darks: Vec::new(),
            model: None,
            fitted_at: None,
            new_since_fit: 0,
            refused_at: None,
            shutter_lit: false,
            library_from: None,
        };
        for dark in store.darks(row, now.plus_seconds(-LOADED_S))? {
            match dark {
                Ok(dark) => room.darks.push(Kept { note: note_of(&dark, place), frame: dark.frame, warming: false }),
                Err(why) => tracing::error!(instrument = room.instrument, "a stored dark cannot be used: {why}"),
            }
        }
        room.prune(now);
        if let Some(stored) = store.latest_dark_model(row)? {
            match DarkModel::decode(&stored.blob) {
                Ok(model) => {
                    room.fitted_at = Some(stored.fitted_at);
                    room.model = Some((stored.id, model));
                }
                Err(why) => {
                    tracing::error!(instrument = room.instrument, "the stored dark model cannot be used: {why}")
                }
            }
        }
        Ok(room)
    }

    /// Detector temperature of the newest dark [°C].
    pub fn last_temperature_c(&self) -> Option<f64> {
        self.darks.last().and_then(|k| k.note.temperature_c)
    }

    /// Darks to take now.
    pub fn plan_darks(&self, means: &Means<'_>, pause: &Pause<'_>) -> Vec<DarkRequest> {
        let notes: Vec<DarkMetadata> = self.darks.iter().map(|k| k.note.clone()).collect();
        let context = DarkContext {
            now: pause.now,
            has_shutter: means.setup.detector.has_shutter,
            sun_elevation_deg: pause.sun.map(|s| s.elevation_deg),
            sun_lowest_deg: pause.sun.map(|s| sun::lowest_of(self.place, s)),
            temperature_c: pause.temperature_c,
            used_s: pause.used_s,
            free_s: pause.free_s,
            overhead_s: means.setup.overhead_s(),
            pause_s: pause.shortest_s,
            grid: &means.setup.grid,
            longest_s: means.setup.longest_s(),
            has_model: self.model.is_some(),
            knows_law: self.model.as_ref().is_some_and(|(_, m)| m.rate_exponent_per_k.is_some()),
        };
        plan_darks(&self.config, &notes, &context)
    }

    /// Makes a dark of exposures: keeps and stores it, or refuses it. Either may be worth an event.
    pub fn submit(
        &mut self,
        source: DarkSource,
        exposures: &[Exposure],
        means: &Means<'_>,
        warming: bool,
    ) -> Result<DarkOutcome, StationError> {
        let Some(frame) = Frame::of(exposures, |counts| means.setup.is_clipped(counts)) else {
            return Ok(DarkOutcome::Accepted(None));
        };
        // In warm-up the offset is on its way: the model's prediction would refuse what is dark.
        let expected = if warming { None } else { self.predicted(&frame) };
        if let Err(refusal) = judge(&frame, &means.setup.detector.shielded, means.noise(), expected.as_deref()) {
            self.refused_at = Some(frame.end());
            self.shutter_lit |= source == DarkSource::Shutter;
            let text = format!("{} dark of {:.4} s refused: {refusal}", source.name(), frame.integration_s);
            return Ok(DarkOutcome::Refused(Event {
                time: frame.start(),
                until: Some(frame.end()),
                instrument: Some(self.instrument.clone()),
                kind: EventKind::DarkRefused,
                text,
            }));
        }
        let mut dark = Dark { id: 0, source, frame };
        match self.store.add_dark(self.row, &dark) {
            Ok(id) => dark.id = id,
            Err(error) if error.can_wait() => {
                tracing::error!(instrument = self.instrument, "{error}: a dark could not be kept");
                return Ok(DarkOutcome::Accepted(None));
            }
            Err(error) => return Err(error.into()),
        }
        if source == DarkSource::Shutter {
            self.shutter_lit = false;
        }
        let now = dark.frame.end();
        if !warming {
            self.detect_changed_detector(&dark.frame, means);
        }
        let accepted = AcceptedDark { frame: dark.frame.clone(), warming };
        self.darks.push(Kept { note: note_of(&dark, self.place), frame: dark.frame, warming });
        self.new_since_fit += usize::from(!warming);
        self.prune(now);
        Ok(DarkOutcome::Accepted(Some(accepted)))
    }

    /// Whether the detector is still the one the model was fitted to.
    fn detect_changed_detector(&mut self, frame: &Frame, means: &Means<'_>) {
        let level = open_median(&mean_counts(frame), &means.setup.shielded);
        if let (Some((_, model)), Some(temperature)) = (&self.model, frame.temperature_c)
            && model.holds_at(temperature)
        {
            let (offset, rate) = model.summary(temperature);
            let signal = rate * frame.integration_s;
            if signal >= CHANGED_FROM && !(((level - offset) / signal - 1.0).abs() <= CHANGED_SHARE) {
                self.library_from = Some(frame.start());
            }
        }
    }

    fn predicted(&self, frame: &Frame) -> Option<Vec<f64>> {
        let (_, model) = self.model.as_ref()?;
        let temperature = frame.temperature_c?;
        model.holds_at(temperature).then(|| model.predict(frame.integration_s, temperature))
    }

    /// Fits the model anew where that is due; answers with it and its row.
    pub fn refit(&mut self, means: &Means<'_>, now: UtcMicros) -> Result<Option<(i64, &DarkModel)>, StationError> {
        let Some(calibration) = means.calibration else { return Ok(None) };
        let due = match (&self.model, self.fitted_at) {
            (Some((_, model)), Some(at)) => {
                now.seconds_since(at).abs() >= REFIT_S
                    || self.new_since_fit as f64 >= (REFIT_SHARE * model.darks as f64).max(2.0)
            }
            _ => true,
        };
        if !due || self.new_since_fit == 0 {
            return Ok(None);
        }
        let library: Vec<FittingDark<'_>> = self
            .library(now)
            .into_iter()
            .map(|i| FittingDark {
                frame: &self.darks[i].frame,
                // Without a sensor all darks are taken to be of the calibration's temperature: β stays unknown.
                temperature_c: self.darks[i].note.temperature_c.unwrap_or(calibration.temperature_c),
            })
            .collect();
        let model = match DarkModel::fit(&library, &calibration.noise, &calibration.linearity) {
            Ok(model) => model,
            Err(why) => {
                tracing::debug!(instrument = self.instrument, "no dark model yet: {why}");
                return Ok(None);
            }
        };
        let id = match self.store.add_dark_model(self.row, now, &model.encode()) {
            Ok(id) => id,
            Err(error) if error.can_wait() => return Ok(None),
            Err(error) => return Err(error.into()),
        };
        self.model = Some((id, model));
        self.fitted_at = Some(now);
        self.new_since_fit = 0;
        Ok(self.model.as_ref().map(|(row, model)| (*row, model)))
    }

    /// Indices of the darks the model is fitted to, oldest first: the newest, spread over times and temperatures.
    fn library(&self, now: UtcMicros) -> Vec<usize> {
        let mut chosen: Vec<usize> = Vec::new();
        for i in (0..self.darks.len()).rev() {
            let kept = &self.darks[i];
            let early = self.library_from.is_some_and(|from| kept.note.time < from);
            if early
                || self.outshone(&kept.note)
                || kept.warming
                || now.seconds_since(kept.note.time) > self.config.model_max_age_s
            {
                continue;
            }
            let alike = chosen.iter().filter(|j| alike(&self.darks[**j].note, &kept.note)).count();
            if alike < ALIKE_IN_LIBRARY {
                chosen.push(i);
            }
            if chosen.len() == LIBRARY_SIZE {
                break;
            }
        }
        chosen.reverse();
        chosen
    }

    /// Whether a dark was taken in twilight and others of its integration time were not.
    fn outshone(&self, note: &DarkMetadata) -> bool {
        let better = |k: &Kept| !k.note.twilight && !k.warming && about(k.note.integration_s, note.integration_s);
        note.twilight && self.darks.iter().any(better)
    }

    /// Forgets what can neither be matched any more nor serve the model.
    fn prune(&mut self, now: UtcMicros) {
        if self.darks.len() < LIBRARY_SIZE + KEPT_BEYOND {
            return;
        }
        let library = self.library(now);
        let max_age = self.config.max_age_s;
        let mut i = 0;
        self.darks.retain(|kept| {
            let keep = library.binary_search(&i).is_ok() || now.seconds_since(kept.note.time) <= max_age;
            i += 1;
            keep
        });
    }

    /// Which dark serves a frame of light.
    pub fn serve(&self, frame: &Frame) -> Served {
        let usable = self
            .model
            .as_ref()
            .filter(|(_, m)| m.offset.len() == frame.sums.len() && frame.temperature_c.is_none_or(|t| m.holds_at(t)));
        let wanted = DarkWanted {
            time: frame.start(),
            integration_s: frame.integration_s,
            temperature_c: frame.temperature_c,
            model_fitted: usable.map(|(_, m)| m.newest),
        };
        let notes: Vec<DarkMetadata> =
            self.darks.iter().filter(|k| k.frame.sums.len() == frame.sums.len()).map(|k| k.note.clone()).collect();
        let choice = choose(&self.config, &notes, &wanted);
        let model_row = usable.map(|(row, _)| *row);
        let (time, reference) = match choice {
            DarkChoice::Matched(id) | DarkChoice::Stale(id) => {
                (self.dark(id).map(|k| k.note.time), DarkReference::Matched { dark: id, model: model_row })
            }
            DarkChoice::Model { .. } => {
                (usable.map(|(_, m)| m.newest), model_row.map_or(DarkReference::None, DarkReference::Model))
            }
            DarkChoice::Missing => (None, DarkReference::None),
        };
        let used = DarkProvenance {
            stale: matches!(choice, DarkChoice::Stale(_) | DarkChoice::Model { stale: true }),
            suspect: self.refused_at.zip(time).is_some_and(|(refused, served)| refused > served),
            modelled: matches!(choice, DarkChoice::Model { .. }),
        };
        Served { used, time, reference }
    }

    /// The dark itself.
    pub fn dark_for(&self, served: &Served) -> Option<DarkFor<'_>> {
        match served.reference {
            DarkReference::Matched { dark, model } => Some(DarkFor::Matched {
                dark: &self.dark(dark)?.frame,
                model: self.model.as_ref().filter(|(row, _)| Some(*row) == model).map(|(_, m)| m),
            }),
            DarkReference::Model(_) => self.model.as_ref().map(|(_, m)| DarkFor::Model(m)),
            DarkReference::None => None,
        }
    }

    fn dark(&self, id: i64) -> Option<&Kept> {
        self.darks.iter().rev().find(|k| k.note.id == id)
    }

    /// Whether the shutter lies: its dark is lit, or a light frame by daylight is none.
    pub fn shutter_fault(&self, frames: &[Frame], means: &Means<'_>, sun: Option<f64>) -> bool {
        let daylight = sun.is_some_and(|e| e > DAYLIGHT_DEG);
        // The longest last bracket shows light most plainly.
        let unlit = || {
            frames
                .iter()
                .rev()
                .all(|f| looks_dark(f, &means.setup.detector.shielded, means.noise(), self.predicted(f).as_deref()))
        };
        self.shutter_lit || (daylight && means.setup.detector.has_shutter && unlit())
    }
}

/// Median of the pixels that see light.
fn open_median(counts: &[f64], shielded: &[bool]) -> f64 {
    let mut open: Vec<f64> = counts.iter().zip(shielded).filter(|(_, m)| !**m).map(|(c, _)| *c).collect();
    upper_median(&mut open).unwrap_or(0.0)
}

fn note_of(dark: &Dark, place: Place) -> DarkMetadata {
    let time = dark.frame.start();
    let twilight = || {
        let elevation = sun::position(place, time).map(|s| s.elevation_deg);
        elevation.is_some_and(|e| e >= darkest_below_deg(sun::lowest_elevation_deg(place, time)))
    };
    DarkMetadata {
        twilight: dark.source == DarkSource::Night && twilight(),
        id: dark.id,
        source: dark.source,
        integration_s: dark.frame.integration_s,
        temperature_c: dark.frame.temperature_c,
        time,
        exposures: dark.frame.exposures() as u32,
    }
}

/// Whether two integration times are neighbours at most.
fn about(a_s: f64, b_s: f64) -> bool {
    (a_s / b_s - 1.0).abs() < 0.15
}

/// Whether two darks teach the model the same.
fn alike(a: &DarkMetadata, b: &DarkMetadata) -> bool {
    about(a.integration_s, b.integration_s)
        && a.temperature_c.zip(b.temperature_c).is_none_or(|(a, b)| (a - b).abs() < 1.0)
}
