//! Raises flags on quantities and derives the verdict of each value.
//!
//! Some flags hold for all quantities. The others stand for a plausible error, and are raised on a quantity where the effect of that
//! error is a considerable share of the quantity's uncertainty limit. Pure. Invariants:
//!
//! - no value is changed, and none that has a flag is discarded;
//! - a flag is raised only on quantities within its scope ([`Quantity::flag_scope`](quantities::Quantity::flag_scope)).

use super::key_quantities::key_quantities;
use super::limits::{PlausibilityLimit, physically_possible};
use super::pixel_anomaly;
use crate::calibration::Calibration;
use crate::config::LimitsConfig;
use crate::quantities::{self, Matrix, NullReason, Outcome, Quantity};
use crate::record::{AcquisitionContext, DarkProvenance, Effect, Flag, Flags, QuantityValue, Verdict};
use crate::reduction::{Reduced, mode_names};

/// Share of a quantity's uncertainty limit above which the effect of a plausible error, expanded with k = 2, raises a flag [1].
const SHARE_OF_LIMIT: f64 = 0.5;
/// Share of a quantity that comes from one bracket, above which the flags of the bracket are raised on the quantity [1].
const SHARE_OF_BRACKET: f64 = 0.05;
/// Merge weight above which a pixel is attributed to a bracket [1].
const MAIN_WEIGHT: f64 = 0.5;
/// Share of a quantity that was subtracted as stray-light floor above which `stray_light` is shown beside it [1], and above which the value is
/// suspect: more than half of what was measured there is not light of these wavelengths.
const STRAY_SHOWN: f64 = 0.05;
const STRAY_SUSPECT: f64 = 0.5;
/// A floor whose effect is below this share of the uncertainty limit says nothing about a value, however weak the light [1].
const STRAY_OF_LIMIT: f64 = 0.1;
/// Plausible relative error of the dark current subtracted with a stale, suspect or drifting dark [1]: two kelvin at a doubling
/// every 7 K.
pub const PLAUSIBLE_DARK_ERROR: f64 = 0.2;
/// Without a known cosine response: plausible relative error of the beam over the squared tangent of its zenith angle, 2 % at 60° and
/// 10 % at 75° as with common diffusers, and the largest error that is assumed [1].
const UNKNOWN_COSINE_ERROR: f64 = 0.007;
const UNKNOWN_COSINE_MOST: f64 = 0.3;
/// Standard uncertainties by which a signal must exceed zero for a share of it to mean anything: the customary detection limit.
const DETECTION: f64 = 3.0;
/// A sum of light is outside its limits from so many standard uncertainties below zero on.
const BELOW_ZERO: f64 = 5.0;

/// The conditions under which a reading was taken and processed.
#[derive(Clone, Debug)]
pub struct ReadingConditions<'a> {
    /// The calibration that the reading is processed with.
    pub calibration: &'a Calibration,
    /// Uncertainty limits and others of the configuration.
    pub limits: &'a LimitsConfig,
    /// What the plausibility limits depend on.
    pub plausibility_limit: PlausibilityLimit,
    /// What was known when the reading was taken.
    pub context: &'a AcquisitionContext,
    /// Mean detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// The calibration was no longer valid.
    pub calibration_expired: bool,
    /// A bracket, or a part of one, is missing: a fault interrupted the reading, or there is no dark for it.
    pub incomplete: bool,
    /// The brackets that were used, in the order of the merge weights.
    pub brackets: &'a [BracketConditions],
}

/// The conditions of one bracket.
#[derive(Clone, Copy, Debug)]
pub struct BracketConditions {
    /// Relative variation of the light between its exposures [1].
    pub light_variation: f64,
    /// Its exposures contain mains ripple, and its uncertainty cannot be estimated from them.
    pub unknown_ripple: bool,
    /// Its dark.
    pub dark: DarkProvenance,
    /// Its integration time [s].
    pub integration_s: f64,
}

