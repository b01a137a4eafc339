//! The stray-light floor: the signal of pixels that receive stray light only.

use super::merge::Merged;
use super::scale::Scale;
use super::sums::trimmed_mean;

/// The floor and its uncertainty.
#[derive(Clone, Copy, Debug)]
pub struct Floor {
    /// [counts/s].
    pub rate: f64,
    /// Its standard uncertainty [counts/s].
    pub uncertainty: f64,
}

/// Trimmed mean of the pixels of the floor band. Its noise is common to all pixels from which the floor is subtracted.
pub fn floor_of(merged: &Merged, scale: &Scale, relative_uncertainty: f64) -> Option<Floor> {
    let usable = || scale.floor.iter().filter(|i| !merged.saturated[**i]);
    let mut rates: Vec<f64> = usable().map(|i| merged.rate[*i]).collect();
    // Trimmed, so that a hot pixel with a wrong dark does not raise the floor of the whole spectrum.
    let cut = rates.len() / 10;
    let n = rates.len() as f64;
    let (rate, _) = trimmed_mean(&mut rates, cut)?;
    let noise = usable().map(|i| merged.variance[*i]).sum::<f64>().sqrt() / n;
    Some(Floor { rate, uncertainty: noise.hypot(relative_uncertainty * rate) })
}
