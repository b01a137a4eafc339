//! The set of darks of one instrument, in memory: tested, fitted, and handed out.
//!
//! Holds no store and takes no exposure: [`DarkSet::submit`] and [`DarkSet::fit`] answer with what is to be stored, and
//! [`DarkSet::insert`] and [`DarkSet::adopt`] take it back with its row once it is. Invariants: a rejected dark is never used
//! for correction; nothing that is not stored is used, so that every value can be computed again.

use super::choice::{DarkChoice, choose};
use super::darkness::{DarkRejection, open_level, test_darkness};
use super::fit;
use super::frame_with_dark::FrameWithDark;
use super::metadata::DarkMetadata;
use super::pause::DarkPause;
use super::plan::{DarkRequest, ModelState, plan_darks};
use super::setup::DarkSetup;
use crate::clock::UtcMicros;
use crate::config::DarksConfig;
use crate::record::{Dark, DarkProvenance, DarkReference, DarkSource, Event, EventKind, Exposure, Frame};
use crate::reduction::{DarkFor, DarkModel, FittingDark};
use crate::sun::Place;

/// Darks in memory beyond those the model is fitted to, before what can no longer be used is dropped.
const BEYOND_SET: usize = 16;
/// The sun's elevation from which on a light frame cannot be dark [degrees].
const DAYLIGHT_DEG: f64 = 3.0;

/// The set of darks of one instrument.
#[derive(Debug)]
pub struct DarkSet {
    config: DarksConfig,
    place: Place,
    setup: DarkSetup,
    /// In the order of time.
    darks: Vec<KeptDark>,
    model: Option<FittedModel>,
    new_since_fit: usize,
    rejected_at: Option<UtcMicros>,
    shutter_lit: bool,
    /// Darks from before this show another state of the detector than the one it is in now.
    changed_at: Option<UtcMicros>,
}

#[derive(Debug)]
struct KeptDark {
    metadata: DarkMetadata,
    frame: Frame,
}

/// A dark model on record.
#[derive(Clone, Debug)]
pub struct FittedModel {
    /// Its row in the store.
    pub row: i64,
    /// When it was fitted.
    pub fitted_at: UtcMicros,
    /// The model.
    pub model: DarkModel,
}

/// What became of the exposures of a dark.
#[derive(Clone, Debug)]
pub enum DarkOutcome {
    /// They are dark: store this, and then [`DarkSet::insert`] it.
    Accepted(Dark),
    /// They are not, and are never used.
    Rejected(RejectedDark),
}

/// A frame that was to be a dark and is not.
#[derive(Clone, Debug)]
pub struct RejectedDark {
    /// Where darkness should have come from.
    pub source: DarkSource,
    /// Integration time in force [s].
    pub integration_s: f64,
    /// First and last light.
    pub span: (UtcMicros, UtcMicros),
    /// Why it is not dark.
    pub reason: DarkRejection,
}

impl RejectedDark {
    /// As an event.
    pub fn event(&self, instrument: &str) -> Event {
        Event {
            time: self.span.0,
            until: Some(self.span.1),
            instrument: Some(instrument.to_owned()),
            kind: EventKind::DarkRefused,
            text: format!("{} dark of {:.4} s refused: {}", self.source.name(), self.integration_s, self.reason),
        }
    }
}

impl DarkSet {
    /// Of darks and a model on record, the darks in the order of time.
    pub fn new(
        config: DarksConfig,
        place: Place,
        setup: DarkSetup,
        (darks, model): (Vec<Dark>, Option<FittedModel>),
        now: UtcMicros,
    ) -> Self {
        let kept = |dark: Dark| KeptDark { metadata: DarkMetadata::of(&dark, place, false), frame: dark.frame };
        let mut set = Self {
            config,
            place,
            setup,
            darks: darks.into_iter().map(kept).collect(),
            model,
            new_since_fit: 0,
            rejected_at: None,
            shutter_lit: false,
            changed_at: None,
        };
        set.prune(now);
        set
    }