/// Values with verdicts, and their flags.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// Flags of the reading: those of the station's key quantities that have a value, those of all quantities, and those for
    /// information.
    pub flags: Flags,
    /// Values in the order of the registry.
    pub values: Vec<QuantityValue>,
    /// Flags of each quantity, in the order of the registry.
    pub quantity_flags: Vec<Flags>,
    /// Share of the signal of the UV index that was subtracted as stray light [1].
    pub uv_index_stray_share: Option<f64>,
}

/// Relative and absolute uncertainty limit of a quantity (k = 2), from the configuration or else from the registry.
pub fn uncertainty_limits(limits: &LimitsConfig, index: usize) -> (f64, f64) {
    let quantity = &quantities::registry()[index];
    let configured = limits.uncertainty.iter().find(|(id, _, _)| id == quantity.id);
    configured
        .map_or((quantity.limit.relative, quantity.limit.absolute), |(_, relative, absolute)| (*relative, *absolute))
}

/// Judges a reading. outcomes: those of the registry, evaluated with the errors of `reduced`.
pub fn judge(reduced: &Reduced, matrix: &Matrix, outcomes: &[Outcome], conditions: &ReadingConditions<'_>) -> Judged {
    let of_all_quantities = flags_of_all_quantities(conditions);
    let mut quantity_flags = vec![of_all_quantities; outcomes.len()];
    let judgement = Judgement { reduced, matrix, outcomes, conditions };
    judgement.raise_by_value(&mut quantity_flags);
    let removed = judgement.raise_by_error(&mut quantity_flags);
    judgement.raise_by_bracket(&mut quantity_flags);
    let stray_light = judgement.stray_light(&removed);
    for (flags, stray) in quantity_flags.iter_mut().zip(&stray_light) {
        flags.raise_if(*stray == Some(Effect::Suspect), Flag::StrayLight);
    }
    let value = |q: usize| match hidden_by_stray_light(&quantities::registry()[q], &outcomes[q], removed.get(q)) {
        Some(reason) => QuantityValue::Null(reason.to_string()),
        None => value_of(&outcomes[q], quantity_flags[q]),
    };
    let values: Vec<QuantityValue> = (0..outcomes.len()).map(value).collect();
    let keys = key_quantities(conditions.plausibility_limit.kind).iter().filter_map(|id| quantities::index_of(id));
    let of_keys = keys.filter(|q| values[*q].value().is_some()).map(|q| quantity_flags[q]);
    let flags = of_keys.fold(informative_flags(conditions).union(of_all_quantities), Flags::union);
    let uv_index_stray_share =
        quantities::index_of("uv_index").and_then(|q| stray_share(&outcomes[q], *removed.get(q)?));
    // For information: after the verdicts, and not of the reading.
    for (flags, stray) in quantity_flags.iter_mut().zip(&stray_light) {
        flags.raise_if(*stray == Some(Effect::Nothing), Flag::StrayLight);
    }
    Judged { flags, values, quantity_flags, uv_index_stray_share }
}

/// Why a ratio of two bands has no value although the light of its second band exceeds its uncertainty: stray light of the first is
/// stronger than the floor near its own wavelengths, and a band that the floor changes by a third may hold nothing else.
fn hidden_by_stray_light(quantity: &Quantity, outcome: &Outcome, removed: Option<&f64>) -> Option<NullReason> {
    let (value, removed) = (outcome.value.as_ref().ok()?, removed?);
    quantity.recipe.compared_band()?;
    (!(DETECTION * removed.abs() <= value.abs())).then(|| quantity.recipe.too_little_light())
}

/// The share of a signal that was subtracted as stray light; `None` where the signal does not clearly exceed its uncertainty.
fn stray_share(outcome: &Outcome, removed: f64) -> Option<f64> {
    let signal = outcome.value.as_ref().ok()? + removed;
    (signal > DETECTION * outcome.uncertainty).then_some(removed / signal).filter(|share| share.is_finite())
}

