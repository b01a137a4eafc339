//! The seam: whatever bytes travel over, the instrument's side of the program sees a [`Link`].
//!
//! A link moves bytes and knows nothing of their meaning. What must stay true: no call blocks past its deadline, and a
//! device that is gone is reported as [`Fault::Absent`], never as silence.

use crate::clock::Deadline;
use crate::fault::Fault;

/// A byte line to an instrument.
pub trait Link: Send {
    /// Sends all bytes.
    fn write(&mut self, bytes: &[u8], deadline: Deadline) -> Result<(), Fault>;
    /// Takes what has come, at least one byte unless the deadline passes first: `Ok(0)` means "nothing came".
    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault>;
    /// Throws away what is on its way, until the line has been quiet for a moment.
    fn drain(&mut self) -> Result<(), Fault>;
    /// Closes the device if it is open and opens it afresh.
    fn reopen(&mut self) -> Result<(), Fault>;
    /// Closes the device, so that a replugged one gets its old name back.
    fn close(&mut self);
    /// The path or name for messages.
    fn name(&self) -> &str;
}
