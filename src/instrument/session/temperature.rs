//! The detector temperature of an exposure, from two answers that agree.

use super::Session;
use crate::dialect::step::Action;
use crate::dialect::values::Values;
use crate::fault::Fault;
use crate::instrument::answer;
use crate::instrument::exchange::corrupt;

/// Allowed difference between the temperatures before and after an exposure [K].
const SAME_TEMPERATURE_K: f64 = 0.5;

impl Session {
    /// The temperature in an answer [°C]; the outer `None` where the answer has none.
    pub(super) fn temperature_in(&self, values: &Values, action: Action) -> Result<Option<Option<f64>>, Fault> {
        if values.get("temperature").is_none() {
            return Ok(None);
        }
        answer::temperature(values).map(Some).map_err(|e| corrupt(self.command(action), e))
    }

    /// The mean of the temperatures `before` and `after` an exposure [°C]. Where one is missing, or both differ, the instrument
    /// is asked again.
    pub(super) fn agreed_temperature(
        &mut self,
        before: Option<Option<f64>>,
        after: Option<Option<f64>>,
    ) -> Result<Option<f64>, Fault> {
        let (first, second) = match (before, after) {
            (Some(before), Some(after)) => (before, after),
            (None, None) if !self.dialect.has(Action::Temperature) => return Ok(None),
            (one, other) => {
                let first = match one.or(other) {
                    Some(first) => first,
                    None => self.ask_temperature()?,
                };
                if self.dialect.is_protected() || !self.dialect.has(Action::Temperature) {
                    return Ok(first);
                }
                (first, self.ask_temperature()?)
            }
        };
        if let Some(same) = agreed(first, second) {
            return Ok(same);
        }
        // One of the two was damaged in transfer, or the temperature changed: a third answer decides.
        let third = match self.dialect.has(Action::Temperature) {
            true => self.ask_temperature()?,
            false => None,
        };
        match agreed(second, third).or(agreed(first, third)) {
            Some(same) => Ok(same),
            None => Err(self.differs(Action::Temperature, &format!("{first:?} or {second:?}"), &format!("{third:?}"))),
        }
    }

    fn ask_temperature(&mut self) -> Result<Option<f64>, Fault> {
        let values = self.exchange.perform(Action::Temperature, &self.plain_request())?.values;
        Ok(self.temperature_in(&values, Action::Temperature)?.flatten())
    }
}

/// The mean of two temperatures [°C]; `None` if they do not agree.
fn agreed(a: Option<f64>, b: Option<f64>) -> Option<Option<f64>> {
    match (a, b) {
        (None, None) => Some(None),
        (Some(a), Some(b)) if (a - b).abs() <= SAME_TEMPERATURE_K => Some(Some((a + b) / 2.0)),
        _ => None,
    }
}