    /// Replaces what darks depend on, when another calibration becomes active.
    pub fn configure(&mut self, setup: DarkSetup) {
        self.setup = setup;
    }

    /// What darks depend on.
    pub fn setup(&self) -> &DarkSetup {
        &self.setup
    }

    /// Detector temperature of the newest dark [°C].
    pub fn last_temperature_c(&self) -> Option<f64> {
        self.darks.last().and_then(|d| d.metadata.temperature_c)
    }

    /// Darks to take in a pause.
    pub fn plan(&self, pause: &DarkPause<'_>) -> Vec<DarkRequest> {
        let known: Vec<DarkMetadata> = self.darks.iter().map(|d| d.metadata.clone()).collect();
        let model = match &self.model {
            None => ModelState::None,
            Some(fitted) if fitted.model.rate_exponent_per_k.is_none() => ModelState::LawUnknown,
            Some(_) => ModelState::LawKnown,
        };
        plan_darks(&self.config, &self.setup, &known, model, pause)
    }

    /// Tests the exposures of a dark; `None` without any. `warming` says whether they were taken in warm-up.
    pub fn submit(&mut self, source: DarkSource, exposures: &[Exposure], warming: bool) -> Option<DarkOutcome> {
        let frame = Frame::of(exposures, |counts| counts >= self.setup.clipped_from)?;
        // In warm-up the offset drifts: the model's prediction would reject what is dark.
        let expected = if warming { None } else { self.predicted(&frame) };
        let tested = test_darkness(&frame, &self.setup.shielded, self.setup.read_noise_counts, expected.as_deref());
        Some(match tested {
            Ok(()) => DarkOutcome::Accepted(Dark { id: 0, source, frame }),
            Err(reason) => {
                self.rejected_at = Some(frame.end());
                self.shutter_lit |= source == DarkSource::Shutter;
                let (integration_s, span) = (frame.integration_s, (frame.start(), frame.end()));
                DarkOutcome::Rejected(RejectedDark { source, integration_s, span, reason })
            }
        })
    }

    /// Takes an accepted dark that is stored, with its row.
    pub fn insert(&mut self, dark: Dark, warming: bool) {
        let now = dark.frame.end();
        if dark.source == DarkSource::Shutter {
            self.shutter_lit = false;
        }
        if !warming {
            self.new_since_fit += 1;
            let level = open_level(&dark.frame, &self.setup.shielded);
            if self.model.as_ref().is_some_and(|fitted| fit::has_changed(&fitted.model, &dark.frame, level)) {
                self.changed_at = Some(dark.frame.start());
            }
        }
        let metadata = DarkMetadata::of(&dark, self.place, warming);
        self.darks.push(KeptDark { metadata, frame: dark.frame });
        self.prune(now);
    }

    /// A model fitted anew, where that is due, to be stored and then [`DarkSet::adopt`]ed; an error says why there is none yet.
    pub fn fit(&self, now: UtcMicros) -> Option<Result<DarkModel, String>> {
        let calibration = self.setup.calibration.as_ref()?;
        let active = self.model.as_ref().map(|fitted| (&fitted.model, fitted.fitted_at));
        if !fit::is_due(active, self.new_since_fit, now) {
            return None;
        }
        let darks: Vec<FittingDark<'_>> = self
            .selected(now)
            .into_iter()
            .map(|i| FittingDark {
                frame: &self.darks[i].frame,
                // Without a sensor all darks are taken to be of the calibration's temperature: β stays unknown.
                temperature_c: self.darks[i].metadata.temperature_c.unwrap_or(calibration.temperature_c),
            })
            .collect();
        let fitted = DarkModel::fit(&darks, &calibration.noise, &calibration.linearity);
        Some(fitted.map_err(|why| why.to_string()))
    }

