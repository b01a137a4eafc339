//! The bench as a [`Link`] in the same process, on a clock that is stepped.
//!
//! Waiting for bytes moves the clock to when they are due, so that months pass in seconds while transfer and exposure
//! take their simulated time to the microsecond.

use super::device::Device;
use super::world::Bench;
use crate::clock::{Clock, Deadline, SteppedClock};
use crate::fault::Fault;
use crate::instrument::Link;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// How long the line has to be quiet for a drain to end.
const QUIET: Duration = Duration::from_millis(100);
/// Longest drain.
const DRAIN_MAX: Duration = Duration::from_secs(5);

/// A hold on the bench behind an in-process link: look at it and change it while the link is in use.
#[derive(Clone)]
pub struct Handle(Arc<Mutex<Device>>);

impl Handle {
    /// The device; do not hold it across an exchange.
    pub fn device(&self) -> MutexGuard<'_, Device> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Another link to the same bench, after the first one is gone.
    pub fn link(&self, clock: &Arc<SteppedClock>) -> InProcessLink {
        let hang_ups = self.device().hang_ups();
        InProcessLink { device: self.clone(), clock: Arc::clone(clock), open: true, hang_ups, arrived: Vec::new() }
    }

    /// Does something with the world behind the device.
    pub fn with<T>(&self, act: impl FnOnce(&mut Bench) -> T) -> T {
        act(self.device().bench_mut())
    }
}

/// A link to a bench in the same process.
pub struct InProcessLink {
    device: Handle,
    clock: Arc<SteppedClock>,
    open: bool,
    hang_ups: u64,
    arrived: Vec<u8>,
}

/// Connects a bench and a stepped clock: a link for the instrument's side and a handle for the test.
pub fn connect(bench: Bench, clock: Arc<SteppedClock>) -> (InProcessLink, Handle) {
    let device = Handle(Arc::new(Mutex::new(Device::new(bench))));
    let link = InProcessLink { device: device.clone(), clock, open: true, hang_ups: 0, arrived: Vec::new() };
    (link, device)
}

impl InProcessLink {
    fn absent(&self, why: &str) -> Fault {
        Fault::Absent { path: self.name().to_owned(), why: why.to_owned() }
    }

    /// An error when the line is closed or hung up.
    fn check(&mut self) -> Result<(), Fault> {
        if self.open && self.device.device().hang_ups() != self.hang_ups {
            self.open = false;
        }
        if self.open { Ok(()) } else { Err(self.absent("hung up: was it unplugged?")) }
    }
}

impl Link for InProcessLink {
    fn write(&mut self, bytes: &[u8], _deadline: Deadline) -> Result<(), Fault> {
        self.check()?;
        self.device.device().take(bytes, self.clock.now());
        Ok(())
    }

    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        if buffer.is_empty() {
            return Ok(0);
        }
        let last = self.clock.instant(deadline);
        loop {
            let now = self.clock.now();
            self.arrived.clear();
            let next = {
                let mut device = self.device.device();
                device.give(now, (1, buffer.len()), &mut self.arrived);
                device.next_due(buffer.len())
            };
            if !self.arrived.is_empty() {
                buffer[..self.arrived.len()].copy_from_slice(&self.arrived);
                return Ok(self.arrived.len());
            }
            self.check()?;
            if now >= last {
                return Ok(0);
            }
            // A step that is already due was done by `give`; a microsecond on, whatever rounding left is due too.
            let next = next.map_or(last, |t| t.max(now + Duration::from_micros(1)));
            self.clock.advance_to(next.min(last));
        }
    }

    fn drain(&mut self) -> Result<(), Fault> {
        self.check()?;
        let end = self.clock.monotonic() + DRAIN_MAX;
        let mut scrap = [0; 4096];
        while self.clock.monotonic() < end {
            let quiet = Deadline(self.clock.monotonic() + QUIET);
            if self.read(&mut scrap, quiet)? == 0 {
                return Ok(());
            }
        }
        Ok(())
    }

    fn reopen(&mut self) -> Result<(), Fault> {
        let now = self.clock.now();
        self.open = false;
        {
            let mut device = self.device.device();
            if device.gone(now) {
                drop(device);
                return Err(self.absent("no such device: is it plugged in?"));
            }
            // What left while nobody listened is lost.
            device.give(now, (1, usize::MAX), &mut Vec::new());
            self.hang_ups = device.hang_ups();
        }
        self.open = true;
        Ok(())
    }

    fn close(&mut self) {
        self.open = false;
    }

    fn name(&self) -> &str {
        "in-process bench"
    }
}

#[cfg(test)]
#[path = "inprocess_tests.rs"]
mod tests;
