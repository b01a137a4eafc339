//! When the dark model is fitted anew, and to which darks.
//!
//! The fit itself is [`DarkModel::fit`]. Invariant: a dark taken in warm-up, or before the detector changed, is never fitted.

use super::metadata::DarkMetadata;
use crate::clock::UtcMicros;
use crate::config::DarksConfig;
use crate::record::Frame;
use crate::reduction::DarkModel;

/// Darks the model is fitted to, at most.
pub const LARGEST_SET: usize = 96;
/// Darks of about the same integration time and temperature among them, newest first.
const ALIKE_IN_SET: usize = 2;
/// Darks closer than this in temperature give the fit the same information [K].
const ALIKE_KELVIN: f64 = 1.0;
/// An active model is fitted anew when this long has passed [s] …
const REFIT_S: f64 = 3600.0;
/// … or when this share of new darks has come …
const REFIT_SHARE: f64 = 0.5;
/// … and at least so many.
const REFIT_DARKS: f64 = 2.0;
/// A dark signal that differs from the model's by this share means that the detector has changed …
const CHANGED_SHARE: f64 = 0.3;
/// … where the model's dark signal is at least this [counts].
const CHANGED_FROM: f64 = 6.0;

/// Whether a fit is due, with so many darks that the active model (and when it was fitted) does not include.
pub fn is_due(active: Option<(&DarkModel, UtcMicros)>, new_darks: usize, now: UtcMicros) -> bool {
    let Some((model, fitted_at)) = active else { return new_darks > 0 };
    let many = new_darks as f64 >= (REFIT_SHARE * model.darks as f64).max(REFIT_DARKS);
    new_darks > 0 && (many || now.seconds_since(fitted_at).abs() >= REFIT_S)
}

/// Indices of the darks the model is fitted to, oldest first: the newest of those taken from `from` on, spread over integration times
/// and temperatures. `known` is in the order of time.
pub fn select(config: &DarksConfig, known: &[&DarkMetadata], from: Option<UtcMicros>, now: UtcMicros) -> Vec<usize> {
    let mut chosen: Vec<usize> = Vec::new();
    for (i, dark) in known.iter().enumerate().rev() {
        let early = from.is_some_and(|from| dark.time < from);
        let old = now.seconds_since(dark.time) > config.model_max_age_s;
        if early || old || dark.warming || is_outdone(dark, known, from) {
            continue;
        }
        if chosen.iter().filter(|j| are_alike(known[**j], dark)).count() < ALIKE_IN_SET {
            chosen.push(i);
        }
        if chosen.len() == LARGEST_SET {
            break;
        }
    }
    chosen.reverse();
    chosen
}

/// Whether a dark was taken under moon or twilight and another of its integration time, since `from`, under plainly less of them.
fn is_outdone(dark: &DarkMetadata, known: &[&DarkMetadata], from: Option<UtcMicros>) -> bool {
    let of_now = |d: &DarkMetadata| !d.warming && from.is_none_or(|from| d.time >= from);
    known.iter().any(|d| dark.is_brighter_than(d.sky_lx) && of_now(d) && d.is_about(dark.integration_s))
}

/// Whether two darks give the fit the same information.
fn are_alike(a: &DarkMetadata, b: &DarkMetadata) -> bool {
    a.is_about(b.integration_s) && a.kelvin_from(b.temperature_c).is_none_or(|kelvin| kelvin < ALIKE_KELVIN)
}

/// Whether a dark of median `level` [counts] shows that the detector is no longer the one the model was fitted to.
pub fn has_changed(model: &DarkModel, dark: &Frame, level: f64) -> bool {
    let holds = |t: &f64| model.holds_at(*t) && model.holds_for(dark.integration_s);
    let Some(temperature_c) = dark.temperature_c.filter(holds) else { return false };
    let (offset, rate) = model.summary(temperature_c);
    let signal = rate * dark.integration_s;
    signal >= CHANGED_FROM && !(((level - offset) / signal - 1.0).abs() <= CHANGED_SHARE)
}

#[cfg(test)]
mod tests {
    use super::super::plan::tests::{NOW, config, dark};
    use super::*;
    use crate::record::DarkSource;

    fn selected(known: &[DarkMetadata], from: Option<UtcMicros>) -> Vec<i64> {
        let known: Vec<&DarkMetadata> = known.iter().collect();
        let chosen = select(&config(&[DarkSource::Shutter]), &known, from, NOW);
        chosen.into_iter().map(|i| known[i].id).collect()
    }

    /// Identity: without a model the first new dark calls for a fit, and nothing new never does.
    #[test]
    fn without_new_darks_no_fit_is_due() {
        assert!(!is_due(None, 0, NOW));
        assert!(is_due(None, 1, NOW));
    }

    /// Identity: of many alike the two newest are fitted, so that the model follows the detector.
    #[test]
    fn of_darks_alike_the_two_newest_are_selected() {
        let known: Vec<DarkMetadata> = (0..6).map(|i| dark(i, 1.0, 20.0, 600.0 - 60.0 * i as f64)).collect();
        assert_eq!(selected(&known, None), [4, 5]);
    }

    /// Identity: darks a kelvin apart, or of other integration times, each add to the set.
    #[test]
    fn darks_of_other_times_and_temperatures_are_all_selected() {
        let known: Vec<DarkMetadata> = (0..5)
            .flat_map(|k| [0.1, 1.0, 10.0].map(|t| dark(k, t, 15.0 + 1.5 * k as f64, 3600.0 - 600.0 * k as f64)))
            .collect();
        assert_eq!(selected(&known, None).len(), 15);
    }

    /// Identity: warm-up, a change of the detector and old age each keep a dark out of the fit.
    #[test]
    fn darks_of_warm_up_and_of_another_state_of_the_detector_are_left_out() {
        let old = dark(1, 1.0, 20.0, 31.0 * 86_400.0);
        let before = dark(2, 1.0, 20.0, 7200.0);
        let warming = DarkMetadata { warming: true, ..dark(3, 1.0, 20.0, 1200.0) };
        let good = dark(4, 1.0, 20.0, 600.0);
        assert_eq!(selected(&[old, before, warming, good], Some(NOW.plus_seconds(-3600.0))), [4]);
    }

    /// Identity: a twilight dark serves the fit only while there is no better one of its integration time.
    #[test]
    fn a_twilight_dark_is_left_out_once_there_is_a_better_one() {
        let twilight = |id, t| DarkMetadata { source: DarkSource::Night, sky_lx: 0.01, ..dark(id, t, 20.0, 600.0) };
        assert_eq!(selected(&[twilight(1, 1.0), twilight(2, 10.0), dark(3, 1.0, 20.0, 60.0)], None), [2, 3]);
    }

    /// Identity: the set never exceeds its size, and keeps the newest.
    #[test]
    fn a_set_is_limited_to_its_newest_darks() {
        let known: Vec<DarkMetadata> =
            (0..200).map(|i| dark(i, 1.0, -50.0 + 1.5 * i as f64, 20_000.0 - 60.0 * i as f64)).collect();
        let chosen = selected(&known, None);
        assert_eq!((chosen.len(), chosen[0], chosen[95]), (LARGEST_SET, 104, 199));
    }
}
