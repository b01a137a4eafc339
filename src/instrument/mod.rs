//! Communication with a spectrometer over a serial line: link, dialect, session.
//!
//! Commands, answers and byte order are confined to this module. It does not evaluate the light.
//!
//! Invariants of a returned exposure (every other outcome is a [`crate::fault::Fault`]):
//! - It is complete, and its checksum agrees with that of the instrument.
//! - Its integration time and shutter state are those that were active.

pub mod answer;
pub mod backoff;
pub mod dialect;
mod exchange;
mod fields;
pub mod link;
pub mod malformed;
pub mod recording;
pub mod scpi;
pub mod serial;
pub mod session;

pub use backoff::Backoff;
pub use dialect::Dialect;
pub use exchange::LinkCounters;
pub use link::Link;
pub use recording::RecordingLink;
pub use scpi::SCPI;
pub use serial::SerialLink;
#[cfg(test)]
pub(crate) use session::fake_instrument;
pub use session::{Identity, Session};
