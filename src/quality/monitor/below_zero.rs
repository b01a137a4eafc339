//! Light below zero by more than its uncertainty, again and again: a dark that is too high.
//!
//! A single value may be that low by chance, one in forty; three in a row are not, unless they share a dark that is off. Values below zero by
//! more than five standard uncertainties are flagged one by one ([`crate::quality::verdict`]). Pure. Invariant: a value that is not
//! below zero ends the run of its quantity; a reading without a value says nothing.

use crate::clock::UtcMicros;
use crate::quantities;
use crate::record::{LimitState, QuantityValue, Reading};
use std::collections::BTreeMap;

/// How far below zero counts, in standard uncertainties: the expanded uncertainty.
const BELOW: f64 = 2.0;
/// Readings in a row.
const RUNNING: u32 = 3;

/// The monitor, saved over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct BelowZero {
    /// By quantity: time of the first of a run of readings below zero, and their number.
    pub runs: BTreeMap<String, (UtcMicros, u32)>,
    /// Against the limit.
    pub limit_state: LimitState,
}

impl BelowZero {
    /// Observes a reading; answers whether the limit was exceeded or is no more.
    pub fn observe(&mut self, reading: &Reading) -> bool {
        let mut seen = false;
        for (quantity, value) in quantities::registry().iter().zip(&reading.values) {
            let QuantityValue::Value { value, uncertainty, .. } = value else { continue };
            if !quantity.recipe.is_linear() {
                continue;
            }
            seen = true;
            if *value < -BELOW * uncertainty {
                self.runs.entry(quantity.id.to_owned()).or_insert((reading.time_mid, 0)).1 += 1;
            } else {
                self.runs.remove(quantity.id);
            }
        }
        let since = self.affected().map(|(_, run)| run.0).min();
        let before = self.limit_state.exceeded_since;
        match since {
            Some(from) => self.limit_state.exceeded_since = Some(before.map_or(from, |t| t.min(from))),
            None if seen => {
                self.limit_state.check_passed(reading.time_mid);
            }
            None => {}
        }
        before != self.limit_state.exceeded_since
    }

    fn affected(&self) -> impl Iterator<Item = (&String, &(UtcMicros, u32))> {
        self.runs.iter().filter(|(_, run)| run.1 >= RUNNING)
    }

    /// Identifiers of the quantities that are not below zero again and again.
    pub fn unaffected(&self) -> Vec<String> {
        let is_affected = |id: &str| self.affected().any(|(affected, _)| affected == id);
        quantities::registry().iter().map(|q| q.id).filter(|id| !is_affected(id)).map(str::to_owned).collect()
    }

    /// What was found, for a person to read.
    pub fn describe(&self) -> String {
        let ids: Vec<&str> = self.affected().map(|(id, _)| id.as_str()).collect();
        format!("below zero by more than the uncertainty in {RUNNING} readings running: {}", ids.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Flags, Verdict};

    fn reading(second: i64, ppfd: f64) -> Reading {
        let value = |id: &str| QuantityValue::Value {
            value: if id == "ppfd" { ppfd } else { 1.0 },
            uncertainty: 0.1,
            verdict: Verdict::Good,
        };
        let t = UtcMicros(1_000_000 * second);
        Reading {
            id: 1,
            time_start: t,
            time_mid: t,
            time_end: t,
            instrument: "south".into(),
            sun_elevation: None,
            sun_azimuth: None,
            relative_air_mass: None,
            detector_temperature: None,
            exposures: vec![],
            peak_level: 0.5,
            signal_to_noise: None,
            stray_floor: None,
            lamps: None,
            dark_age: None,
            flags: Flags::NONE,
            values: quantities::registry().iter().map(|q| value(q.id)).collect(),
            quantity_flags: vec![],
            uv_index_stray_share: None,
            window: vec![],
        }
    }

    /// Identity: three in a row are found from the first of them on, for the quantity that is below zero alone; one that is not ends it.
    #[test]
    fn three_readings_in_a_row_below_zero_are_found_from_the_first_on() {
        let mut monitor = BelowZero::default();
        let found: Vec<bool> = [-0.21, -0.3, 0.0, -0.21, -0.3, -0.25, -0.4]
            .iter()
            .zip(1..)
            .map(|(ppfd, second)| monitor.observe(&reading(second, *ppfd)))
            .collect();
        assert_eq!(found, [false, false, false, false, false, true, false]);
        assert_eq!(monitor.limit_state.exceeded_since, Some(UtcMicros(4_000_000)));
        let unaffected = monitor.unaffected();
        assert_eq!(unaffected.len(), quantities::registry().len() - 1);
        assert!(!unaffected.iter().any(|id| id == "ppfd") && monitor.describe().ends_with("running: ppfd"));
        let mut blind = reading(8, 0.0);
        blind.values.iter_mut().for_each(|v| *v = QuantityValue::Null("no dark".into()));
        assert!(!monitor.observe(&blind), "nothing was seen");
        assert!(monitor.observe(&reading(9, -0.19)), "within its uncertainty");
        assert_eq!(monitor.limit_state.last_within_limit, Some(UtcMicros(9_000_000)));
    }
}
