//! The interface between the session and the byte line: [`Link`].
//!
//! A link transfers bytes and does not interpret them.
//!
//! Invariants:
//! - No call blocks past its deadline.
//! - An absent device is reported as [`Fault::Absent`], never as a timeout.

use crate::clock::Deadline;
use crate::fault::Fault;

/// The kind of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinkKind {
    /// Bytes arrive at the line rate.
    Serial,
    /// A TCP connection: bytes arrive together, and Modbus has its TCP form.
    Tcp,
}

/// A byte line to an instrument.
pub trait Link: Send {
    /// Sends all bytes.
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault>;
    /// Reads the available bytes, waiting for at least one until the deadline; `Ok(0)` means that none arrived.
    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault>;
    /// Discards received bytes until the line has been quiet for a short time.
    fn drain(&mut self) -> Result<(), Fault>;
    /// Closes the device if it is open, and opens it.
    fn reopen(&mut self) -> Result<(), Fault>;
    /// Closes the device, so that it gets the same name when plugged in again.
    fn close(&mut self);
    /// Path or name of the device, for messages.
    fn name(&self) -> &str;
    /// The kind of the line.
    fn kind(&self) -> LinkKind {
        LinkKind::Serial
    }
}
