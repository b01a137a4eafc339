//! The stray-light floor: what pixels show that see no true light.

use super::merge::Merged;
use super::scale::Scale;
use super::sums::trimmed_mean;

/// The floor and what is not known about it.
#[derive(Clone, Copy, Debug)]
pub struct Floor {
    /// [counts/s].
    pub rate: f64,
    /// Its standard uncertainty [counts/s].
    pub uncertainty: f64,
}

/// Mean of the pixels that see no true light. Its noise is shared by every pixel it is subtracted from.
pub fn floor_of(merged: &Merged, scale: &Scale, relative_uncertainty: f64) -> Option<Floor> {
    let usable = || scale.floor.iter().filter(|i| !merged.saturated[**i]);
    let mut rates: Vec<f64> = usable().map(|i| merged.rate[*i]).collect();
    // A hot pixel whose dark was missed must not lift the floor under the whole spectrum.
    let cut = rates.len() / 10;
    let n = rates.len() as f64;
    let (rate, _) = trimmed_mean(&mut rates, cut)?;
    let noise = usable().map(|i| merged.variance[*i]).sum::<f64>().sqrt() / n;
    Some(Floor { rate, uncertainty: noise.hypot(relative_uncertainty * rate) })
}
