//! Flags of readings and verdicts of values.
//!
//! Invariant: bit numbers are stored, so they are never reassigned; new ones are appended.

use std::fmt;

macro_rules! flags {
    ($( $(#[$doc:meta])* $variant:ident = $bit:literal, $name:literal, $effect:ident; )*) => {
        /// A condition of a reading that may impair its values.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[repr(u8)]
        pub enum Flag { $( $(#[$doc])* $variant = $bit, )* }

        impl Flag {
            /// Every flag, in bit order.
            pub const ALL: &'static [Flag] = &[ $( Flag::$variant, )* ];
            /// The name in output and databases.
            pub fn name(self) -> &'static str { match self { $( Flag::$variant => $name, )* } }
            /// The effect on the values that the flag affects.
            pub fn effect(self) -> Effect { match self { $( Flag::$variant => Effect::$effect, )* } }
        }
    };
}

/// The effect of a flag on the values that it affects.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Effect {
    /// Information only.
    Nothing,
    /// The value becomes suspect.
    Suspect,
    /// The value becomes bad.
    Bad,
    /// The value becomes null.
    Null,
}

flags! {
    /// A used pixel is clipped, at full scale or where the converter was found to clip, or within the blooming length of a clipped pixel,
    /// in every bracket.
    Saturated = 0, "saturated", Bad;
    /// Outside the physically plausible range, or below zero by more than five standard uncertainties.
    OutOfLimits = 1, "out_of_limits", Bad;
    /// No calibration is active.
    CalibrationMissing = 2, "calibration_missing", Null;
    /// No dark is available.
    DarkMissing = 3, "dark_missing", Null;
    /// The same counts as one of the last thousand exposures, including the noise.
    RepeatedFrame = 4, "repeated_frame", Bad;
    /// A shutter dark shows light, or a light frame is dark.
    ShutterFault = 5, "shutter_fault", Bad;
    /// The optic is covered, according to level or shape of the signal.
    Obstructed = 6, "obstructed", Suspect;
    /// Within servicing, as noted by the operator.
    Servicing = 7, "servicing", Suspect;
    /// Expanded uncertainty above the quantity's limit.
    Uncertain = 8, "uncertain", Suspect;
    /// More than 5 % of the quantity was subtracted as stray light; suspect where it was more than half or is too uncertain.
    StrayLight = 9, "stray_light", Suspect;
    /// Age or temperature difference of the dark exceeds its limit, and the dark model cannot be used.
    DarkStale = 10, "dark_stale", Suspect;
    /// A newer dark was rejected or differs from the one that was used, or light was below zero by more than its uncertainty in three
    /// consecutive readings.
    DarkSuspect = 11, "dark_suspect", Suspect;
    /// The instrument was warming up.
    Warming = 12, "warming", Suspect;
    /// The detector temperature is outside the calibrated range, or unknown although the calibration needs it.
    Temperature = 13, "temperature", Suspect;
    /// A used pixel became hot or dead since the baseline.
    PixelFault = 14, "pixel_fault", Suspect;
    /// Residual ripple of lamps in the exposures is too large for the quantity, or of unknown size.
    Flicker = 15, "flicker", Suspect;
    /// The light changed between exposures of a single shot.
    Unsteady = 16, "unsteady", Suspect;
    /// The wavelength monitor exceeds its limit.
    WavelengthDrift = 17, "wavelength_drift", Suspect;
    /// The response monitor exceeds its limit.
    ResponseDrift = 18, "response_drift", Suspect;
    /// The dark monitor exceeds its limit.
    DarkDrift = 19, "dark_drift", Suspect;
    /// The validity of the calibration has ended.
    CalibrationExpired = 20, "calibration_expired", Suspect;
    /// The share of direct sunlight is not known well enough for the correction of the cosine response.
    LowSun = 21, "low_sun", Suspect;
    /// The dark model was used.
    DarkModelled = 22, "dark_modelled", Nothing;
    /// Blocks had to be read again.
    LinkFault = 23, "link_fault", Nothing;
    /// The clock was not known to be synchronised.
    ClockUnsynced = 24, "clock_unsynced", Nothing;
    /// A reading of the check source.
    CheckSource = 25, "check_source", Suspect;
}

/// A set of flags, as stored: bit n is the flag with number n.
#[derive(Clone, Copy, Default, PartialEq, Eq, Hash)]
pub struct Flags(pub u32);

impl Flags {
    /// No flag.
    pub const NONE: Self = Self(0);
    /// Adds a flag.
    pub fn raise(&mut self, flag: Flag) {
        self.0 |= 1 << flag as u8;
    }
    /// Adds a flag if `condition` is true.
    pub fn raise_if(&mut self, condition: bool, flag: Flag) {
        if condition {
            self.raise(flag);
        }
    }
    /// Whether a flag is in the set.
    pub fn has(self, flag: Flag) -> bool {
        self.0 & (1 << flag as u8) != 0
    }
    /// The union of two sets.
    pub fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
    /// The flags in bit order.
    pub fn iter(self) -> impl Iterator<Item = Flag> {
        Flag::ALL.iter().copied().filter(move |f| self.has(*f))
    }
    /// The names of the flags in bit order.
    pub fn names(self) -> Vec<&'static str> {
        self.iter().map(Flag::name).collect()
    }
    /// The strongest effect in the set.
    pub fn effect(self) -> Effect {
        self.iter().map(Flag::effect).max().unwrap_or(Effect::Nothing)
    }
}

impl FromIterator<Flag> for Flags {
    fn from_iter<T: IntoIterator<Item = Flag>>(flags: T) -> Self {
        let mut set = Self::NONE;
        flags.into_iter().for_each(|f| set.raise(f));
        set
    }
}

impl fmt::Debug for Flags {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_set().entries(self.names()).finish()
    }
}

/// The quality of a value. The numbers are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Verdict {
    /// No check found that the value may be outside its stated uncertainty.
    Good = 0,
    /// A flag with the effect `Suspect` affects it.
    Suspect = 1,
    /// Wrong, or probably wrong.
    Bad = 2,
}

impl Verdict {
    /// All verdicts, in the order of their numbers.
    pub const ALL: [Self; 3] = [Self::Good, Self::Suspect, Self::Bad];
    /// The name in output and databases.
    pub fn name(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Suspect => "suspect",
            Self::Bad => "bad",
        }
    }
    /// From the stored number.
    pub fn from_code(code: i64) -> Option<Self> {
        Self::ALL.into_iter().find(|v| *v as i64 == code)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    /// Bits and names are unique, so a stored set is unambiguous.
    #[test]
    fn every_flag_has_its_own_bit_and_name() {
        let bits: BTreeSet<u8> = Flag::ALL.iter().map(|f| *f as u8).collect();
        let names: BTreeSet<&str> = Flag::ALL.iter().map(|f| f.name()).collect();
        assert_eq!((bits.len(), names.len()), (Flag::ALL.len(), Flag::ALL.len()));
        let all: Flags = Flag::ALL.iter().copied().collect();
        assert_eq!(all.iter().count(), Flag::ALL.len());
    }
}
