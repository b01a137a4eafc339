//! What becomes of a dark that was taken: accepted, held back, rejected.
//!
//! Invariant: a dark that its predecessors do not allow is used only once a second one of the same integration time confirms it; then
//! the darks and models before them are no longer taken for the detector as it is.

use super::DarkSet;
use crate::clock::UtcMicros;
use crate::darks::darkness::{Expected, test_darkness};
use crate::darks::night;
use crate::darks::predecessors::{self, Departure, Prediction};
use crate::darks::rejection::{DarkOutcome, DarkRejection, RejectedDark};
use crate::numeric::upper_median;
use crate::record::spikes::{SpikeTest, compared, spikes};
use crate::record::{Dark, DarkSource, Exposure, Frame};
use std::collections::BTreeSet;

/// A dark that is not confirmed by then is forgotten [s].
const HELD_S: f64 = 7200.0;

/// A dark that its predecessors do not allow.
#[derive(Clone, Debug)]
pub(super) struct HeldDark {
    frame: Frame,
    departure: Departure,
}

impl DarkSet {
    /// Tests the exposures of a dark; `None` without any. `warming` says whether they were taken in warm-up.
    pub fn submit(&mut self, source: DarkSource, exposures: &[Exposure], warming: bool) -> Option<DarkOutcome> {
        let frame = self.frame_of(exposures)?;
        // In warm-up the offset drifts: the model's prediction would reject what is dark.
        let predicted = if warming { None } else { self.predicted(&frame) };
        let accepted = source == DarkSource::Covered && self.structure_accepted;
        let dark = match self.test(&frame, predicted.as_deref()) {
            Err(DarkRejection::Lit { .. }) if accepted => Ok(()),
            other => other,
        };
        Some(match dark.and_then(|()| self.hold_back(&frame, predicted.as_deref(), warming)) {
            Ok(()) => DarkOutcome::Accepted(Dark { id: 0, source, frame }),
            Err(reason @ DarkRejection::Unconfirmed { .. }) => {
                let (integration_s, span) = (frame.integration_s, (frame.start(), frame.end()));
                DarkOutcome::Rejected(RejectedDark { source, integration_s, span, reason, discarded: 0 })
            }
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

    /// The sum of the exposures of a dark, without those that a particle hit.
    fn frame_of(&self, exposures: &[Exposure]) -> Option<Frame> {
        let all: Vec<&Exposure> = exposures.iter().collect();
        let everywhere = vec![true; all.first()?.counts.len()];
        let median = |e: &&Exposure| {
            let mut counts: Vec<f64> = e.counts.iter().map(|c| f64::from(*c)).collect();
            upper_median(&mut counts).unwrap_or(0.0)
        };
        let offsets: Vec<f64> = all.iter().map(median).collect();
        let noise = self.setup.calibration.as_ref().map(|c| &c.noise);
        let test = SpikeTest {
            compared: &compared(&everywhere, &all, self.setup.clipped_from, 0),
            offsets: &offsets,
            slit_pixels: f64::INFINITY,
            read_noise_counts: self.setup.read_noise_counts,
            electrons_per_count: noise.map_or(1.0, |noise| noise.electrons_per_count),
        };
        let found = spikes(&all, &test);
        let is_rejected = |k: &usize| found.rejected.binary_search(k).is_ok();
        let (rejected, kept): (Vec<usize>, Vec<usize>) = (0..exposures.len()).partition(is_rejected);
        let kept: Vec<Exposure> = kept.into_iter().map(|k| exposures[k].clone()).collect();
        let frame = Frame::of(&kept, |counts| counts >= self.setup.clipped_from)?;
        Some(Frame { rejected: rejected.into_iter().map(|k| exposures[k].stamp()).collect(), ..frame })
    }

    pub(super) fn test(&self, frame: &Frame, model: Option<&[f64]>) -> Result<(), DarkRejection> {
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

    pub(super) fn unverified(&self, at: UtcMicros) -> BTreeSet<i64> {
        night::unverified(self.darks.iter().map(|d| &d.metadata), self.longest_set_s(), at)
    }

    /// Whether a dark frame may be used: its predecessors allow it, or it confirms the one that was held back.
    fn hold_back(&mut self, frame: &Frame, predicted: Option<&[f64]>, warming: bool) -> Result<(), DarkRejection> {
        if warming {
            return Ok(());
        }
        self.held.retain(|h| frame.start().seconds_since(h.frame.start()).abs() <= HELD_S);
        let same = |h: &HeldDark| Frame::same_integration(h.frame.integration_s, frame.integration_s);
        let held = self.held.iter().position(same).map(|i| self.held.remove(i));
        let Some(departure) = self.departure(frame, predicted) else { return Ok(()) };
        let (shielded, noise) = (&self.setup.shielded, self.setup.read_noise_counts);
        if let Some(held) = held.filter(|h| predecessors::confirms(&h.frame, frame, shielded, noise)) {
            self.state.changed_at = Some(held.frame.start());
            self.state.departed_at = Some(held.frame.start());
            self.state.departed_by = held.departure.counts.max(departure.counts);
            return Ok(());
        }
        self.held.push(HeldDark { frame: frame.clone(), departure });
        Err(DarkRejection::Unconfirmed { allowed: departure.allowed, found: departure.counts })
    }

    fn departure(&self, frame: &Frame, predicted: Option<&[f64]>) -> Option<Departure> {
        let of_now = |t: UtcMicros| self.state.departed_at.is_none_or(|departed| t >= departed);
        let model = self.model.as_ref().map(|fitted| &fitted.model).filter(|model| of_now(model.newest));
        let prediction = model.zip(predicted).zip(frame.temperature_c).map(|((model, counts), temperature_c)| {
            let signal = model.summary(temperature_c).1 * frame.integration_s;
            let by_law = signal * model.exponent_uncertainty * (temperature_c - model.reference_c).abs();
            let uncertainty = model.variance(frame.integration_s, temperature_c).sqrt().hypot(by_law);
            Prediction { counts, signal, uncertainty }
        });
        let others = self.darks.iter().filter(|d| !d.metadata.warming && of_now(d.metadata.time));
        let others = others.map(|d| (&d.metadata, &d.frame));
        let (shielded, noise) = (&self.setup.shielded, self.setup.read_noise_counts);
        predecessors::departure(frame, shielded, noise, prediction, others, &self.config)
    }

    /// By how much newer darks differ from one of this time, or from the model with this newest dark [counts]; 0 where none does.
    pub(super) fn difference_counts(&self, used: UtcMicros) -> f64 {
        let held = self.held.iter().filter(|h| h.frame.start() > used).map(|h| h.departure.counts);
        let departed = self.state.departed_at.filter(|t| *t > used).map(|_| self.state.departed_by);
        held.chain(departed).fold(0.0, f64::max)
    }
}
