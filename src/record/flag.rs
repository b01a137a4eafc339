//! The flags a reading may carry and the verdicts a value may have.
//!
//! Bit numbers are stored in databases for years: they are never renumbered, only added to.

use std::fmt;

macro_rules! flags {
    ($( $(#[$doc:meta])* $variant:ident = $bit:literal, $name:literal, $effect:ident; )*) => {
        /// A doubt or fact about a reading.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[repr(u8)]
        pub enum Flag { $( $(#[$doc])* $variant = $bit, )* }

        impl Flag {
            /// Every flag, in bit order.
            pub const ALL: &'static [Flag] = &[ $( Flag::$variant, )* ];
            /// The name outsiders see.
            pub fn name(self) -> &'static str { match self { $( Flag::$variant => $name, )* } }
            /// What the flag makes of a value it touches.
            pub fn effect(self) -> Effect { match self { $( Flag::$variant => Effect::$effect, )* } }
        }
    };
}

/// What a flag makes of a value it touches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Effect {
    /// Information only.
    Nothing,
    /// The value becomes suspect.
    Suspect,
    /// The value becomes bad.
    Bad,
    /// There is no value.
    Null,
}

flags! {
    /// A pixel in use is clipped, or within the blooming length of one, in every exposure that could have served it.
    Saturated = 0, "saturated", Bad;
    /// Beyond what is physically possible.
    OutOfLimits = 1, "out_of_limits", Bad;
    /// No calibration is in force.
    CalibrationMissing = 2, "calibration_missing", Null;
    /// No dark can serve.
    DarkMissing = 3, "dark_missing", Null;
    /// The same counts as the frame before, noise and all.
    RepeatedFrame = 4, "repeated_frame", Bad;
    /// A shutter dark that is lit, or a light frame that is a dark.
    ShutterFault = 5, "shutter_fault", Bad;
    /// Signal or shape says the optic is covered.
    Obstructed = 6, "obstructed", Suspect;
    /// Inside a span the owner declared.
    Servicing = 7, "servicing", Suspect;
    /// Expanded uncertainty above the quantity's limit.
    Uncertain = 8, "uncertain", Suspect;
    /// What stray light may have left is more than 5 % of the quantity.
    StrayLight = 9, "stray_light", Suspect;
    /// The dark is older, or from another temperature, than allowed, and the model cannot serve.
    DarkStale = 10, "dark_stale", Suspect;
    /// A dark was refused; what served instead is older.
    DarkSuspect = 11, "dark_suspect", Suspect;
    /// Inside warm-up.
    Warming = 12, "warming", Suspect;
    /// Detector outside the calibrated range, or unknown where the calibration needs it.
    Temperature = 13, "temperature", Suspect;
    /// A pixel in use turned hot or dead since the baseline.
    PixelFault = 14, "pixel_fault", Suspect;
    /// Ripple of lamps is left in the exposures: too large for the quantity, or of unknown size.
    Flicker = 15, "flicker", Suspect;
    /// The light changed between the exposures of a single shot.
    Unsteady = 16, "unsteady", Suspect;
    /// The wavelength tracker is past its limit.
    WavelengthDrift = 17, "wavelength_drift", Suspect;
    /// The response tracker is past its limit.
    ResponseDrift = 18, "response_drift", Suspect;
    /// The dark tracker is past its limit.
    DarkDrift = 19, "dark_drift", Suspect;
    /// The calibration's validity has ended.
    CalibrationExpired = 20, "calibration_expired", Suspect;
    /// Direct sun below the height at which the optic's cosine response is trusted.
    LowSun = 21, "low_sun", Suspect;
    /// The dark model served.
    DarkModelled = 22, "dark_modelled", Nothing;
    /// Frames were read again.
    LinkFault = 23, "link_fault", Nothing;
    /// The clock was not known to be synchronised.
    ClockUnsynced = 24, "clock_unsynced", Nothing;
    /// A reading of the check source, not of the station's light.
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
    /// Adds a flag where `condition` holds.
    pub fn raise_if(&mut self, condition: bool, flag: Flag) {
        if condition {
            self.raise(flag);
        }
    }
    /// Whether a flag is in the set.
    pub fn has(self, flag: Flag) -> bool {
        self.0 & (1 << flag as u8) != 0
    }
    /// Both sets together.
    pub fn union(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
    /// The flags in bit order.
    pub fn iter(self) -> impl Iterator<Item = Flag> {
        Flag::ALL.iter().copied().filter(move |f| self.has(*f))
    }
    /// Their names in bit order.
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

/// How far a value can be trusted. The numbers are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Verdict {
    /// Within its stated uncertainty, as far as anything measured here can tell.
    Good = 0,
    /// A doubt touches it.
    Suspect = 1,
    /// Wrong, or very likely so.
    Bad = 2,
}

impl Verdict {
    /// All verdicts, in the order of their numbers.
    pub const ALL: [Self; 3] = [Self::Good, Self::Suspect, Self::Bad];
    /// The name outsiders see.
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

    /// Identity: bits and names are unique, so a stored set means one thing.
    #[test]
    fn every_flag_has_its_own_bit_and_name() {
        let bits: BTreeSet<u8> = Flag::ALL.iter().map(|f| *f as u8).collect();
        let names: BTreeSet<&str> = Flag::ALL.iter().map(|f| f.name()).collect();
        assert_eq!((bits.len(), names.len()), (Flag::ALL.len(), Flag::ALL.len()));
        let all: Flags = Flag::ALL.iter().copied().collect();
        assert_eq!(all.iter().count(), Flag::ALL.len());
    }
}
