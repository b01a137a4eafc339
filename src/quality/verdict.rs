//! From outcomes and facts to flags and verdicts, quantity by quantity.

use super::flag_scope::{Reach, reach};
use super::limits::{PlausibilityLimit, physically_possible};
use super::pixel_anomaly;
use crate::calibration::Calibration;
use crate::config::LimitsConfig;
use crate::quantities::{self, Matrix, Outcome};
use crate::record::{DarkProvenance, Effect, Flag, Flags, QuantityValue, Verdict};
use crate::reduction::{Reduced, mode_names};
use crate::spectrum::weights::SparseRow;

/// A doubt whose plausible size could eat this share of a quantity's limit touches it.
const SHARE_OF_LIMIT: f64 = 0.5;
/// Share of a quantity that a bracket must have served for its faults to touch it.
const SHARE_OF_RUNG: f64 = 0.05;
/// How wrong a doubtful dark may plausibly be, relative to the dark current it subtracted: two kelvin at a doubling of 7 K.
pub const DOUBTFUL_DARK: f64 = 0.2;
/// Optic without a known cosine response: how far off a low sun may be read (common practice).
const UNKNOWN_COSINE: f64 = 0.10;

/// Everything known about a reading that is not in its numbers.
#[derive(Clone, Debug)]
pub struct Assessment<'a> {
    /// The calibration in force.
    pub calibration: &'a Calibration,
    /// Limits of the station.
    pub limits: &'a LimitsConfig,
    /// What is physically possible here and now.
    pub plausibility_limit: PlausibilityLimit,
    /// Mean detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// Inside warm-up.
    pub warming: bool,
    /// The calibration's validity has ended.
    pub expired: bool,
    /// The same counts as the frame before.
    pub repeated_frame: bool,
    /// A shutter dark that is lit, or a light frame that is a dark.
    pub shutter_fault: bool,
    /// A bracket, or a part of one, is missing: a fault came between, or no dark could serve it.
    pub incomplete: bool,
    /// A single shot (a window mean is not degraded by changing light).
    pub single_shot: bool,
    /// Change between exposures that makes a single shot unsteady [1].
    pub unsteady_share: f64,
    /// Change of the light between the exposures of each bracket [1].
    pub spreads: &'a [f64],
    /// Whether ripple of lamps is left in the exposures and nothing tells how much, bracket by bracket.
    pub flickers: &'a [bool],
    /// How the dark of each bracket was had.
    pub darks: &'a [DarkProvenance],
    /// The tracker of the dark is past its limit.
    pub dark_drift: bool,
    /// Frames were read again.
    pub link_fault: bool,
    /// The clock was not known to be synchronised.
    pub clock_unsynced: bool,
    /// The check source was before the head.
    pub check_source: bool,
}

/// Flags and values with verdicts.
#[derive(Clone, Debug, PartialEq)]
pub struct Judged {
    /// Flags of the reading: every flag that touches any quantity, and the informative ones.
    pub flags: Flags,
    /// Values in the order of the registry.
    pub values: Vec<QuantityValue>,
    /// Flags that touch each quantity, in the order of the registry.
    pub touching: Vec<Flags>,
}

/// The allowance of a quantity at a value: expanded uncertainty (k = 2) up to which it is good.
pub fn allowance(limits: &LimitsConfig, index: usize, value: f64) -> f64 {
    let quantity = &quantities::registry()[index];
    let (relative, absolute) = limits
        .uncertainty
        .iter()
        .find(|(id, _, _)| id == quantity.id)
        .map_or((quantity.limit.relative, quantity.limit.absolute), |(_, r, a)| (*r, *a));
    (relative * value.abs()).max(absolute)
}

/// A doubt with a size: how much every pixel may plausibly be off if it is true.
struct Doubt {
    flag: Flag,
    column: Vec<f64>,
}

