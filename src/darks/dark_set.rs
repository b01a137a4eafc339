//! The set of darks of one instrument, in memory: tested, fitted, and handed out.
//!
//! Holds no store and takes no exposure: [`DarkSet::submit`] and [`DarkSet::fit`] answer with what is to be stored, and
//! [`DarkSet::insert`] and [`DarkSet::adopt`] take it back with its row once it is. Invariants: a rejected dark is never used
//! for correction; nothing that is not stored is used, so that every value can be computed again.

use super::choice::{DarkChoice, choose};
use super::darkness::{Expected, open_level, test_darkness};
use super::detector_structure::DetectorStructure;
use super::fit;
use super::frame_with_dark::FrameWithDark;
use super::metadata::DarkMetadata;
use super::night::{self, DarkSetState};
use super::pause::DarkPause;
use super::plan::{DarkRequest, ModelState, plan_darks};
use super::rejection::{DarkOutcome, DarkRejection, RejectedDark};
use super::set_times::set_times_s;
use super::setup::DarkSetup;
use crate::clock::UtcMicros;
use crate::config::DarksConfig;
use crate::record::{Dark, DarkProvenance, DarkReference, DarkSource, Exposure, Frame};
use crate::reduction::{DarkFor, DarkModel, FittingDark};
use crate::sun::Place;
use std::collections::BTreeSet;

/// Darks in memory beyond those the model is fitted to, before what can no longer be used is dropped.
const BEYOND_SET: usize = 16;
/// Covered darks within this of the newest belong to the same session [s].
const COVERED_SESSION_S: f64 = 7200.0;
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
    /// The newest model without a night dark that could still be discarded.
    verified_model: Option<FittedModel>,
    /// Darks taken with the head covered, the newest session, which show the structure of the detector.
    covered: Vec<Dark>,
    structure: Option<DetectorStructure>,
    structure_vouched: bool,
    new_since_fit: usize,
    rejected_at: Option<UtcMicros>,
    shutter_lit: bool,
    state: DarkSetState,
}

#[derive(Debug)]
struct KeptDark {
    metadata: DarkMetadata,
    frame: Frame,
}

/// What a set of darks starts from.
#[derive(Clone, Debug, Default)]
pub struct DarksOnRecord {
    /// Darks of the last days, in the order of time, without those that are no longer used.
    pub darks: Vec<Dark>,
    /// The newest darks taken with the head covered, however old, in the order of time.
    pub covered: Vec<Dark>,
    /// The model to use.
    pub model: Option<FittedModel>,
    /// Saved as [`night::DARK_SET_STATE`].
    pub state: DarkSetState,
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

impl DarkSet {
    /// Of what is on record.
    pub fn new(config: DarksConfig, place: Place, setup: DarkSetup, on_record: DarksOnRecord, now: UtcMicros) -> Self {
        let kept = |dark: Dark| KeptDark { metadata: DarkMetadata::of(&dark, place, false), frame: dark.frame };
        let mut set = Self {
            config,
            place,
            darks: on_record.darks.into_iter().map(kept).collect(),
            verified_model: on_record.model.clone(),
            model: on_record.model,
            covered: on_record.covered,
            structure: None,
            structure_vouched: false,
            new_since_fit: 0,
            rejected_at: None,
            shutter_lit: false,
            state: on_record.state,
            setup,
        };
        set.learn_structure();
        set.prune(now);
        set
    }

    /// Replaces what darks depend on, when another calibration becomes active.
    pub fn configure(&mut self, setup: DarkSetup) {
        self.setup = setup;
        self.learn_structure();
    }

    /// What has to be saved, under [`night::DARK_SET_STATE`], so that a restart changes nothing.
    pub fn state(&self) -> &DarkSetState {
        &self.state
    }

    /// Takes structure in covered darks for the detector's own: the operator vouches for the cover.
    pub fn vouch_for_structure(&mut self) {
        self.structure_vouched = true;
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
        let longest_s = self.longest_set_s();
        let mut requests = plan_darks(&self.config, &self.setup, &known, model, pause);
        requests.retain(|r| {
            r.source != DarkSource::Night || self.state.allows_request(r.integration_s, longest_s, pause.now)
        });
        requests
    }

    /// Tests the exposures of a dark; `None` without any. `warming` says whether they were taken in warm-up.
    pub fn submit(&mut self, source: DarkSource, exposures: &[Exposure], warming: bool) -> Option<DarkOutcome> {
        let frame = Frame::of(exposures, |counts| counts >= self.setup.clipped_from)?;
        // In warm-up the offset drifts: the model's prediction would reject what is dark.
        let predicted = if warming { None } else { self.predicted(&frame) };
        let vouched = source == DarkSource::Covered && self.structure_vouched;
        Some(match self.test(&frame, predicted.as_deref()) {
            Err(DarkRejection::Lit { .. }) if vouched => DarkOutcome::Accepted(Dark { id: 0, source, frame }),
            Ok(()) => DarkOutcome::Accepted(Dark { id: 0, source, frame }),
            Err(reason) => {
                self.rejected_at = Some(frame.end());
                self.shutter_lit |= source == DarkSource::Shutter;
                let lit = matches!(reason, DarkRejection::Lit { .. } | DarkRejection::Clipped { .. });
                let discarded = if lit && source == DarkSource::Night { self.discard_night(frame.start()) } else { 0 };
                let (integration_s, span) = (frame.integration_s, (frame.start(), frame.end()));
                DarkOutcome::Rejected(RejectedDark { source, integration_s, span, reason, discarded })
            }
        })
    }

