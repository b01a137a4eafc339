//! Darks, their source, and the reference from a frame to its dark.

use super::frame::Frame;

/// The source of darkness. The numbers are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum DarkSource {
    /// The shutter of the instrument.
    Shutter = 0,
    /// The night sky, the sun far below the horizon.
    Night = 1,
    /// A cover put on by a person.
    Covered = 2,
}

impl DarkSource {
    /// All sources, in the order of their numbers.
    pub const ALL: [Self; 3] = [Self::Shutter, Self::Night, Self::Covered];
    /// The name in configurations and databases.
    pub fn name(self) -> &'static str {
        match self {
            Self::Shutter => "shutter",
            Self::Night => "night",
            Self::Covered => "covered",
        }
    }
    /// The source with a name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.name() == name)
    }
}

/// An accepted dark.
#[derive(Clone, Debug, PartialEq)]
pub struct Dark {
    /// Row of `dark`; 0 before it is stored.
    pub id: i64,
    /// Source of darkness.
    pub source: DarkSource,
    /// The counts.
    pub frame: Frame,
}

/// The dark subtracted from a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DarkReference {
    /// A matched dark.
    Matched {
        /// Row of `dark`.
        dark: i64,
        /// Row of `dark_model`: the model that gave the offsets of the pixels, if any.
        model: Option<i64>,
    },
    /// The dark model; row of `dark_model`.
    Model(i64),
    /// No dark was available.
    #[default]
    None,
}

/// Properties of the dark used for one bracket.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DarkProvenance {
    /// Its age, or its difference in temperature, exceeds the limit.
    pub stale: bool,
    /// A newer dark was rejected, or differs and is not confirmed.
    pub suspect: bool,
    /// It was computed by the dark model.
    pub modelled: bool,
    /// Difference of a newer dark [counts per exposure]; 0 without one.
    pub difference_counts: u16,
}

impl DarkProvenance {
    /// As stored: bit 0 stale, bit 1 suspect, bit 2 modelled, bits 16 to 31 `difference_counts`; never reassigned.
    pub fn bits(self) -> u32 {
        let flags = u32::from(self.stale) | u32::from(self.suspect) << 1 | u32::from(self.modelled) << 2;
        flags | u32::from(self.difference_counts) << 16
    }
    /// From the stored bits.
    pub fn from_bits(bits: u32) -> Self {
        Self {
            stale: bits & 1 != 0,
            suspect: bits & 2 != 0,
            modelled: bits & 4 != 0,
            difference_counts: (bits >> 16) as u16,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: every flag and the counts come back from their bits.
    #[test]
    fn provenance_survives_its_bits() {
        for flags in 0..8 {
            for difference_counts in [0, 1, 300, u16::MAX] {
                let bits = flags | u32::from(difference_counts) << 16;
                let back = DarkProvenance::from_bits(bits);
                assert_eq!((back.bits(), back.difference_counts), (bits, difference_counts));
            }
        }
    }
}