/// Judges a reading. `outcomes` are the registry's, evaluated with `reduced`'s own modes in their order; `rendering` is what
/// evaluating them told of colour rendering ([`quantities::Workspace::rendering`]).
pub fn judge(
    reduced: &Reduced,
    matrix: &Matrix,
    outcomes: &[Outcome],
    rendering: &[SparseRow],
    facts: &Assessment<'_>,
) -> Judged {
    let mut touching = vec![Flags::NONE; outcomes.len()];
    let always = flags_of_everything(facts);
    let has_value = |q: usize| outcomes[q].value.is_ok();
    let allow = |q: usize| outcomes[q].value.as_ref().map_or(f64::INFINITY, |v| allowance(facts.limits, q, *v));

    let clipped: Vec<usize> = (0..reduced.saturated.len()).filter(|i| reduced.saturated[*i]).collect();
    let stray = reduced.errors.modes.iter().position(|m| m.name == mode_names::STRAY_FLOOR);
    let flicker = reduced.errors.modes.iter().position(|m| m.name == mode_names::FLICKER);
    for (q, outcome) in outcomes.iter().enumerate() {
        touching[q] = always;
        touching[q].raise_if(clipped.iter().any(|i| matrix.uses(q, *i)), Flag::Saturated);
        let Ok(value) = outcome.value else { continue };
        let possible = physically_possible(&facts.plausibility_limit, q);
        touching[q].raise_if(possible.is_some_and(|(lo, hi)| !(value >= lo && value <= hi)), Flag::OutOfLimits);
        // Where light is missing that was to make a quantity certain, being just within the limit is not enough.
        let allowed = if facts.incomplete { SHARE_OF_LIMIT * allow(q) } else { allow(q) };
        touching[q].raise_if(!(2.0 * outcome.uncertainty <= allowed), Flag::Uncertain);
        if let Some(effect) = flicker.and_then(|k| outcome.effects.get(k)) {
            touching[q].raise_if(!(2.0 * effect.abs() <= allow(q)), Flag::Flicker);
        }
        if let Some(effect) = stray.and_then(|k| outcome.effects.get(k)) {
            // Relative to the quantity, unless both are next to nothing: weak light is not a fault.
            let matters = 2.0 * effect.abs() > SHARE_OF_LIMIT * allow(q);
            touching[q].raise_if(matters && effect.abs() > 0.05 * value.abs(), Flag::StrayLight);
        }
    }

    let doubts = doubts(reduced, facts);
    let columns: Vec<&[f64]> = doubts.iter().map(|d| &d.column[..]).collect();
    let effects = quantities::effects_with(matrix, &reduced.irradiance, rendering, &columns);
    for (doubt, effects) in doubts.iter().zip(effects) {
        for q in (0..outcomes.len()).filter(|q| has_value(*q)) {
            let touches = !(2.0 * effects[q].abs() <= SHARE_OF_LIMIT * allow(q));
            touching[q].raise_if(touches, doubt.flag);
        }
    }
    if let Some(share) = low_sun(reduced, facts) {
        // A factor common to all wavelengths moves what follows the level of the light by as much, and nothing else.
        for (q, quantity) in quantities::registry().iter().enumerate() {
            let Ok(value) = outcomes[q].value else { continue };
            let touches = reach(quantity, Flag::LowSun) == Reach::BySize
                && !(2.0 * (share * value).abs() <= SHARE_OF_LIMIT * allow(q));
            touching[q].raise_if(touches, Flag::LowSun);
        }
    }
    touch_by_rung(reduced, matrix, outcomes, facts, &mut touching);

    let mut flags = information(facts);
    touching.iter().enumerate().filter(|(q, _)| has_value(*q)).for_each(|(_, t)| flags = flags.union(*t));
    flags = flags.union(always);
    let values = outcomes.iter().zip(&touching).map(|(o, t)| value_of(o, *t)).collect();
    Judged { flags, values, touching }
}

