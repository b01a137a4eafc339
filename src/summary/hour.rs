//! An hour of readings, quantity by quantity.

use crate::record::{Flag, HourValue, QuantityValue, Reading, Verdict};

/// What `quantities` quantities come to over readings, in the readings' order; `None` where there was no value. Readings of a
/// check source are left out: they are another light.
pub fn hour<'a>(readings: impl Iterator<Item = &'a Reading>, quantities: usize) -> Vec<Option<HourValue>> {
    let mut sums = vec![(None::<HourValue>, 0.0); quantities];
    for reading in readings.filter(|r| !r.flags.has(Flag::Reference)) {
        for ((hour, sum), value) in sums.iter_mut().zip(&reading.values) {
            let QuantityValue::Value { value, verdict, .. } = *value else { continue };
            let hour = hour.get_or_insert(HourValue { range: None, verdicts: [0; 3] });
            hour.verdicts[verdict as usize] += 1;
            if verdict == Verdict::Bad {
                continue;
            }
            *sum += value;
            let [low, mean, high] = hour.range.unwrap_or([value; 3]);
            hour.range = Some([low.min(value), mean, high.max(value)]);
        }
    }
    let finished = |(hour, sum): (Option<HourValue>, f64)| {
        let mut hour = hour?;
        let served = f64::from(hour.served());
        if let Some(range) = &mut hour.range {
            range[1] = sum / served;
        }
        Some(hour)
    };
    sums.into_iter().map(finished).collect()
}