/// A reading in which all quantities are null for one reason: no active calibration, or no dark. `flag` stands for the reason.
pub fn judge_without_values(flag: Flag, reason: &str, context: &AcquisitionContext) -> Judged {
    let n = quantities::registry().len();
    let mut flags = context_flags(context);
    flags.raise_if(context.link_fault, Flag::LinkFault);
    flags.raise_if(context.clock_unsynced, Flag::ClockUnsynced);
    flags.raise(flag);
    let values = vec![QuantityValue::Null(reason.to_owned()); n];
    let quantity_flags = vec![Flags::from_iter([flag]); n];
    Judged { flags, values, quantity_flags, uv_index_stray_share: None }
}

fn value_of(outcome: &Outcome, flags: Flags) -> QuantityValue {
    match &outcome.value {
        Err(reason) => QuantityValue::Null(reason.to_string()),
        Ok(value) if !value.is_finite() || !outcome.uncertainty.is_finite() => {
            QuantityValue::Null("not a finite number".to_owned())
        }
        Ok(value) => {
            let verdict = match flags.effect() {
                Effect::Nothing => Verdict::Good,
                Effect::Suspect => Verdict::Suspect,
                Effect::Bad | Effect::Null => Verdict::Bad,
            };
            QuantityValue::Value { value: *value, uncertainty: outcome.uncertainty, verdict }
        }
    }
}

/// Flags of the acquisition context that hold for all quantities.
fn context_flags(context: &AcquisitionContext) -> Flags {
    let mut flags = Flags::NONE;
    flags.raise_if(context.repeated_frame, Flag::RepeatedFrame);
    flags.raise_if(context.shutter_fault, Flag::ShutterFault);
    flags.raise_if(context.warming, Flag::Warming);
    flags.raise_if(context.check_source, Flag::CheckSource);
    flags
}

/// Flags that hold for all quantities.
fn flags_of_all_quantities(conditions: &ReadingConditions<'_>) -> Flags {
    let calibration = conditions.calibration;
    let mut flags = context_flags(conditions.context);
    flags.raise_if(conditions.calibration_expired, Flag::CalibrationExpired);
    let (lowest, highest) = calibration.temperature_range_c;
    let depends_on_temperature = calibration.wavelength.shift_nm_per_k != 0.0
        || calibration.temperature.relative_per_k.iter().any(|k| *k != 0.0);
    let unsuitable = conditions.temperature_c.map_or(depends_on_temperature, |t| !(t >= lowest && t <= highest));
    flags.raise_if(unsuitable, Flag::Temperature);
    flags
}

/// Flags for information, which change no verdict.
fn informative_flags(conditions: &ReadingConditions<'_>) -> Flags {
    let mut flags = Flags::NONE;
    flags.raise_if(conditions.brackets.iter().any(|b| b.dark.modelled), Flag::DarkModelled);
    flags.raise_if(conditions.context.link_fault, Flag::LinkFault);
    flags.raise_if(conditions.context.clock_unsynced, Flag::ClockUnsynced);
    flags
}

/// An error that the spectrum may have where a flag applies, pixel by pixel [W m⁻² nm⁻¹].
struct PlausibleError {
    flag: Flag,
    /// The share of a quantity's uncertainty limit from which on its effect raises the flag [1].
    share_of_limit: f64,
    column: Vec<f64>,
}

/// What the flags of single quantities are derived from.
struct Judgement<'a> {
    reduced: &'a Reduced,
    matrix: &'a Matrix,
    outcomes: &'a [Outcome],
    conditions: &'a ReadingConditions<'a>,
}

