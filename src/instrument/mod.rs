//! Talking to a spectrometer over a line: link, dialect, session.
//!
//! No other module knows a command word or a byte order. It never judges light. What must stay true: an exposure that it
//! returns is whole, its checksum was verified against the instrument's, and the integration time and shutter beside it are
//! those that were active. Everything else becomes a [`crate::fault::Fault`].

pub mod answer;
pub mod backoff;
pub mod dialect;
mod exchange;
mod fields;
pub mod link;
pub mod malformed;
pub mod scpi;
pub mod serial;
pub mod session;

pub use backoff::Backoff;
pub use dialect::Dialect;
pub use exchange::LinkCounters;
pub use link::Link;
pub use scpi::SCPI;
pub use serial::SerialLink;
pub use session::{Identity, Session};
