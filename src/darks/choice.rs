//! Which dark is subtracted from a frame.
//!
//! Works on the metadata of the darks on record, never on their counts. Invariants: a dark that does not match in integration time
//! never counts as matched; one of unknown or other temperature is never used without a flag.

use super::metadata::DarkMetadata;
use crate::clock::UtcMicros;
use crate::config::DarksConfig;
use crate::record::Frame;

/// There may be plainly more light in one dark than in another from this factor on …
const MORE_LIGHT_FACTOR: f64 = 1.5;
/// … and this much more [lx].
const MORE_LIGHT_LX: f64 = 5e-4;

/// Which dark is subtracted from a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DarkChoice {
    /// One of the same integration time.
    Matched {
        /// Its row.
        id: i64,
        /// It is too old, or from another temperature; there is no better.
        stale: bool,
    },
    /// The model.
    Model {
        /// Its darks are older than allowed.
        stale: bool,
    },
    /// None.
    Missing,
}

/// The dark model, as far as the choice needs to know it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ModelFacts {
    /// Time of its newest dark.
    pub newest: UtcMicros,
    /// The most light that may be in it [lx].
    pub light_lx: f64,
}

/// The dark for a frame of light. A matched one wins, then a model in date, then a matched dark that is too old or too far in
/// temperature if it is younger than the model's darks, then the old model. `model` is `None` where no model holds for this frame. A model in date wins over a matched dark in which there may be plainly more light. What is from before `departed_at` shows another state of the detector and counts as too
/// old.
pub fn choose(
    config: &DarksConfig,
    known: &[&DarkMetadata],
    light: &Frame,
    model: Option<ModelFacts>,
    departed_at: Option<UtcMicros>,
) -> DarkChoice {
    let of_now = |t: UtcMicros| departed_at.is_none_or(|departed| t >= departed);
    let (time, temperature_c) = (light.start(), light.temperature_c);
    let same = || known.iter().copied().filter(|d| d.is_of(light.integration_s));
    let distance = |d: &DarkMetadata| {
        let kelvin = d.kelvin_from(temperature_c).unwrap_or(0.0);
        d.age_s(time) / config.max_age_s.max(1.0) + kelvin / config.max_temperature_difference_k.max(1e-3)
    };
    let nearest = |a: &&DarkMetadata, b: &&DarkMetadata| distance(a).total_cmp(&distance(b));
    let matches =
        |d: &&DarkMetadata| d.age_s(time) <= config.max_age_s && d.is_near(config, temperature_c) && of_now(d.time);
    let model_age = model.map(|m| time.seconds_since(m.newest).abs());
    let model_in_date =
        model_age.is_some_and(|age| age <= config.model_max_age_s) && model.is_some_and(|m| of_now(m.newest));
    let outdone = |d: &&DarkMetadata| {
        let light_lx = d.light_lx(config.night_sky_lx);
        model_in_date && model.is_some_and(|m| light_lx > MORE_LIGHT_FACTOR * m.light_lx + MORE_LIGHT_LX)
    };
    if let Some(dark) = same().filter(matches).filter(|d| !outdone(d)).min_by(nearest) {
        return DarkChoice::Matched { id: dark.id, stale: false };
    }
    if model_in_date {
        return DarkChoice::Model { stale: false };
    }
    match (same().min_by(nearest), model_age) {
        (Some(dark), Some(model)) if dark.age_s(time) > model => DarkChoice::Model { stale: true },
        (Some(dark), _) => DarkChoice::Matched { id: dark.id, stale: true },
        (None, Some(_)) => DarkChoice::Model { stale: true },
        (None, None) => DarkChoice::Missing,
    }
}

#[cfg(test)]
mod tests {
    use super::super::plan::tests::{NOW, config, dark};
    use super::*;
    use crate::record::{DarkSource, Shutter, Stamp};

    fn light(temperature_c: Option<f64>) -> Frame {
        Frame {
            integration_s: 0.01,
            shutter: Shutter::Open,
            temperature_c,
            stamps: vec![Stamp { start: NOW, crc32: 0 }],
            sums: Vec::new(),
            clipped: Default::default(),
            light_variation: 0.0,
            ripple: Vec::new(),
            rejected: Vec::new(),
        }
    }

