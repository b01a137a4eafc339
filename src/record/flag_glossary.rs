//! The glossary of flags: what each means, where it usually comes from, and what to do about it.
//!
//! The only source of these texts: `vigilux flags` prints them, and `docs/flags.md` is made from them. Invariant: every flag has an
//! entry. A flag's name and effect are in [`Flag`].

use super::flag::Flag;

/// The entry of a flag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct GlossaryEntry {
    /// What the flag says about a value.
    pub meaning: &'static str,
    /// Where it usually comes from.
    pub cause: &'static str,
    /// What to do about it.
    pub action: &'static str,
}

impl Flag {
    /// The entry of the flag in the glossary.
    pub fn glossary(self) -> GlossaryEntry {
        let (meaning, cause, action) = match self {
            Self::Saturated
            | Self::OutOfLimits
            | Self::CalibrationMissing
            | Self::DarkMissing
            | Self::RepeatedFrame
            | Self::ShutterFault => self.of_wrong_values(),
            Self::Obstructed
            | Self::Servicing
            | Self::Uncertain
            | Self::StrayLight
            | Self::Flicker
            | Self::Unsteady
            | Self::LowSun
            | Self::CheckSource => self.of_the_light(),
            Self::DarkStale
            | Self::DarkSuspect
            | Self::Warming
            | Self::Temperature
            | Self::PixelFault
            | Self::WavelengthDrift
            | Self::ResponseDrift
            | Self::DarkDrift
            | Self::CalibrationExpired => self.of_the_instrument(),
            Self::DarkModelled | Self::LinkFault | Self::ClockUnsynced => self.of_information(),
        };
        GlossaryEntry { meaning, cause, action }
    }

