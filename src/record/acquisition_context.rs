//! The conditions under which the frames of a reading were acquired. Frames, darks, calibration, configuration and this determine
//! the values of a reading.
//!
//! Plain data. Invariant: bit numbers are stored, so they are never reassigned; new ones are appended.

/// Conditions of an acquisition beside its frames.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AcquisitionContext {
    /// The instrument was warming up.
    pub warming: bool,
    /// A frame has the same counts as a recent one.
    pub repeated_frame: bool,
    /// A shutter dark shows light, or a light frame is dark.
    pub shutter_fault: bool,
    /// The dark monitor exceeds its limit.
    pub dark_drift: bool,
    /// Blocks had to be read again.
    pub link_fault: bool,
    /// The clock was not known to be synchronised.
    pub clock_unsynced: bool,
    /// The reading is a single shot, not a window.
    pub single_shot: bool,
    /// Relative change between exposures above which a single shot is unsteady [1].
    pub unsteady_share: f64,
    /// Peak level of the short bracket: share of full scale, or of the level at which the converter was found to clip [1].
    pub peak_level: f64,
    /// The reading is of the check source.
    pub check_source: bool,
    /// A fault ended the reading before its last exposure.
    pub interrupted: bool,
    /// Estimates of the drift monitors.
    pub drift: DriftEstimates,
    /// Row of the spectra of lamps that were known; `None` before any was.
    pub lamp_shapes: Option<i64>,
}

/// Estimates of the wavelength and response monitors at the time of a reading.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct DriftEstimates {
    /// Applied shift of the wavelength scale, beyond its temperature dependence [nm].
    pub shift_nm: f64,
    /// Time since the wavelength scale was last within its limit [s].
    pub wavelength_age_s: f64,
    /// Time since the response was last within its limit [s].
    pub response_age_s: f64,
}

impl AcquisitionContext {
    /// The boolean fields as stored bits; see [`AcquisitionContext::from_bits`] for their numbers.
    pub fn bits(&self) -> u32 {
        let all = [
            self.warming,
            self.repeated_frame,
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

    /// From the stored bits and numbers, with default drift estimates and without spectra of lamps.
    pub fn from_bits(bits: u32, unsteady_share: f64, peak_level: f64) -> Self {
        let has = |n: u32| bits & (1 << n) != 0;
        Self {
            warming: has(0),
            repeated_frame: has(1),
            shutter_fault: has(2),
            dark_drift: has(3),
            link_fault: has(4),
            clock_unsynced: has(5),
            single_shot: has(6),
            interrupted: has(8),
            unsteady_share,
            peak_level,
            check_source: has(7),
            drift: DriftEstimates::default(),
            lamp_shapes: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Every field has its own bit.
    #[test]
    fn bits_are_read_back_as_the_same_fields() {
        for bits in 0..1 << 9 {
            assert_eq!(AcquisitionContext::from_bits(bits, 0.05, 0.7).bits(), bits);
        }
        let one = AcquisitionContext { dark_drift: true, single_shot: true, ..AcquisitionContext::default() };
        assert_eq!(AcquisitionContext::from_bits(one.bits(), 0.0, 0.0), one);
    }
}