    fn choice(known: &[DarkMetadata], model_age_s: Option<f64>, temperature_c: Option<f64>) -> DarkChoice {
        let known: Vec<&DarkMetadata> = known.iter().collect();
        let model = model_age_s.map(|age| ModelFacts { newest: NOW.plus_seconds(-age), light_lx: 0.001 });
        choose(&config(&[DarkSource::Shutter]), &known, &light(temperature_c), model, None)
    }

    /// Identity: the order of preference.
    #[test]
    fn matched_wins_then_the_model_then_what_is_stale() {
        let day = 86_400.0;
        let fresh = dark(1, 0.01, 20.5, 60.0);
        let older = dark(2, 0.01, 20.0, 3000.0);
        let cold = dark(3, 0.01, 5.0, 60.0);
        let other = dark(4, 0.02, 20.0, 1.0);
        let choice = |known: &[DarkMetadata], model| choice(known, model, Some(20.0));
        let matched = |id, stale| DarkChoice::Matched { id, stale };
        assert_eq!(choice(&[older.clone(), fresh.clone()], Some(0.0)), matched(1, false));
        assert_eq!(choice(&[cold.clone(), older], None), matched(2, false));
        assert_eq!(choice(&[cold.clone(), other.clone()], Some(day)), DarkChoice::Model { stale: false });
        assert_eq!(choice(std::slice::from_ref(&cold), Some(40.0 * day)), matched(3, true));
        assert_eq!(choice(&[dark(5, 0.01, 20.0, 90.0 * day)], Some(40.0 * day)), DarkChoice::Model { stale: true });
        assert_eq!(choice(&[other], None), DarkChoice::Missing);
        let after = dark(6, 0.01, 20.0, -30.0);
        assert_eq!(choice(&[after], None), matched(6, false), "a dark taken right after the reading is as good");
    }

    /// Identity: without a sensor only the age counts; a dark with a temperature does not match a frame without one.
    #[test]
    fn an_unknown_temperature_matches_only_an_unknown_one() {
        let with = dark(1, 0.01, 20.0, 60.0);
        let without = DarkMetadata { temperature_c: None, ..dark(2, 0.01, 0.0, 600.0) };
        assert_eq!(choice(&[with.clone(), without.clone()], None, None), DarkChoice::Matched { id: 2, stale: false });
        assert_eq!(choice(std::slice::from_ref(&with), None, None), DarkChoice::Matched { id: 1, stale: true });
        assert_eq!(choice(&[without], None, Some(20.0)), DarkChoice::Matched { id: 2, stale: true });
    }

    /// Identity: what is from before the detector changed is used only while there is nothing since, and as stale.
    #[test]
    fn what_is_from_before_a_change_is_stale() {
        let (before, after) = (dark(1, 0.01, 20.0, 300.0), dark(2, 0.01, 20.0, 60.0));
        let chosen = |known: &[&DarkMetadata], model_age_s: f64| {
            let (newest, departed) = (NOW.plus_seconds(-model_age_s), NOW.plus_seconds(-120.0));
            let model = ModelFacts { newest, light_lx: 0.001 };
            choose(&config(&[DarkSource::Shutter]), known, &light(Some(20.0)), Some(model), Some(departed))
        };
        assert_eq!(chosen(&[&before, &after], 200.0), DarkChoice::Matched { id: 2, stale: false });
        assert_eq!(chosen(&[&before], 100.0), DarkChoice::Model { stale: false });
        assert_eq!(chosen(&[&before], 200.0), DarkChoice::Model { stale: true });
        assert_eq!(chosen(&[], 200.0), DarkChoice::Model { stale: true });
    }

    /// Identity: a model with less light in it wins over a matched dark that was taken under the moon, and over no other.
    #[test]
    fn a_model_wins_over_a_moonlit_dark() {
        let night = |id, sky_lx| DarkMetadata { source: DarkSource::Night, sky_lx, ..dark(id, 0.01, 20.0, 60.0) };
        let matched = DarkChoice::Matched { id: 1, stale: false };
        assert_eq!(choice(&[night(1, 0.0)], Some(60.0), Some(20.0)), matched);
        assert_eq!(choice(&[night(1, 0.01)], Some(60.0), Some(20.0)), DarkChoice::Model { stale: false });
        assert_eq!(choice(&[night(1, 0.01)], None, Some(20.0)), matched);
    }
}
