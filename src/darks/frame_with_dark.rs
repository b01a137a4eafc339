//! A frame of light with the dark that is subtracted from it.

use crate::clock::UtcMicros;
use crate::record::{DarkProvenance, DarkReference, Frame};
use crate::reduction::DarkFor;

/// One bracket of a reading with everything that is known about its dark.
#[derive(Clone, Copy, Debug)]
pub struct FrameWithDark<'a> {
    /// The light.
    pub frame: &'a Frame,
    /// Its dark; `None` where there is none to use.
    pub dark: Option<DarkFor<'a>>,
    /// The most light that may have been in the dark [lx].
    pub dark_light_lx: f64,
    /// When the dark was taken, or the newest dark of the model.
    pub dark_time: Option<UtcMicros>,
    /// The rows of the dark, as stored beside the frame.
    pub reference: DarkReference,
    /// How good the dark is.
    pub provenance: DarkProvenance,
}
