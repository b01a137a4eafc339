//! What the darks say of readings: a drift of all of them, and pixels that left their baseline, as spans of doubt.
//!
//! What is found is quality's ([`crate::quality::monitor::dark`], [`crate::quality::monitor::pixels`]); what it touches is judged here once
//! there is light. What must stay true: a doubt goes on record once, whatever was interrupted.

use super::MonitorSet;
use crate::acquisition::StationError;
use crate::clock::UtcMicros;
use crate::quality::LimitState;
use crate::quality::monitor::dark::DarkDrift;
use crate::quality::monitor::pixels::{PixelAnomaly, PixelDrift};
use crate::quality::unaffected::{self, Error};
use crate::quality::verdict::DOUBTFUL_DARK;
use crate::quantities::{self, Matrix};
use crate::record::{Flag, FlaggedInterval, Reading};
use crate::reduction::Reduced;
use crate::store::Store;
use std::collections::BTreeSet;

/// Light by which to judge what a doubt about the dark touches [µmol m⁻² s⁻¹] …
const LIT_PPFD: f64 = 20.0;
/// … and how long it is waited for [s].
const LIT_WITHIN_S: f64 = 86_400.0;

/// A pixel is judged again when the light is this many times what it was judged by [1].
const JUDGED_AGAIN: f64 = 1.2;

/// What the darks say.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct DarkDoubt {
    pub(super) standing: LimitState,
    /// By how much the dark current that was subtracted may have been off [1].
    share: f64,
    /// When it was found.
    found: Option<UtcMicros>,
}

impl MonitorSet {
    /// Takes notice of what the darks say, before a reading is looked at.
    pub fn take_darks(&mut self, drift: &DarkDrift, pixels: &PixelDrift, now: UtcMicros) {
        if self.pixels != *pixels {
            self.changed |= self.pixels.odd != pixels.odd || self.pixels.baseline != pixels.baseline;
            self.pixels.clone_from(pixels);
        }
        let standing = drift.doubt();
        let found = standing.exceeded_since.and(self.dark.found.or(Some(now)));
        let grown = drift.rate.exceeded_since.and(drift.rate.latest).unwrap_or(0.0);
        self.dark = DarkDoubt { standing, share: grown.abs().max(DOUBTFUL_DARK), found };
    }

    /// Judges what doubts about the dark touch that are not on record yet, once there is light to judge it by.
    pub(super) fn look_at_dark(&mut self, reading: &Reading, reduced: &Reduced, matrix: &Matrix, ppfd: usize) {
        // By night ratios and colours are null, and would all count as touched.
        let light = reading.values.get(ppfd).and_then(|v| v.value()).unwrap_or(0.0);
        let lit = light >= LIT_PPFD;
        let late = |found: Option<UtcMicros>| found.is_some_and(|t| reading.time_mid.seconds_since(t) >= LIT_WITHIN_S);
        if self.unmarked_dark().is_some() && (lit || late(self.dark.found)) {
            let column: Vec<f64> = reduced.dark_irradiance.iter().map(|d| d * self.dark.share).collect();
            self.set_unaffected(Flag::DarkDrift, self.dark.standing, reduced, matrix, (&column, Error::Added));
        }
        // A low sun has little of the wavelengths where one pixel counts: each is judged anew as the light grows.
        let grown = |i: usize| self.reported.pixels.get(&i).is_none_or(|known| light >= JUDGED_AGAIN * known);
        let unknown_for_long =
            |i: usize, odd: &PixelAnomaly| !self.reported.pixels.contains_key(&i) && late(odd.exceeded_since);
        let judged: Vec<(usize, (f64, FlaggedInterval))> = self
            .pixels
            .confirmed()
            .filter(|(i, odd)| (lit && grown(*i)) || unknown_for_long(*i, odd))
            .map(|(i, odd)| (i, (light, self.doubt_of_pixel(i, odd, reading, reduced, matrix))))
            .collect();
        self.odd_pixels.extend(judged);
    }