impl Judgement<'_> {
    fn has_value(&self, quantity: usize) -> bool {
        self.outcomes[quantity].value.is_ok()
    }

    /// Expanded uncertainty (k = 2) up to which a quantity is good at its value; infinite without a value.
    fn uncertainty_limit(&self, quantity: usize) -> f64 {
        let (relative, absolute) = uncertainty_limits(self.conditions.limits, quantity);
        self.outcomes[quantity].value.as_ref().map_or(f64::INFINITY, |value| (relative * value.abs()).max(absolute))
    }

    /// Raises the flags that follow from a value, its uncertainty and its saturated pixels.
    fn raise_by_value(&self, flags: &mut [Flags]) {
        let saturated: Vec<usize> = (0..self.reduced.saturated.len()).filter(|i| self.reduced.saturated[*i]).collect();
        for (q, outcome) in self.outcomes.iter().enumerate() {
            flags[q].raise_if(saturated.iter().any(|i| self.matrix.uses(q, *i)), Flag::Saturated);
            let Ok(value) = outcome.value else { continue };
            let possible = physically_possible(&self.conditions.plausibility_limit, &quantities::registry()[q]);
            let impossible = possible.is_some_and(|(lowest, highest)| !(value >= lowest && value <= highest));
            let is_sum = quantities::registry()[q].recipe.is_linear();
            let negative = is_sum && value < -BELOW_ZERO * outcome.uncertainty;
            flags[q].raise_if(impossible || negative, Flag::OutOfLimits);
            // A missing bracket would have reduced the uncertainty: just within the limit is not sufficient.
            let share = if self.conditions.incomplete { SHARE_OF_LIMIT } else { 1.0 };
            flags[q].raise_if(!(2.0 * outcome.uncertainty <= share * self.uncertainty_limit(q)), Flag::Uncertain);
        }
    }

    /// Raises the flags that stand for a plausible error of the spectrum, or for a component of its uncertainty. Returns what the
    /// subtraction of the stray-light floor took from each quantity; empty where none was subtracted.
    fn raise_by_error(&self, flags: &mut [Flags]) -> Vec<f64> {
        let errors = self.plausible_errors();
        let removed = self.removed_floor();
        let columns: Vec<&[f64]> =
            errors.iter().map(|error| &error.column[..]).chain(removed.iter().map(|column| &column[..])).collect();
        let mut effects = quantities::effects(self.matrix, &self.reduced.irradiance, &columns);
        let removed = if removed.is_some() { effects.pop().unwrap_or_default() } else { Vec::new() };
        for (error, effects) in errors.iter().zip(effects) {
            for (q, outcome) in self.outcomes.iter().enumerate() {
                if outcome.value.is_err() {
                    continue;
                }
                let effect = effects[q].abs();
                // Written so that NaN raises the flag.
                flags[q].raise_if(!(2.0 * effect <= error.share_of_limit * self.uncertainty_limit(q)), error.flag);
            }
        }
        removed
    }

    /// The stray-light floor that was subtracted, as irradiance; `None` where none was.
    fn removed_floor(&self) -> Option<Vec<f64>> {
        let rate = self.reduced.floor_rate?;
        Some((0..self.reduced.irradiance.len()).map(|i| rate * self.reduced.per_rate(i)).collect())
    }

    fn plausible_errors(&self) -> Vec<PlausibleError> {
        let dark_drift = || self.reduced.dark_irradiance.iter().map(|d| d * PLAUSIBLE_DARK_ERROR).collect();
        let cosine = self.component(mode_names::COSINE).filter(|_| self.sun_may_be_low());
        // The whole limit for what is a part of the stated uncertainty already.
        let errors = [
            (Flag::DarkStale, SHARE_OF_LIMIT, self.error_of_darks(|dark| dark.stale)),
            (Flag::DarkSuspect, SHARE_OF_LIMIT, self.error_of_darks(|dark| dark.suspect)),
            (Flag::DarkDrift, SHARE_OF_LIMIT, self.conditions.context.dark_drift.then(dark_drift)),
            (Flag::LowSun, SHARE_OF_LIMIT, self.error_of_unknown_cosine()),
            (Flag::PixelFault, SHARE_OF_LIMIT, self.error_of_faulty_pixels()),
            (Flag::LowSun, 1.0, cosine),
            (Flag::Flicker, 1.0, self.component(mode_names::FLICKER)),
        ];
        let known = |(flag, share_of_limit, column): (Flag, f64, Option<Vec<f64>>)| {
            Some(PlausibleError { flag, share_of_limit, column: column? })
        };
        errors.into_iter().filter_map(known).collect()
    }

    /// What the subtracted stray-light floor means for each quantity: suspect where more than half of the value was subtracted or the
    /// floor's uncertainty reaches half of the limit, information where it is a considerable share, `None` elsewhere.
    fn stray_light(&self, removed: &[f64]) -> Vec<Option<Effect>> {
        let floor =
            self.reduced.floor_rate.zip(self.component(mode_names::STRAY_FLOOR)).filter(|_| !removed.is_empty());
        let Some((rate, component)) = floor else { return vec![None; self.outcomes.len()] };
        let pixel = self.reduced.scale.valid_pixels.0;
        let relative = component[pixel] / self.reduced.per_rate(pixel) / rate;
        let of = |q: usize, outcome: &Outcome| {
            let value = outcome.value.as_ref().ok()?.abs();
            let (effect, limit) = (removed[q].abs(), self.uncertainty_limit(q));
            if effect <= STRAY_SHOWN * value || effect <= STRAY_OF_LIMIT * limit {
                return None;
            }
            // Written so that NaN makes the value suspect.
            let slight = effect <= STRAY_SUSPECT * value && 2.0 * effect * relative.abs() <= SHARE_OF_LIMIT * limit;
            Some(if slight { Effect::Nothing } else { Effect::Suspect })
        };
        self.outcomes.iter().enumerate().map(|(q, outcome)| of(q, outcome)).collect()
    }

    /// One standard deviation of a component of the uncertainty; `None` where the reading has no such component.
    fn component(&self, name: &str) -> Option<Vec<f64>> {
        let errors = &self.reduced.errors;
        let mode = errors.modes.iter().find(|mode| mode.name == name)?;
        Some((0..self.reduced.irradiance.len()).map(|i| errors.at(mode, i)).collect())
    }

    /// The plausible error of the darks with a property; `None` where no bracket has such a dark.
    fn error_of_darks(&self, has_property: fn(&DarkProvenance) -> bool) -> Option<Vec<f64>> {
        let brackets = self.conditions.brackets;
        if !brackets.iter().any(|b| has_property(&b.dark)) {
            return None;
        }
        let mut column = vec![0.0; self.reduced.irradiance.len()];
        let concerned = self.reduced.merge_weights.iter().zip(brackets).filter(|(_, b)| has_property(&b.dark));
        for (weights, bracket) in concerned {
            for ((error, weight), dark) in column.iter_mut().zip(weights).zip(&self.reduced.dark_irradiance) {
                *error += weight * dark * PLAUSIBLE_DARK_ERROR;
            }
            // A newer dark differs by so many counts in every pixel.
            let rate = f64::from(bracket.dark.difference_counts) / bracket.integration_s;
            if rate > 0.0 {
                column.iter_mut().zip(weights).enumerate().for_each(|(i, (error, weight))| {
                    *error += weight * rate * self.reduced.per_rate(i);
                });
            }
        }
        Some(column)
    }

    /// The error of faulty pixels. A pixel is compared with its neighbours where all three come mainly from one bracket.
    fn error_of_faulty_pixels(&self) -> Option<Vec<f64>> {
        let (reduced, scale) = (self.reduced, &self.reduced.scale);
        let main_bracket = |i: usize| reduced.merge_weights.iter().position(|weights| weights[i] > MAIN_WEIGHT);
        let comparable = |i: usize| {
            (i - 1..=i + 1).all(|j| scale.valid[j] && !reduced.saturated[j])
                && main_bracket(i).is_some()
                && main_bracket(i - 1) == main_bracket(i)
                && main_bracket(i + 1) == main_bracket(i)
        };
        let (first, last) = scale.valid_pixels;
        let span_nm = scale.wavelength_nm.get(last)? - scale.wavelength_nm.get(first)?;
        let pitch_nm = span_nm / (last.max(first + 1) - first) as f64;
        let slit_pixels = self.conditions.calibration.wavelength.fwhm_nm / pitch_nm;
        pixel_anomaly::faults(&reduced.irradiance, &reduced.variance, comparable, slit_pixels)
    }

    /// Whether `low_sun` is possible: the sun is the source, above the horizon, and not above the configured elevation.
    fn sun_may_be_low(&self) -> bool {
        let limit = &self.conditions.plausibility_limit;
        let below = limit.sun_elevation_deg.is_some_and(|e| e > 0.0 && e < self.conditions.limits.low_sun_deg);
        below && limit.kind.sunlit()
    }

    /// The error of a cosine response that is not known: that of the beam, by its share of the light.
    fn error_of_unknown_cosine(&self) -> Option<Vec<f64>> {
        let known = self.conditions.calibration.cosine.is_some();
        let share = self.reduced.beam_share.filter(|_| !known && self.sun_may_be_low())?;
        let height = self.conditions.plausibility_limit.sun_elevation_deg?.to_radians().tan();
        let error = (UNKNOWN_COSINE_ERROR / (height * height)).min(UNKNOWN_COSINE_MOST);
        let samples = self.reduced.scale.wavelength_nm.iter().zip(&self.reduced.irradiance);
        Some(samples.map(|(nm, e)| error * share.at(*nm).0 * e).collect())
    }

    /// Raises `flicker` and `unsteady` on the quantities that come from the bracket concerned.
    fn raise_by_bracket(&self, flags: &mut [Flags]) {
        let context = self.conditions.context;
        let is_unsteady = |b: &BracketConditions| context.single_shot && !(b.light_variation <= context.unsteady_share);
        let brackets_differ = self.brackets_differ();
        let concerned = |b: &BracketConditions| is_unsteady(b) || b.unknown_ripple;
        if !brackets_differ && !self.conditions.brackets.iter().any(concerned) {
            return;
        }
        let mainly_from = |weights: &Vec<f64>| weights.iter().map(|w| *w > MAIN_WEIGHT).collect::<Vec<bool>>();
        let pixels: Vec<Vec<bool>> = self.reduced.merge_weights.iter().map(mainly_from).collect();
        for q in (0..self.outcomes.len()).filter(|q| self.has_value(*q)) {
            let share = |pixels: &Vec<bool>| self.matrix.share(q, &self.reduced.irradiance, pixels);
            let used: Vec<bool> = pixels.iter().map(|pixels| !(share(pixels) <= SHARE_OF_BRACKET)).collect();
            for (bracket, _) in self.conditions.brackets.iter().zip(&used).filter(|(_, used)| **used) {
                flags[q].raise_if(is_unsteady(bracket), Flag::Unsteady);
                flags[q].raise_if(bracket.unknown_ripple, Flag::Flicker);
            }
            flags[q].raise_if(brackets_differ && used.iter().filter(|u| **u).count() > 1, Flag::Unsteady);
        }
    }

    /// Whether the light of a single shot changed between brackets, significantly beside the noise of their difference.
    fn brackets_differ(&self) -> bool {
        let context = self.conditions.context;
        let significant = |(d, u): (f64, f64)| d.abs() > context.unsteady_share + 3.0 * u && d.abs() > 6.0 * u;
        context.single_shot && self.reduced.disagreement.is_some_and(significant)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::monitor::test_limits;

    #[test]
    fn a_reading_without_values_has_the_flags_of_its_context_and_one_reason_for_every_quantity() {
        let context = AcquisitionContext { warming: true, link_fault: true, ..AcquisitionContext::default() };
        let judged = judge_without_values(Flag::DarkMissing, "no dark is available", &context);
        assert_eq!(judged.flags, Flags::from_iter([Flag::DarkMissing, Flag::Warming, Flag::LinkFault]));
        assert_eq!(judged.values.len(), quantities::registry().len());
        assert!(judged.values.iter().all(|v| *v == QuantityValue::Null("no dark is available".to_owned())));
        assert!(judged.quantity_flags.iter().all(|flags| *flags == Flags::from_iter([Flag::DarkMissing])));
    }

    #[test]
    fn uncertainty_limits_of_the_configuration_replace_those_of_the_registry() {
        let index = quantities::index_of("ppfd").unwrap();
        let of_registry = quantities::registry()[index].limit;
        let mut limits = test_limits();
        assert_eq!(uncertainty_limits(&limits, index), (of_registry.relative, of_registry.absolute));
        limits.uncertainty.push(("ppfd".into(), 0.2, 3.0));
        assert_eq!(uncertainty_limits(&limits, index), (0.2, 3.0));
    }
}
