//! Why a quantity has no value, as the text that is stored and shown.

use super::constants::{COLDEST_K, HOTTEST_K, HOTTEST_REFERENCE_K, LONGEST_HUE_NM};

/// Why there is no number.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NullReason {
    /// The calibrated range, or the file, does not cover the band.
    #[error("needs {} to {} nm, but the range is {} to {} nm", nm(.needed.0), nm(.needed.1), nm(.available.0), nm(.available.1))]
    Range {
        /// What the quantity needs [nm].
        needed: (f64, f64),
        /// What there is [nm].
        available: (f64, f64),
    },
    /// The axis is unusable for integration.
    #[error("needs at least 2 samples at finite, strictly rising wavelengths inside the calibrated range")]
    Axis,
    /// Defined for lamps only, and the source is the sun.
    #[error("for lamps only: nothing below 280 nm of the sun's light reaches the ground")]
    LampsOnly,
    /// The data have another length than the axis.
    #[error("expected {expected} samples, but found {found}")]
    Length {
        /// Samples of the axis.
        expected: usize,
        /// Samples of the data.
        found: usize,
    },
    /// A sample with a weight is NaN or infinite, or the sum overflows.
    #[error("not a finite number")]
    NotFinite,
    /// A variance with a weight, or a correlated component, is NaN, infinite or negative: a number without an uncertainty is not given.
    #[error("its uncertainty is not a finite number")]
    UncertaintyNotFinite,
    /// The light that the quantity is relative to does not clearly exceed its uncertainty.
    #[error("too little light")]
    TooLittleLight,
    /// The light of the band that a ratio is relative to does not clearly exceed its uncertainty, or the stray light in it.
    #[error("too little light from {} to {} nm", nm(*.from_nm), nm(*.to_nm))]
    TooLittleLightIn {
        /// Start of the band [nm].
        from_nm: f64,
        /// End of the band [nm].
        to_nm: f64,
    },
    /// The far red may be stray light of the red, as under red lamps.
    #[error("the far red is less than a thousandth of the red, which stray light may be")]
    TooLittleFarRed,
    /// A colour too far from the Planckian locus to have a colour temperature.
    #[error("the colour lies {distance:.3} from the Planckian locus, beyond 0.05, and has no colour temperature")]
    FarFromLocus {
        /// Distance in (u′, ⅔ v′).
        distance: f64,
    },
    /// A colour nearest to an end of the locus.
    #[error("the nearest colour temperature is outside {} to {} K", COLDEST_K, HOTTEST_K)]
    BeyondLocus,
    /// A purple: the line from white through the colour leaves the locus between its ends.
    #[error("a purple has no dominant wavelength; its complement is {complement_nm:.1} nm")]
    Purple {
        /// The dominant wavelength on the other side of white [nm].
        complement_nm: f64,
    },
    /// The white point, which has no dominant wavelength.
    #[error("white has no dominant wavelength")]
    White,
    /// A colour at the red end of the locus, which all longer wavelengths share.
    #[error("all wavelengths from {} nm on have this colour", LONGEST_HUE_NM)]
    RedEnd,
    /// The highest sample is the first or the last that is calibrated.
    #[error("the highest sample is at an end of the range, at {} nm", nm(*.at_nm))]
    PeakAtEnd {
        /// Its wavelength [nm].
        at_nm: f64,
    },
    /// Several neighbouring samples are the highest.
    #[error("the highest samples are level from {} to {} nm", nm(.from_nm.to_owned()), nm(.to_nm.to_owned()))]
    Level {
        /// The first of them [nm].
        from_nm: f64,
        /// The last of them [nm].
        to_nm: f64,
    },
    /// Many samples may be the highest, within the uncertainty of their differences.
    #[error("the maximum is flat: it may be anywhere from {} to {} nm", nm(.from_nm.to_owned()), nm(.to_nm.to_owned()))]
    FlatMaximum {
        /// The first of them [nm].
        from_nm: f64,
        /// The last of them [nm].
        to_nm: f64,
    },
    /// Left out of a computation on request.
    #[error("not requested")]
    NotRequested,
    /// A light bluer than any defined phase of daylight, which therefore has no reference illuminant.
    #[error(
        "the colour temperature is {temperature_k:.0} K, and reference illuminants end at {} K",
        HOTTEST_REFERENCE_K
    )]
    NoReference {
        /// Correlated colour temperature [K].
        temperature_k: f64,
    },
}

/// A wavelength for a sentence: to 0.01 nm, without trailing zeros.
pub(super) fn nm(x: f64) -> String {
    let text = format!("{x:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Regression: the text that users see.
    #[test]
    fn reasons_name_what_is_needed_and_what_there_is() {
        let reason = NullReason::Range { needed: (290.0, 400.0), available: (300.0, 1050.256) };
        assert_eq!(reason.to_string(), "needs 290 to 400 nm, but the range is 300 to 1050.26 nm");
        assert_eq!(NullReason::Length { expected: 2048, found: 3 }.to_string(), "expected 2048 samples, but found 3");
        assert_eq!(NullReason::BeyondLocus.to_string(), "the nearest colour temperature is outside 1000 to 100000 K");
    }
}