    /// What a pixel that left its dark baseline touches: by the dark rate it has more or less, which may not be in the darks that
    /// served, and by how it stands beside its neighbours in this light.
    fn doubt_of_pixel(
        &self,
        pixel: usize,
        odd: &PixelAnomaly,
        reading: &Reading,
        reduced: &Reduced,
        matrix: &Matrix,
    ) -> FlaggedInterval {
        let scale = &reduced.scale;
        let column = |value: f64| {
            let mut column = vec![0.0; reduced.irradiance.len()];
            if let Some(here) = column.get_mut(pixel).filter(|_| scale.valid[pixel]) {
                *here = value;
            }
            column
        };
        let rate = self.pixels.rate_at(odd, reading.detector_temperature);
        let added = column(rate * scale.inverse_response.get(pixel).copied().unwrap_or(0.0));
        let light = |i: usize| reduced.irradiance.get(i).copied().unwrap_or(0.0);
        let beside = 0.5 * (light(pixel.saturating_sub(1)) + light(pixel + 1));
        let shown = column(light(pixel) - beside);
        let of =
            |column: &[f64], error| unaffected::unaffected(matrix, &reduced.irradiance, (column, error), &self.limits);
        let mut unaffected = of(&added, Error::Added);
        let by_light = of(&shown, Error::Share);
        unaffected.retain(|id| by_light.contains(id));
        let nm = scale.wavelength_nm.get(pixel).copied().unwrap_or(f64::NAN);
        let (counts, long) = (odd.counts, odd.integration_s);
        let text = format!("pixel {pixel} ({nm:.1} nm): {counts:+.0} counts from its dark baseline in {long:.3} s");
        let (from, instrument) = (odd.exceeded_since.unwrap_or(reading.time_mid), Some(self.instrument.clone()));
        FlaggedInterval {
            id: 0,
            from,
            until: None,
            instrument,
            pixel: Some(pixel),
            flag: Flag::PixelFault,
            unaffected,
            text,
        }
    }

    /// Beginning of a doubt about the dark that is not on record yet.
    fn unmarked_dark(&self) -> Option<UtcMicros> {
        self.dark.standing.exceeded_since.filter(|from| self.reported.dark_marked != Some(*from))
    }

    /// Readings from the last dark that passed until the drift was found; later ones carry the flag themselves, by the size of
    /// what it does to each.
    pub(super) fn mark_dark_back(&mut self, store: &Store, now: UtcMicros) -> Result<(), StationError> {
        let (Some(from), Some(unaffected)) = (self.unmarked_dark(), self.spares_of(Flag::DarkDrift)) else {
            return Ok(());
        };
        let until = self.dark.found.unwrap_or(now).max(from);
        let text = format!("the dark was found past its limit at {until}, and the check before it passed");
        let instrument = Some(self.instrument.clone());
        let span = FlaggedInterval {
            id: 0,
            from,
            until: Some(until),
            instrument,
            pixel: None,
            flag: Flag::DarkDrift,
            unaffected,
            text,
        };
        let same = |s: &FlaggedInterval| s.flag == span.flag && s.instrument == span.instrument && s.from == from;
        let known = store.spans(from, UtcMicros(from.0.saturating_add(1)))?.iter().any(same);
        if !known {
            store.add_span(&span)?;
            self.tell(now, format!("{}: in doubt from {from} until it was found at {until}", Flag::DarkDrift.name()));
        }
        self.unaffected.retain(|s| s.0 != Flag::DarkDrift);
        self.reported.dark_marked = Some(from);
        self.changed = true;
        Ok(())
    }

    /// Each anomalous pixel has a flagged interval of its own, where it affects anything. The interval names its pixel; the
    /// reported state may lag behind it, since a stop may have come between the two.
    pub(super) fn settle_pixels(&mut self, store: &Store, now: UtcMicros) -> Result<(), StationError> {
        let confirmed: BTreeSet<usize> = self.pixels.confirmed().map(|(i, _)| i).collect();
        let doubted =
            |s: &FlaggedInterval| s.flag != Flag::PixelFault || s.pixel.is_some_and(|i| confirmed.contains(&i));
        while let Some(at) = self.open.iter().position(|s| !doubted(s)) {
            store.end_span(self.open[at].id, now)?;
            self.open.remove(at);
        }
        let over: Vec<usize> = self.reported.pixels.keys().copied().filter(|i| !confirmed.contains(i)).collect();
        for pixel in over {
            self.reported.pixels.remove(&pixel);
            self.changed = true;
            self.tell(now, format!("{}: no doubt about pixel {pixel} any more", Flag::PixelFault.name()));
        }
        while let Some((pixel, (light, mut span))) = self.odd_pixels.pop_first() {
            let known = self.reported.pixels.contains_key(&pixel);
            let touches = span.unaffected.len() < quantities::registry().len();
            let its = |s: &&mut FlaggedInterval| s.flag == Flag::PixelFault && s.pixel == Some(pixel);
            if let Some(open) = self.open.iter_mut().find(its) {
                span.unaffected.retain(|id| open.unaffected.contains(id));
                if span.unaffected.len() < open.unaffected.len() {
                    store.widen_span(open.id, open.from, &span.unaffected)?;
                    open.unaffected = span.unaffected;
                }
            } else if touches || !known {
                let reach =
                    if touches { format!("in doubt from {} on", span.from) } else { "it touches nothing".into() };
                self.tell(now, format!("{}: {}, {reach}", Flag::PixelFault.name(), span.text));
                if touches {
                    span.id = store.add_span(&span)?;
                    self.open.push(span);
                }
            }
            self.reported.pixels.insert(pixel, light);
            self.changed = true;
        }
        Ok(())
    }
}
