//! Flagged intervals: time ranges with a flag, found by a monitor or declared by the operator, and their application to readings.
//!
//! Stored readings are not changed; queries apply the intervals. Invariants: an interval never improves a verdict; a quantity
//! added after an interval was stored is affected by it.

use super::flag::{Effect, Flag, Flags, Verdict};
use super::reading::{QuantityValue, Reading};
use crate::clock::UtcMicros;

/// A time range whose readings get a flag.
#[derive(Clone, Debug, PartialEq)]
pub struct FlaggedInterval {
    /// Row of `event`; 0 before it is stored.
    pub id: i64,
    /// Start.
    pub from: UtcMicros,
    /// End (excluded); `None` while it is open.
    pub until: Option<UtcMicros>,
    /// Name of the instrument; `None` for all instruments of the station.
    pub instrument: Option<String>,
    /// The affected pixel, if a single pixel is affected.
    pub pixel: Option<usize>,
    /// The flag.
    pub flag: Flag,
    /// Identifiers of the unaffected quantities; all others are affected.
    pub unaffected: Vec<String>,
    /// Text for the operator.
    pub text: String,
}

impl FlaggedInterval {
    /// Whether it covers an instant of an instrument.
    pub fn covers(&self, instrument: &str, t: UtcMicros) -> bool {
        t >= self.from
            && self.until.is_none_or(|until| t < until)
            && self.instrument.as_ref().is_none_or(|name| name == instrument)
    }

    /// Whether it affects a quantity.
    pub fn affects(&self, quantity: &str) -> bool {
        !self.unaffected.iter().any(|id| id == quantity)
    }
}

/// Applies intervals to a reading; `quantities` are the identifiers of its values, in the same order.
pub fn apply<'a>(
    intervals: &[FlaggedInterval],
    reading: &mut Reading,
    quantities: impl Iterator<Item = &'a str> + Clone,
) {
    for interval in intervals.iter().filter(|s| s.covers(&reading.instrument, reading.time_mid)) {
        let worst = match interval.flag.effect() {
            Effect::Nothing => Verdict::Good,
            Effect::Suspect => Verdict::Suspect,
            Effect::Bad | Effect::Null => Verdict::Bad,
        };
        let mut affected = false;
        reading.quantity_flags.resize(reading.values.len(), Flags::NONE);
        let of_reading = reading.values.iter_mut().zip(&mut reading.quantity_flags);
        for ((value, flags), id) in of_reading.zip(quantities.clone()) {
            if let QuantityValue::Value { verdict, .. } = value
                && interval.affects(id)
            {
                *verdict = (*verdict).max(worst);
                flags.raise(interval.flag);
                affected = true;
            }
        }
        // A reading gets the flag only if the interval affects one of its values.
        reading.flags.raise_if(affected, interval.flag);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(t: i64) -> Reading {
        let value = QuantityValue::Value { value: 1.0, uncertainty: 0.1, verdict: Verdict::Good };
        Reading {
            id: 1,
            time_start: UtcMicros(t),
            time_mid: UtcMicros(t),
            time_end: UtcMicros(t),
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
            values: vec![value.clone(), value, QuantityValue::Null("too little light".into())],
            quantity_flags: vec![],
            uv_index_stray_share: None,
            window: vec![],
        }
    }

    fn after(interval: FlaggedInterval, t: i64) -> (Flags, Vec<Option<Verdict>>) {
        let mut r = reading(t);
        let flag = interval.flag;
        apply(&[interval], &mut r, ["ppfd", "uv_index", "cct"].into_iter());
        for (k, value) in r.values.iter().enumerate() {
            assert_eq!(r.flags_of(k).has(flag), value.verdict() == Some(Verdict::Suspect), "quantity {k} at {t}");
        }
        (r.flags, r.values.iter().map(QuantityValue::verdict).collect())
    }

    /// An interval affects the values of readings within it, of its instrument, that are not listed as unaffected.
    #[test]
    fn an_interval_affects_its_time_its_instrument_and_the_quantities_not_excepted() {
        let interval = FlaggedInterval {
            id: 0,
            from: UtcMicros(10),
            until: Some(UtcMicros(20)),
            instrument: Some("south".into()),
            pixel: None,
            flag: Flag::WavelengthDrift,
            unaffected: vec!["ppfd".into()],
            text: String::new(),
        };
        let (good, suspect) = (Some(Verdict::Good), Some(Verdict::Suspect));
        let none = (Flags::NONE, vec![good, good, None]);
        let flagged = (Flags::from_iter([Flag::WavelengthDrift]), vec![good, suspect, None]);
        for (t, want) in [(9, &none), (10, &flagged), (19, &flagged), (20, &none)] {
            assert_eq!(after(interval.clone(), t), *want, "{t}");
        }
        assert_eq!(after(FlaggedInterval { until: None, ..interval.clone() }, 99), flagged);
        assert_eq!(after(FlaggedInterval { instrument: Some("north".into()), ..interval.clone() }, 15), none);
        assert_eq!(after(FlaggedInterval { instrument: None, ..interval.clone() }, 15), flagged);
        assert_eq!(after(FlaggedInterval { unaffected: vec!["ppfd".into(), "uv_index".into()], ..interval }, 15), none);
    }
}
