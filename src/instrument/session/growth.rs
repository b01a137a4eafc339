//! Proof of the integration time by the signal, for instruments that do not tell it. Pure.
//!
//! Between two exposures with different integration times the contrast between bright and dim pixels must change as the times do.
//! The contrast needs no offset. In the dark, and between times that are nearly equal, nothing is proven and nothing is refused.

use crate::dialect::malformed::{Malformed, malformed};
use crate::record::{Exposure, Shutter};

/// Ratios of integration times below this prove nothing [1].
const LEAST_RATIO: f64 = 1.2;
/// Allowed change of the light between two exposures [1].
const LIGHT_CHANGE: f64 = 1.3;
/// Smallest contrast that counts as signal [counts].
const LEAST_CONTRAST: f64 = 25.0;
/// Share of full scale above which a pixel does not grow [1].
const LINEAR_SHARE: f64 = 0.9;
/// References older than this are of another light [s].
const MAX_AGE_S: f64 = 120.0;

/// The last exposure.
#[derive(Clone, Debug, Default)]
pub(super) struct Growth {
    reference: Option<Exposure>,
}

impl Growth {
    /// Whether an exposure needs another one before it, to be compared with; in the dark nothing can be compared.
    pub fn needs_reference(&self, shutter: Shutter) -> bool {
        shutter == Shutter::Open && self.reference.is_none()
    }

    pub fn set_reference(&mut self, exposure: &Exposure) {
        self.reference = Some(exposure.clone());
    }

    /// Compares an exposure with the one before, which it replaces; after a refusal there is none.
    pub fn prove(&mut self, exposure: &Exposure, full_scale: u32) -> Result<(), Malformed> {
        if exposure.shutter == Shutter::Closed {
            return Ok(());
        }
        let Some(reference) = self.reference.take() else { return Ok(()) };
        let comparable = exposure.start.seconds_since(reference.start).abs() <= MAX_AGE_S;
        let expected = exposure.integration_s / reference.integration_s;
        if comparable && (expected.max(1.0 / expected)) >= LEAST_RATIO {
            let longer = if expected > 1.0 { exposure } else { &reference };
            if let Some((before, after)) = contrasts(&reference, exposure, longer, full_scale) {
                let found = after / before.max(1.0);
                // Half of the way from "unchanged" to the expected ratio, and no more than the light explains.
                let tolerance = (0.5 * expected.ln().abs()).min(LIGHT_CHANGE.ln());
                if !((found.max(1e-3).ln() - expected.ln()).abs() <= tolerance) {
                    return malformed(
                        format!("a signal that changes by {expected:.2} with the integration time"),
                        format!("{found:.2}"),
                    );
                }
            }
        }
        self.reference = Some(exposure.clone());
        Ok(())
    }
}

/// Mean of the bright tenth of pixels less that of the dim tenth, in both exposures; `None` where there is no contrast.
fn contrasts(before: &Exposure, after: &Exposure, longer: &Exposure, full_scale: u32) -> Option<(f64, f64)> {
    let limit = (f64::from(full_scale) * LINEAR_SHARE) as u32;
    let mut linear: Vec<usize> = (0..longer.counts.len())
        .filter(|i| {
            before.counts.get(*i).is_some_and(|c| *c < limit) && after.counts.get(*i).is_some_and(|c| *c < limit)
        })
        .collect();
    linear.sort_by_key(|i| longer.counts[*i]);
    let tenth = linear.len() / 10;
    if tenth == 0 {
        return None;
    }
    let mean = |exposure: &Exposure, pixels: &[usize]| -> f64 {
        pixels.iter().map(|i| f64::from(exposure.counts[*i])).sum::<f64>() / pixels.len() as f64
    };
    let contrast =
        |exposure: &Exposure| mean(exposure, &linear[linear.len() - tenth..]) - mean(exposure, &linear[..tenth]);
    (contrast(longer) >= LEAST_CONTRAST).then(|| (contrast(before), contrast(after)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::UtcMicros;

    fn exposure(integration_s: f64, rate: f64) -> Exposure {
        Exposure {
            start: UtcMicros(0),
            integration_s,
            shutter: Shutter::Open,
            temperature_c: None,
            counts: (0..100).map(|i| (1000.0 + rate * integration_s * f64::from(i)).min(65_535.0) as u32).collect(),
            crc32: 0,
            rereads: 0,
        }
    }

    /// Identity: counts proportional to the time of the exposure.
    #[test]
    fn a_signal_that_does_not_follow_the_integration_time_is_refused() {
        let judged = |before_s: f64, told_s: f64, true_s: f64, rate: f64| {
            let mut growth = Growth::default();
            growth.set_reference(&exposure(before_s, rate));
            growth.prove(&Exposure { integration_s: told_s, ..exposure(true_s, rate) }, 65_535)
        };
        assert_eq!(judged(0.1, 0.2, 0.2, 1000.0), Ok(()));
        assert_eq!(judged(0.2, 0.1, 0.1, 1000.0), Ok(()));
        assert!(judged(0.1, 0.2, 0.1, 1000.0).unwrap_err().expected.contains("2.00"));
        assert!(judged(0.1, 7.0, 0.1, 1000.0).is_err() && judged(0.1, 0.2, 1.0, 1000.0).is_err());
        // The light changed by a fifth meanwhile; darkness; nearly equal times.
        assert_eq!(judged(0.1, 0.2, 0.24, 1000.0), Ok(()));
        assert_eq!(judged(0.1, 0.2, 0.1, 0.1), Ok(()));
        assert_eq!(judged(0.1, 0.11, 0.1, 1000.0), Ok(()));
    }

    #[test]
    fn a_refusal_leaves_no_reference() {
        let mut growth = Growth::default();
        growth.set_reference(&exposure(0.1, 1000.0));
        assert!(growth.prove(&Exposure { integration_s: 1.0, ..exposure(0.1, 1000.0) }, 65_535).is_err());
        assert!(growth.needs_reference(Shutter::Open) && !growth.needs_reference(Shutter::Closed));
    }
}
