//! Doubts about a stretch of time, found out afterwards or declared by the owner, and the one function that applies them.
//!
//! Readings are never rewritten for them: whoever takes readings out of the store gets them with every span applied. What
//! must stay true: a span only ever takes trust away, and a quantity nobody knew of when it was written is touched.

use super::flag::{Effect, Flag, Verdict};
use super::reading::{QuantityValue, Reading};
use crate::clock::UtcMicros;

/// A doubt about every reading of a stretch of time.
#[derive(Clone, Debug, PartialEq)]
pub struct FlaggedInterval {
    /// Its row; 0 before it is stored.
    pub id: i64,
    /// The first instant it touches.
    pub from: UtcMicros,
    /// The first instant after it; `None` while it lasts.
    pub until: Option<UtcMicros>,
    /// The instrument it is about; `None` for the whole station.
    pub instrument: Option<String>,
    /// The pixel it is about, where it is about a single one.
    pub pixel: Option<usize>,
    /// The flag it raises.
    pub flag: Flag,
    /// Identifiers of the quantities it does not touch; it touches all others.
    pub unaffected: Vec<String>,
    /// What a person should read.
    pub text: String,
}

impl FlaggedInterval {
    /// Whether it covers an instant of an instrument.
    pub fn covers(&self, instrument: &str, t: UtcMicros) -> bool {
        t >= self.from
            && self.until.is_none_or(|until| t < until)
            && self.instrument.as_ref().is_none_or(|name| name == instrument)
    }

    /// Whether it touches a quantity.
    pub fn touches(&self, quantity: &str) -> bool {
        !self.unaffected.iter().any(|id| id == quantity)
    }
}

/// Applies spans to a reading; `quantities` are the identifiers of its values, in their order.
pub fn apply<'a>(spans: &[FlaggedInterval], reading: &mut Reading, quantities: impl Iterator<Item = &'a str> + Clone) {
    for span in spans.iter().filter(|s| s.covers(&reading.instrument, reading.time_mid)) {
        let worst = match span.flag.effect() {
            Effect::Nothing => Verdict::Good,
            Effect::Suspect => Verdict::Suspect,
            Effect::Bad | Effect::Null => Verdict::Bad,
        };
        let mut touched = false;
        for (value, id) in reading.values.iter_mut().zip(quantities.clone()) {
            if let QuantityValue::Value { verdict, .. } = value
                && span.touches(id)
            {
                *verdict = (*verdict).max(worst);
                touched = true;
            }
        }
        // A flag on a reading says that it touches something there.
        reading.flags.raise_if(touched, span.flag);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::Flags;

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
            dark_age: None,
            flags: Flags::NONE,
            values: vec![value.clone(), value, QuantityValue::Null("too little light".into())],
            window: vec![],
        }
    }

    fn after(span: FlaggedInterval, t: i64) -> (Flags, Vec<Option<Verdict>>) {
        let mut r = reading(t);
        apply(&[span], &mut r, ["ppfd", "uv_index", "cct"].into_iter());
        (r.flags, r.values.iter().map(QuantityValue::verdict).collect())
    }

    /// Identity: a span touches what it covers and does not spare, and nothing else.
    #[test]
    fn a_span_touches_its_time_its_instrument_and_what_it_does_not_spare() {
        let span = FlaggedInterval {
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
        let marked = (Flags::from_iter([Flag::WavelengthDrift]), vec![good, suspect, None]);
        for (t, want) in [(9, &none), (10, &marked), (19, &marked), (20, &none)] {
            assert_eq!(after(span.clone(), t), *want, "{t}");
        }
        assert_eq!(after(FlaggedInterval { until: None, ..span.clone() }, 99), marked);
        assert_eq!(after(FlaggedInterval { instrument: Some("north".into()), ..span.clone() }, 15), none);
        assert_eq!(after(FlaggedInterval { instrument: None, ..span.clone() }, 15), marked);
        assert_eq!(after(FlaggedInterval { unaffected: vec!["ppfd".into(), "uv_index".into()], ..span }, 15), none);
    }
}
