//! A dark frame, where it came from, and how it is used.

use super::frame::Frame;

/// How darkness was had. The numbers are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum DarkSource {
    /// The instrument's own shutter.
    Shutter = 0,
    /// The night sky, the sun far below the horizon.
    Night = 1,
    /// A person covered the head.
    Covered = 2,
}

impl DarkSource {
    /// All sources, in the order of their numbers.
    pub const ALL: [Self; 3] = [Self::Shutter, Self::Night, Self::Covered];
    /// The name outsiders see, in configurations and databases.
    pub fn name(self) -> &'static str {
        match self {
            Self::Shutter => "shutter",
            Self::Night => "night",
            Self::Covered => "covered",
        }
    }
    /// From the name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.name() == name)
    }
}

/// A dark that was accepted.
#[derive(Clone, Debug, PartialEq)]
pub struct Dark {
    /// Its row in the store; 0 while it has none.
    pub id: i64,
    /// How darkness was had.
    pub source: DarkSource,
    /// The counts.
    pub frame: Frame,
}

/// Which dark was subtracted from a frame, by row.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum DarkReference {
    /// A matched dark.
    Matched {
        /// Row of `dark`.
        dark: i64,
        /// Row of `dark_model`: the model that gave the offsets of the pixels, where there was one.
        model: Option<i64>,
    },
    /// The dark model: row of `dark_model`.
    Model(i64),
    /// There was none to use.
    #[default]
    None,
}

/// How the dark of one bracket was had.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct DarkProvenance {
    /// Older, or from another temperature, than allowed.
    pub stale: bool,
    /// A newer one was rejected.
    pub suspect: bool,
    /// It is the model's.
    pub modelled: bool,
}

impl DarkProvenance {
    /// As stored: bit 0 stale, bit 1 suspect, bit 2 modelled; never renumbered.
    pub fn bits(self) -> u32 {
        u32::from(self.stale) | u32::from(self.suspect) << 1 | u32::from(self.modelled) << 2
    }
    /// From the stored bits.
    pub fn from_bits(bits: u32) -> Self {
        Self { stale: bits & 1 != 0, suspect: bits & 2 != 0, modelled: bits & 4 != 0 }
    }
}