    fn of_wrong_values(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::Saturated => (
                "A pixel that the quantity uses is at its limit, or lies beside such a pixel, in every bracket: the value is too low.",
                "Light that became much brighter between the choice of the integration time and the exposure, as at the edge of a cloud, or light \
                 above the range of the shortest integration time.",
                "Nothing, if it is rare. If it is frequent, lower target_level in [instrument.exposure]; if it stands at the shortest integration \
                 time, attenuate the light before the optic.",
            ),
            Self::OutOfLimits => (
                "The value is physically impossible here: above what sun or lamps can give, or below zero by more than five standard \
                 uncertainties.",
                "A wrong calibration, a wrong dark, a fault of the detector, or a lamp rating that is too low.",
                "Compare the calibration's serial number and units with the certificate, take new darks, and check lamp_rating_ppfd.",
            ),
            Self::CalibrationMissing => (
                "There is no value, because no calibration was active.",
                "No calibration of this instrument covers the time of the reading.",
                "Add the calibration to the configuration and run `vigilux recompute`: the raw frames are stored.",
            ),
            Self::DarkMissing => (
                "There is no value, because no dark was available.",
                "A new station before its first dark, darks that were all rejected because light was in them, or a gap in the integration times of \
                 the darks.",
                "Run `vigilux dark`. Readings taken before cannot be repaired.",
            ),
            Self::RepeatedFrame => (
                "The counts are the same as those of the frame before, including the noise.",
                "The instrument sent an old frame again.",
                "Restart the instrument. If it recurs, raise discard_frames in [instrument.exposure].",
            ),
            // The caller passes the flags of this group only.
            _ => (
                "A dark behind the shutter shows light, or a frame of the light is dark.",
                "A shutter that sticks or a broken shutter line.",
                "Listen to the shutter while darks are taken; have it repaired. Until then take darks with `vigilux dark`.",
            ),
        }
    }

    fn of_the_light(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::Obstructed => (
                "The optic is covered, by the level or the shape of the signal.",
                "Snow, dew, dirt, a cloth, a bird on the head.",
                "Look at the head and clean it, then say so: `vigilux note \"cleaned\" --class cleaned`.",
            ),
            Self::Servicing => (
                "The reading lies within an interval that the operator declared as servicing.",
                "A note of the class servicing.",
                "End the interval when the work is done: `vigilux note \"done\" --class servicing_over`.",
            ),
            Self::Uncertain => (
                "The expanded uncertainty (k = 2) of the value exceeds the quantity's limit.",
                "Little light, a quantity that this instrument measures poorly, or a calibration with a large uncertainty.",
                "Use the stated uncertainty. `vigilux quantities` lists the limits, and [instrument.limits] changes them. If a quantity \
                 that matters is uncertain in bright light, calibrate better.",
            ),
            Self::StrayLight => (
                "More than 5 % of the value was subtracted as stray light. The value is suspect where it was more than half, or where the \
                 uncertainty of the subtraction reaches half of the quantity's limit; elsewhere the flag is for information.",
                "Weak ultraviolet beside strong visible light: early and late in the day for the UV index, always for the shortest wavelengths.",
                "Use the value as an estimate. A stray-light matrix in the calibration file reduces it.",
            ),
            Self::Flicker => (
                "Ripple of mains-driven lamps may be left in the value.",
                "Exposures shorter than a half-cycle of the mains, or a wrong mains_hz.",
                "Check mains_hz in [station]. Attenuate the light, so that exposures become longer than 10 ms.",
            ),
            Self::Unsteady => (
                "The light changed between the exposures of one single shot by more than the set share.",
                "Passing clouds, lamps that were switched, somebody before the head.",
                "Nothing, if the moment itself matters. For means over the change, set window_s in [instrument.schedule].",
            ),
            Self::LowSun => (
                "The correction of the optic's cosine response is uncertain, because the share of direct sunlight is not known well enough.",
                "A low sun, or a calibration without [cosine].",
                "Use the stated uncertainty. A measured cosine response in the calibration file reduces it.",
            ),
            // The caller passes the flags of this group only.
            _ => (
                "A reading of the check source, not of the light of the station.",
                "The schedule's check_source.",
                "Nothing: it is left out of days and series.",
            ),
        }
    }

    fn of_the_instrument(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::DarkStale => (
                "The dark is older, or from another temperature, than allowed, and the dark model cannot be used.",
                "No dark could be taken: bright nights, a station without a shutter, a detector that became warmer.",
                "Run `vigilux dark`, also at the temperature of the day.",
            ),
            Self::DarkSuspect => (
                "The dark signal that was subtracted is doubtful.",
                "A newer dark was rejected or differs from the one used, or light was below zero in three consecutive readings.",
                "See `vigilux show` for the last event. Look for light at the head during darks, and run `vigilux dark`.",
            ),
            Self::Warming => (
                "The instrument was warming up.",
                "It was connected less than warm_up_min ago.",
                "Nothing: it ends by itself.",
            ),
            Self::Temperature => (
                "The detector's temperature is outside the range of the calibration, or not known although the calibration depends on it.",
                "A hot or cold place, a failed cooler or sensor.",
                "Shade or heat the instrument, or have it calibrated over a wider range.",
            ),
            Self::PixelFault => (
                "A pixel that the quantity uses became hot or dead since the baseline, or differs from its neighbours.",
                "Ageing of the detector.",
                "Nothing for a single pixel. Have the detector checked if their number grows: `vigilux show` lists them.",
            ),
            Self::WavelengthDrift => (
                "The wavelength scale has moved by more than its limit since the last check that it passed.",
                "A shock, a change of temperature, ageing of the mount.",
                "Have the wavelength scale calibrated, then `vigilux recompute` with the new calibration.",
            ),
            Self::ResponseDrift => (
                "The response has changed by more than its limit since the last check that it passed.",
                "Dirt on the optic, a moved head, ageing.",
                "Clean the head and note it. If the change stays, have the instrument calibrated.",
            ),
            Self::DarkDrift => (
                "The dark signal has changed by more than its limit.",
                "Ageing of the detector, a failing cooler, light that leaks in.",
                "Take a set of darks with `vigilux dark`; compare the detector's temperature with that of the months before.",
            ),
            // The caller passes the flags of this group only.
            _ => (
                "The validity of the calibration has ended.",
                "The valid_until of the calibration file.",
                "Have the instrument calibrated. Values between the two calibrations can be computed again with `vigilux recompute`.",
            ),
        }
    }

    fn of_information(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::DarkModelled => (
                "The dark was computed by the dark model. The verdict does not change.",
                "No stored dark matched integration time and temperature.",
                "Nothing.",
            ),
            Self::LinkFault => (
                "A part of the data had to be read again. The checksum of what was stored is right, and the verdict does not change.",
                "Disturbances on the serial line.",
                "Nothing, if it is rare. Otherwise check cable, adapter and baud rate.",
            ),
            // The caller passes the flags of this group only.
            _ => (
                "The computer's clock was not known to be synchronised. The verdict does not change.",
                "No time service after a start, or no network.",
                "Check the time service of the computer.",
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// No flag falls into the last arm of another group.
    #[test]
    fn every_flag_has_an_entry_of_its_own_in_sentences() {
        let mut meanings = BTreeSet::new();
        for flag in Flag::ALL {
            let GlossaryEntry { meaning, cause, action } = flag.glossary();
            assert!(meanings.insert(meaning), "{} has the entry of another flag", flag.name());
            for text in [meaning, cause, action] {
                assert!(text.ends_with('.') && text.starts_with(|c: char| c.is_uppercase()), "{}: {text}", flag.name());
                assert!(!text.contains("  "), "{}: {text}", flag.name());
            }
        }
    }
}
