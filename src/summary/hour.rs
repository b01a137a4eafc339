//! Range, mean and verdict counts of each quantity over a period: an hour, or a point of a series.

use crate::record::{Flag, HourValue, QuantityValue, Reading, Verdict};

/// Accumulates the values of one quantity.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    value: Option<HourValue>,
    sum: f64,
}

impl Tally {
    /// Adds the quantity at `place` of a reading. Readings of a check source are ignored.
    pub fn take(&mut self, reading: &Reading, place: usize) {
        let Some(QuantityValue::Value { value, verdict, .. }) = reading.values.get(place) else { return };
        if reading.flags.has(Flag::CheckSource) {
            return;
        }
        let all = self.value.get_or_insert(HourValue { range: None, verdicts: [0; 3] });
        all.verdicts[*verdict as usize] += 1;
        if *verdict == Verdict::Bad {
            return;
        }
        self.sum += value;
        let [low, mean, high] = all.range.unwrap_or([*value; 3]);
        all.range = Some([low.min(*value), mean, high.max(*value)]);
    }

    /// Adds the result of another period.
    pub fn join(&mut self, other: &HourValue) {
        let all = self.value.get_or_insert(HourValue { range: None, verdicts: [0; 3] });
        for (mine, more) in all.verdicts.iter_mut().zip(other.verdicts) {
            *mine += more;
        }
        let Some([low, mean, high]) = other.range else { return };
        self.sum += mean * f64::from(other.used());
        let mine = all.range.unwrap_or([low, mean, high]);
        all.range = Some([mine[0].min(low), mean, mine[2].max(high)]);
    }

    /// The result; `None` without values.
    pub fn finish(self) -> Option<HourValue> {
        let mut value = self.value?;
        let used = f64::from(value.used());
        if let Some(range) = &mut value.range {
            range[1] = self.sum / used;
        }
        Some(value)
    }
}

/// Accumulates `quantities` quantities over readings, in the order of the readings; `None` for a quantity without values.
pub fn hour<'a>(readings: impl Iterator<Item = &'a Reading>, quantities: usize) -> Vec<Option<HourValue>> {
    let mut tallies = vec![Tally::default(); quantities];
    for reading in readings {
        tallies.iter_mut().enumerate().for_each(|(place, tally)| tally.take(reading, place));
    }
    tallies.into_iter().map(Tally::finish).collect()
}
