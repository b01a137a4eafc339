//! Communication with a spectrometer over a line: link, exchange, session.
//!
//! Commands, answers and byte order are the dialect's ([`crate::dialect`]); this module sends and receives. It does not evaluate the
//! light.
//!
//! Invariants of a returned exposure (every other outcome is a [`crate::fault::Fault`]):
//! - It is complete, and its frame is proven as far as the dialect allows.
//! - Its integration time and shutter state are those that were active.

pub mod answer;
pub mod backoff;
mod exchange;
pub mod link;
pub mod recording;
pub mod serial;
pub mod session;
pub mod tcp;
pub mod trace;

pub use crate::dialect::{Dialect, SCPI};
pub use backoff::Backoff;
pub use exchange::LinkCounters;
pub use link::{Link, LinkKind};
pub use recording::RecordingLink;
pub use serial::SerialLink;
#[cfg(test)]
pub(crate) use session::fake_instrument;
pub use session::{Identity, Session};
pub use tcp::TcpLink;

use crate::clock::{Clock, Stop};
use crate::dialect::SerialSettings;
use std::path::Path;
use std::sync::Arc;

/// The line with an address: `tcp://host:port`, or the path of a serial port.
pub fn link_to(address: &Path, settings: SerialSettings, clock: Arc<dyn Clock>, stop: Stop) -> Box<dyn Link> {
    match address.to_str() {
        Some(name) if name.starts_with(tcp::SCHEME) => Box::new(TcpLink::new(name, clock, stop)),
        _ => Box::new(SerialLink::with_settings(address, settings, clock, stop)),
    }
}
