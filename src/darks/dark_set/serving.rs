//! Which dark a frame of light gets, and whether the shutter works.

use super::{DarkSet, KeptDark};
use crate::darks::choice::{DarkChoice, ModelFacts, choose};
use crate::darks::frame_with_dark::FrameWithDark;
use crate::darks::metadata::DarkMetadata;
use crate::record::{DarkProvenance, DarkReference, Frame};
use crate::reduction::DarkFor;

/// The sun's elevation from which on a light frame cannot be dark [degrees].
const DAYLIGHT_DEG: f64 = 3.0;

impl DarkSet {
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
        let choice = choose(
            &self.config,
            &known,
            frame,
            usable.map(|fitted| ModelFacts { newest: fitted.model.newest, light_lx: fitted.model.light_lx }),
            self.state.departed_at,
        );
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
        let difference_counts =
            dark_time.map_or(0.0, |used| self.difference_counts(used)).ceil().min(f64::from(u16::MAX)) as u16;
        let rejected = self.rejected_at.zip(dark_time).is_some_and(|(rejected, used)| rejected > used);
        let provenance = DarkProvenance {
            stale: matches!(choice, DarkChoice::Matched { stale: true, .. } | DarkChoice::Model { stale: true }),
            suspect: rejected || difference_counts > 0,
            modelled: matches!(choice, DarkChoice::Model { .. }),
            difference_counts,
        };
        let dark_light_lx = match choice {
            DarkChoice::Matched { id, .. } => {
                let matched = self.darks.iter().rev().find(|d| d.metadata.id == id);
                matched.map_or(0.0, |d| d.metadata.light_lx(self.config.night_sky_lx))
            }
            DarkChoice::Model { .. } => usable.map_or(0.0, |fitted| fitted.model.light_lx),
            DarkChoice::Missing => 0.0,
        };
        FrameWithDark { frame, dark, dark_light_lx, dark_time, reference, provenance }
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
    pub(super) fn predicted(&self, frame: &Frame) -> Option<Vec<f64>> {
        let model = &self.model.as_ref()?.model;
        let temperature = frame.temperature_c?;
        let holds = model.holds_for(frame.integration_s) && model.holds_at(temperature);
        holds.then(|| model.predict(frame.integration_s, temperature))
    }
}