    fn test(&self, frame: &Frame, model: Option<&[f64]>) -> Result<(), DarkRejection> {
        let expected = Expected { model, detector: self.structure.as_ref() };
        test_darkness(frame, &self.setup.shielded, self.setup.read_noise_counts, expected)
    }

    /// Stops using the darks of this night that no long dark has verified, and the models fitted to them. Answers with the number of darks.
    fn discard_night(&mut self, at: UtcMicros) -> usize {
        self.state.lit_at = Some(at);
        let rows = self.unverified(at);
        let Some(from) = self.darks.iter().filter(|d| rows.contains(&d.metadata.id)).map(|d| d.metadata.time).min()
        else {
            return 0;
        };
        self.darks.retain(|d| !rows.contains(&d.metadata.id));
        if let Some(model) = self.model.take_if(|fitted| fitted.model.newest >= from) {
            self.model.clone_from(&self.verified_model);
            self.state.models_discarded_to = Some(model.row);
            self.state.fallback = self.model.as_ref().map(|fitted| fitted.row);
            self.new_since_fit = self.new_since_fit.max(1);
        }
        self.state.discard(rows.iter().copied());
        rows.len()
    }

    fn unverified(&self, at: UtcMicros) -> BTreeSet<i64> {
        night::unverified(self.darks.iter().map(|d| &d.metadata), self.longest_set_s(), at)
    }

    /// The longest integration time of the set [s].
    fn longest_set_s(&self) -> f64 {
        let times = set_times_s(&self.config, &self.setup.grid, self.setup.longest_s);
        times.last().copied().unwrap_or(f64::INFINITY)
    }

    /// The structure of the detector, from the newest session of covered darks.
    fn learn_structure(&mut self) {
        let Some(newest) = self.covered.last().map(|d| d.frame.start()) else { return };
        self.covered.retain(|d| newest.seconds_since(d.frame.start()) <= COVERED_SESSION_S);
        let Some(calibration) = self.setup.calibration.as_ref() else { return };
        let fitting = |d: &'_ Dark| d.frame.temperature_c.unwrap_or(calibration.temperature_c);
        let darks: Vec<FittingDark<'_>> =
            self.covered.iter().map(|d| FittingDark { frame: &d.frame, temperature_c: fitting(d) }).collect();
        let model = DarkModel::fit(&darks, &calibration.noise, &calibration.linearity).ok();
        self.structure = model.and_then(|model| DetectorStructure::of(&model, &self.setup.shielded));
    }

    /// Takes an accepted dark that is stored, with its row.
    pub fn insert(&mut self, dark: Dark, warming: bool) {
        let now = dark.frame.end();
        match dark.source {
            DarkSource::Shutter => self.shutter_lit = false,
            DarkSource::Night if night::verifies(dark.frame.integration_s, self.longest_set_s()) => {
                self.state.lit_at = None;
            }
            DarkSource::Night => {}
            DarkSource::Covered => {
                self.covered.push(dark.clone());
                self.learn_structure();
            }
        }
        if !warming {
            self.new_since_fit += 1;
            let level = open_level(&dark.frame, &self.setup.shielded);
            if self.model.as_ref().is_some_and(|fitted| fit::has_changed(&fitted.model, &dark.frame, level)) {
                self.state.changed_at = Some(dark.frame.start());
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
        if self.unverified(fitted.fitted_at).is_empty() {
            self.verified_model = Some(fitted.clone());
        }
        self.model.insert(fitted)
    }

    /// A frame of light with its dark.
    pub fn serve<'a>(&'a self, frame: &'a Frame) -> FrameWithDark<'a> {
        let usable = self.model.as_ref().filter(|fitted| {
            let model = &fitted.model;
            model.offset.len() == frame.sums.len()
                && model.holds_for(frame.integration_s)
                && frame.temperature_c.is_none_or(|t| model.holds_at(t))
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
            let predicted = self.predicted(frame);
            self.test(frame, predicted.as_deref()).is_ok()
        };
        // The last bracket is the longest and shows light most plainly.
        self.shutter_lit || (daylight && self.setup.has_shutter && frames.iter().rev().all(dark))
    }

    /// The model's prediction of a dark frame [counts per exposure].
    fn predicted(&self, frame: &Frame) -> Option<Vec<f64>> {
        let model = &self.model.as_ref()?.model;
        let temperature = frame.temperature_c?;
        let holds = model.holds_for(frame.integration_s) && model.holds_at(temperature);
        holds.then(|| model.predict(frame.integration_s, temperature))
    }

    /// Indices of the darks the model is fitted to.
    fn selected(&self, now: UtcMicros) -> Vec<usize> {
        let known: Vec<&DarkMetadata> = self.darks.iter().map(|d| &d.metadata).collect();
        fit::select(&self.config, &known, self.state.changed_at, now)
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