    /// Takes a fitted model that is stored, with its row.
    pub fn adopt(&mut self, fitted: FittedModel) -> &FittedModel {
        self.new_since_fit = 0;
        self.model.insert(fitted)
    }

    /// A frame of light with its dark.
    pub fn serve<'a>(&'a self, frame: &'a Frame) -> FrameWithDark<'a> {
        let usable = self.model.as_ref().filter(|fitted| {
            let model = &fitted.model;
            model.offset.len() == frame.sums.len() && frame.temperature_c.is_none_or(|t| model.holds_at(t))
        });
        let of_this_detector = |d: &&KeptDark| d.frame.sums.len() == frame.sums.len();
        let known: Vec<&DarkMetadata> = self.darks.iter().filter(of_this_detector).map(|d| &d.metadata).collect();
        let choice = choose(&self.config, &known, frame, usable.map(|fitted| fitted.model.newest));
        let (dark, dark_time, reference) = match choice {
            DarkChoice::Matched { id, .. } => {
                let matched = self.darks.iter().rev().find(|d| d.metadata.id == id);
                let model = usable.map(|fitted| &fitted.model);
                let dark = matched.map(|d| DarkFor::Matched { dark: &d.frame, model });
                let reference = DarkReference::Matched { dark: id, model: usable.map(|fitted| fitted.row) };
                (dark, matched.map(|d| d.metadata.time), reference)
            }
            DarkChoice::Model { .. } => (
                usable.map(|fitted| DarkFor::Model(&fitted.model)),
                usable.map(|fitted| fitted.model.newest),
                usable.map_or(DarkReference::None, |fitted| DarkReference::Model(fitted.row)),
            ),
            DarkChoice::Missing => (None, None, DarkReference::None),
        };
        let provenance = DarkProvenance {
            stale: matches!(choice, DarkChoice::Matched { stale: true, .. } | DarkChoice::Model { stale: true }),
            suspect: self.rejected_at.zip(dark_time).is_some_and(|(rejected, used)| rejected > used),
            modelled: matches!(choice, DarkChoice::Model { .. }),
        };
        FrameWithDark { frame, dark, dark_time, reference, provenance }
    }

    /// Whether the shutter fails: its dark is lit, or a light frame is dark by daylight.
    pub fn shutter_fault(&self, frames: &[Frame], sun_elevation_deg: Option<f64>) -> bool {
        let daylight = sun_elevation_deg.is_some_and(|e| e > DAYLIGHT_DEG);
        let dark = |frame: &Frame| {
            let expected = self.predicted(frame);
            test_darkness(frame, &self.setup.shielded, self.setup.read_noise_counts, expected.as_deref()).is_ok()
        };
        // The last bracket is the longest and shows light most plainly.
        self.shutter_lit || (daylight && self.setup.has_shutter && frames.iter().rev().all(dark))
    }

    /// The model's prediction of a dark frame [counts per exposure].
    fn predicted(&self, frame: &Frame) -> Option<Vec<f64>> {
        let model = &self.model.as_ref()?.model;
        let temperature = frame.temperature_c?;
        model.holds_at(temperature).then(|| model.predict(frame.integration_s, temperature))
    }

    /// Indices of the darks the model is fitted to.
    fn selected(&self, now: UtcMicros) -> Vec<usize> {
        let known: Vec<&DarkMetadata> = self.darks.iter().map(|d| &d.metadata).collect();
        fit::select(&self.config, &known, self.changed_at, now)
    }

    /// Drops what can neither be matched any more nor be fitted.
    fn prune(&mut self, now: UtcMicros) {
        if self.darks.len() < fit::LARGEST_SET + BEYOND_SET {
            return;
        }
        let selected = self.selected(now);
        let max_age_s = self.config.max_age_s;
        let mut i = 0;
        self.darks.retain(|dark| {
            let keep = selected.binary_search(&i).is_ok() || now.seconds_since(dark.metadata.time) <= max_age_s;
            i += 1;
            keep
        });
    }
}

#[cfg(test)]
mod tests;