/// All quantities null for one reason: no calibration in force, or no dark.
pub fn judge_without_numbers(flag: Flag, reason: &str, facts: Flags) -> Judged {
    let n = quantities::registry().len();
    let mut flags = facts;
    flags.raise(flag);
    let values = vec![QuantityValue::Null(reason.to_owned()); n];
    Judged { flags, values, touching: vec![Flags::from_iter([flag]); n] }
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

/// Flags that no wavelength escapes.
fn flags_of_everything(facts: &Assessment<'_>) -> Flags {
    let calibration = facts.calibration;
    let mut flags = Flags::NONE;
    flags.raise_if(facts.repeated_frame, Flag::RepeatedFrame);
    flags.raise_if(facts.shutter_fault, Flag::ShutterFault);
    flags.raise_if(facts.warming, Flag::Warming);
    flags.raise_if(facts.expired, Flag::CalibrationExpired);
    flags.raise_if(facts.check_source, Flag::CheckSource);
    let (lo, hi) = calibration.temperature_range_c;
    let needs_it = calibration.wavelength.shift_nm_per_k != 0.0
        || calibration.temperature.relative_per_k.iter().any(|k| *k != 0.0);
    let doubtful = facts.temperature_c.map_or(needs_it, |t| !(t >= lo && t <= hi));
    flags.raise_if(doubtful, Flag::Temperature);
    flags
}

/// Flags that degrade nothing.
fn information(facts: &Assessment<'_>) -> Flags {
    let mut flags = Flags::NONE;
    flags.raise_if(facts.darks.iter().any(|d| d.modelled), Flag::DarkModelled);
    flags.raise_if(facts.link_fault, Flag::LinkFault);
    flags.raise_if(facts.clock_unsynced, Flag::ClockUnsynced);
    flags
}

fn doubts(reduced: &Reduced, facts: &Assessment<'_>) -> Vec<Doubt> {
    let mut doubts = Vec::new();
    let dark = |k: f64| reduced.dark_irradiance.iter().map(|d| d * k).collect::<Vec<f64>>();
    let by_rung = |pick: fn(&DarkProvenance) -> bool| -> Option<Vec<f64>> {
        if !facts.darks.iter().any(pick) {
            return None;
        }
        let mut column = vec![0.0; reduced.irradiance.len()];
        for (served, _) in reduced.merge_weights.iter().zip(facts.darks).filter(|(_, d)| pick(d)) {
            for ((c, s), d) in column.iter_mut().zip(served).zip(&reduced.dark_irradiance) {
                *c += s * d * DOUBTFUL_DARK;
            }
        }
        Some(column)
    };
    if let Some(column) = by_rung(|d| d.stale) {
        doubts.push(Doubt { flag: Flag::DarkStale, column });
    }
    if let Some(column) = by_rung(|d| d.suspect) {
        doubts.push(Doubt { flag: Flag::DarkSuspect, column });
    }
    if facts.dark_drift {
        doubts.push(Doubt { flag: Flag::DarkDrift, column: dark(DOUBTFUL_DARK) });
    }
    if let Some(column) = pixel_faults(reduced, facts.calibration) {
        doubts.push(Doubt { flag: Flag::PixelFault, column });
    }
    doubts
}

/// How far off all irradiances may plausibly be since the sun is low [1]; `None` where it is not.
fn low_sun(reduced: &Reduced, facts: &Assessment<'_>) -> Option<f64> {
    let low = facts.plausibility_limit.sun_elevation_deg.is_some_and(|e| e > 0.0 && e < facts.limits.low_sun_deg);
    (low && facts.plausibility_limit.kind.sunlit()).then(|| reduced.cosine.map_or(UNKNOWN_COSINE, |c| c.beam_effect))
}

/// Faulty pixels, looked for where a pixel and both neighbours were served by the same bracket.
fn pixel_faults(reduced: &Reduced, calibration: &Calibration) -> Option<Vec<f64>> {
    let scale = &reduced.scale;
    let main = |i: usize| reduced.merge_weights.iter().position(|s| s[i] > 0.5);
    let comparable = |i: usize| {
        (i - 1..=i + 1).all(|j| scale.valid[j] && !reduced.saturated[j])
            && main(i).is_some()
            && main(i - 1) == main(i)
            && main(i + 1) == main(i)
    };
    let (first, last) = scale.valid_pixels;
    let pitch =
        (scale.wavelength_nm.get(last)? - scale.wavelength_nm.get(first)?) / (last.max(first + 1) - first) as f64;
    pixel_anomaly::faults(&reduced.irradiance, &reduced.variance, comparable, calibration.wavelength.fwhm_nm / pitch)
}

/// Flicker and unsteady light touch what the bracket in question served.
fn touch_by_rung(
    reduced: &Reduced,
    matrix: &Matrix,
    outcomes: &[Outcome],
    facts: &Assessment<'_>,
    touching: &mut [Flags],
) {
    let unsteady = |k: usize| facts.single_shot && facts.spreads.get(k).is_some_and(|s| !(*s <= facts.unsteady_share));
    let flicker = |k: usize| facts.flickers.get(k).copied().unwrap_or(false);
    // A difference between brackets counts once it stands clear of its own noise.
    let apart = facts.single_shot
        && reduced.disagreement.is_some_and(|(d, u)| d.abs() > facts.unsteady_share + 3.0 * u && d.abs() > 6.0 * u);
    let brackets = reduced.merge_weights.len();
    if !apart && !(0..brackets).any(|k| unsteady(k) || flicker(k)) {
        return;
    }
    let marks: Vec<Vec<bool>> = reduced.merge_weights.iter().map(|s| s.iter().map(|w| *w > 0.5).collect()).collect();
    for q in (0..outcomes.len()).filter(|q| outcomes[*q].value.is_ok()) {
        let used: Vec<bool> =
            marks.iter().map(|m| !(matrix.share(q, &reduced.irradiance, m) <= SHARE_OF_RUNG)).collect();
        for k in (0..brackets).filter(|k| used[*k]) {
            touching[q].raise_if(unsteady(k), Flag::Unsteady);
            touching[q].raise_if(flicker(k), Flag::Flicker);
        }
        touching[q].raise_if(apart && used.iter().filter(|u| **u).count() > 1, Flag::Unsteady);
    }
}
