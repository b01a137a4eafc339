//! Why a frame is not used as a dark, and what became of the exposures of one.

use crate::clock::UtcMicros;
use crate::record::{Dark, DarkSource, Event, EventKind};

/// Why a frame is not used as a dark.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DarkRejection {
    /// Many pixels are clipped.
    #[error("expected a dark frame, but {clipped} of {pixels} pixels are clipped")]
    Clipped {
        /// How many.
        clipped: usize,
        /// Of how many.
        pixels: usize,
    },
    /// Its pixels follow a spectrum.
    #[error(
        "expected a dark frame, but light shows: neighbouring pixels agree by {deviations:.1} standard deviations \
         (limit {limit:.1}), brightest near pixel {pixel}"
    )]
    Lit {
        /// The common structure over what chance makes [1].
        deviations: f64,
        /// The limit it passed [1].
        limit: f64,
        /// Middle of the brightest block.
        pixel: usize,
    },
    /// Its level is not one the model can have.
    #[error("expected a dark level of about {expected:.0} counts, but found {found:.0}")]
    OutOfBand {
        /// The model's level [counts].
        expected: f64,
        /// The frame's [counts].
        found: f64,
    },
    /// It is not what the darks before it allow, and no second one has confirmed it yet.
    #[error(
        "held back until another confirms it: expected at most {allowed:.0} counts from what the darks before it allow, but found \
         {found:.0}"
    )]
    Unconfirmed {
        /// How far it might be [counts].
        allowed: f64,
        /// How far it is [counts].
        found: f64,
    },
    /// It has too few pixels, or none that see light.
    #[error("expected at least {expected} pixels that see light, but found {found}")]
    TooFewPixels {
        /// The least that can be judged.
        expected: usize,
        /// What there is.
        found: usize,
    },
}

/// What became of the exposures of a dark.
#[derive(Clone, Debug)]
pub enum DarkOutcome {
    /// They are dark: store this, and then `DarkSet::insert` it.
    Accepted(Dark),
    /// They are not, and are never used.
    Rejected(RejectedDark),
}

/// A frame that was rejected as a dark.
#[derive(Clone, Debug)]
pub struct RejectedDark {
    /// How the head should have been dark.
    pub source: DarkSource,
    /// Integration time [s].
    pub integration_s: f64,
    /// First and last light.
    pub span: (UtcMicros, UtcMicros),
    /// Why it is not dark.
    pub reason: DarkRejection,
    /// Darks of the same night that are no longer used because of it.
    pub discarded: usize,
}

impl RejectedDark {
    /// As an event.
    pub fn event(&self, instrument: &str) -> Event {
        let discarded = match self.discarded {
            0 => String::new(),
            1 => "; one dark of this night is no longer used".to_owned(),
            n => format!("; {n} darks of this night are no longer used"),
        };
        Event {
            time: self.span.0,
            until: Some(self.span.1),
            instrument: Some(instrument.to_owned()),
            kind: EventKind::DarkRefused,
            text: format!(
                "{} dark of {:.4} s refused: {}{discarded}",
                self.source.name(),
                self.integration_s,
                self.reason
            ),
        }
    }
}
