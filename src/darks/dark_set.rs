//! The set of darks of one instrument, in memory: tested, fitted, and handed out.
//!
//! Holds no store and takes no exposure: [`DarkSet::submit`] and [`DarkSet::fit`] answer with what is to be stored, and
//! [`DarkSet::insert`] and [`DarkSet::adopt`] take it back with its row once it is. Invariants: a rejected dark is never used
//! for correction; nothing that is not stored is used, so that every value can be computed again.

mod serving;
mod submission;

use super::darkness::open_level;
use super::detector_structure::DetectorStructure;
use super::fit;
use super::metadata::DarkMetadata;
use super::night::{self, DarkSetState};
use super::pause::DarkPause;
use super::plan::{DarkRequest, ModelState, plan_darks};
use super::set_times::set_times_s;
use super::setup::DarkSetup;
use crate::clock::UtcMicros;
use crate::config::DarksConfig;
use crate::record::{Dark, DarkSource, Frame};
use crate::reduction::{DarkModel, FittingDark};
use crate::sun::Place;
use submission::HeldDark;

/// Darks in memory beyond those the model is fitted to, before what can no longer be used is dropped.
const BEYOND_SET: usize = 16;
/// Covered darks within this of the newest belong to the same session [s].
const COVERED_SESSION_S: f64 = 7200.0;

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
    structure_accepted: bool,
    new_since_fit: usize,
    rejected_at: Option<UtcMicros>,
    shutter_lit: bool,
    /// Darks that their predecessors do not allow, until others confirm them.
    held: Vec<HeldDark>,
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
            structure_accepted: false,
            new_since_fit: 0,
            rejected_at: None,
            shutter_lit: false,
            held: Vec::new(),
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

    /// Accepts structure in covered darks as the detector's own; the operator states that the cover is tight.
    pub fn accept_structure(&mut self) {
        self.structure_accepted = true;
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
        let darks: Vec<FittingDark<'_>> = self
            .covered
            .iter()
            .map(|d| FittingDark { frame: &d.frame, temperature_c: fitting(d), light_lx: 0.0 })
            .collect();
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
            let departed = self.state.departed_at;
            let active = self.model.as_ref().filter(|m| departed.is_none_or(|t| m.model.newest >= t));
            if active.is_some_and(|fitted| fit::has_changed(&fitted.model, &dark.frame, level)) {
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
                light_lx: self.darks[i].metadata.light_lx(self.config.night_sky_lx),
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
