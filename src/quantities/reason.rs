//! Why a quantity has no value, in words that reach the reader of the data.

/// Why there is no number.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NullReason {
    /// The instrument, or the file, does not reach far enough.
    #[error("needs {} to {} nm, but the range is {} to {} nm", nm(.needed.0), nm(.needed.1), nm(.available.0), nm(.available.1))]
    Range {
        /// What the quantity needs [nm].
        needed: (f64, f64),
        /// What there is [nm].
        available: (f64, f64),
    },
    /// The axis cannot be integrated over.
    #[error("needs at least 2 samples at finite, strictly rising wavelengths inside the calibrated range")]
    Axis,
    /// Defined for lamps, and the source is the sun.
    #[error("for lamps only: nothing below 280 nm of the sun's light reaches the ground")]
    LampsOnly,
    /// The data are not on the axis.
    #[error("expected {expected} samples, but found {found}")]
    Length {
        /// Samples of the axis.
        expected: usize,
        /// Samples handed over.
        found: usize,
    },
    /// A sample that counts is NaN or infinite, or the sum overflows.
    #[error("not a finite number")]
    NotFinite,
    /// The variance or a mode that counts is NaN, infinite or negative: a number without an uncertainty is none.
    #[error("its uncertainty is not a finite number")]
    UncertaintyNotFinite,
    /// What the quantity is relative to does not stand out of the noise.
    #[error("too little light")]
    TooLittleLight,
    /// A colour too far from the Planckian locus to have a colour temperature.
    #[error("the colour lies {distance:.3} from the Planckian locus, beyond 0.05, and has no colour temperature")]
    FarFromLocus {
        /// Distance in (u′, ⅔ v′).
        distance: f64,
    },
    /// A colour nearest to an end of the locus.
    #[error("the nearest colour temperature is outside {} to {} K", super::locus::COLDEST_K, super::locus::HOTTEST_K)]
    BeyondLocus,
    /// A purple: the line from white through the colour leaves the locus between its ends.
    #[error("a purple has no dominant wavelength; its complement is {complement_nm:.1} nm")]
    Purple {
        /// The dominant wavelength on the other side of white [nm].
        complement_nm: f64,
    },
    /// White itself, which no wavelength dominates.
    #[error("white has no dominant wavelength")]
    White,
    /// A colour at the red end of the locus, which all longer wavelengths share.
    #[error("all wavelengths from {} nm on have this colour", super::hue::LONGEST_NM)]
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
    /// Not computed, because nobody asked for it.
    #[error("not asked for")]
    LeftOut,
    /// A light bluer than any phase of daylight that is defined, so that nothing is there to compare it with.
    #[error(
        "the colour temperature is {temperature_k:.0} K, and reference illuminants end at {} K",
        super::rendering::HOTTEST_K
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

    /// Regression: the wording people see.
    #[test]
    fn reasons_name_what_is_needed_and_what_there_is() {
        let reason = NullReason::Range { needed: (290.0, 400.0), available: (300.0, 1050.256) };
        assert_eq!(reason.to_string(), "needs 290 to 400 nm, but the range is 300 to 1050.26 nm");
        assert_eq!(NullReason::Length { expected: 2048, found: 3 }.to_string(), "expected 2048 samples, but found 3");
        assert_eq!(NullReason::BeyondLocus.to_string(), "the nearest colour temperature is outside 1000 to 100000 K");
    }
}
