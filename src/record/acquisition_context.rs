//! What a station knows about a reading beside its frames: with them, all that a reading is made from.
//!
//! Plain data. Bit numbers are stored in databases for years: they are never renumbered, only added to.

/// What the station knew when a reading was taken.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AcquisitionContext {
    /// Inside warm-up.
    pub warming: bool,
    /// The same counts as the frame before.
    pub stuck: bool,
    /// A shutter dark that is lit, or a light frame that is a dark.
    pub shutter_fault: bool,
    /// The tracker of the dark is past its limit.
    pub dark_drift: bool,
    /// Frames were read again.
    pub link_fault: bool,
    /// The clock was not known to be synchronised.
    pub clock_unsynced: bool,
    /// Whether this is a single shot rather than a window.
    pub single_shot: bool,
    /// Change between exposures that makes a single shot unsteady [1].
    pub unsteady_share: f64,
    /// Highest peak_level of the short bracket [1].
    pub peak_level: f64,
    /// Whether it looked at the check source rather than at the station's light.
    pub check_source: bool,
    /// A fault ended the reading before all of its light was taken.
    pub interrupted: bool,
    /// What the saved_states knew.
    pub tracked: Tracked,
}

/// What the saved_states of scale and response knew when a reading was taken.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Tracked {
    /// Shift that was applied to the wavelength scale beyond what temperature tells [nm].
    pub shift_nm: f64,
    /// Time since the scale was last found right [s].
    pub wavelength_age_s: f64,
    /// Time since the response was last found right [s].
    pub response_age_s: f64,
}

impl AcquisitionContext {
    /// What is true or false, as stored: bit n is the n-th of them in the order of their declaration.
    pub fn bits(&self) -> u32 {
        let all = [
            self.warming,
            self.stuck,
            self.shutter_fault,
            self.dark_drift,
            self.link_fault,
            self.clock_unsynced,
            self.single_shot,
            self.check_source,
            self.interrupted,
        ];
        all.iter().enumerate().map(|(n, set)| u32::from(*set) << n).sum()
    }

    /// From the stored bits and numbers, without what saved_states knew.
    pub fn from_bits(bits: u32, unsteady_share: f64, peak_level: f64) -> Self {
        let has = |n: u32| bits & (1 << n) != 0;
        Self {
            warming: has(0),
            stuck: has(1),
            shutter_fault: has(2),
            dark_drift: has(3),
            link_fault: has(4),
            clock_unsynced: has(5),
            single_shot: has(6),
            interrupted: has(8),
            unsteady_share,
            peak_level,
            check_source: has(7),
            tracked: Tracked::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: every bit comes back as what it stood for, and no two share one.
    #[test]
    fn circumstances_survive_their_bits() {
        for bits in 0..1 << 9 {
            assert_eq!(AcquisitionContext::from_bits(bits, 0.05, 0.7).bits(), bits);
        }
        let one = AcquisitionContext { dark_drift: true, single_shot: true, ..AcquisitionContext::default() };
        assert_eq!(AcquisitionContext::from_bits(one.bits(), 0.0, 0.0), one);
    }
}
