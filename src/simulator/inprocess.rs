//! The simulator as a [`Link`] in the same process, on a stepped clock.
//!
//! Waiting for bytes advances the clock to the time at which they are due: months take seconds, while transfer and exposure take
//! their simulated time to the microsecond.

use super::device::Device;
use super::simulated_station::SimulatedStation;
use super::wire::Wire;
use crate::clock::{Clock, Deadline, SteppedClock};
use crate::fault::Fault;
use crate::instrument::Link;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Quiet time that ends a drain.
const QUIET: Duration = Duration::from_millis(100);
/// Longest drain.
const DRAIN_MAX: Duration = Duration::from_secs(5);

/// Access to the simulator behind an in-process link while the link is in use.
pub struct Handle<D = Device>(Arc<Mutex<D>>);

impl<D> Clone for Handle<D> {
    fn clone(&self) -> Self {
        Self(Arc::clone(&self.0))
    }
}

impl<D: Wire> Handle<D> {
    /// The device; must not be held during an exchange.
    pub fn device(&self) -> MutexGuard<'_, D> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Another link to the same simulator, after the first one was dropped.
    pub fn link(&self, clock: &Arc<SteppedClock>) -> InProcessLink<D> {
        let hang_ups = self.device().hang_ups();
        InProcessLink { device: self.clone(), clock: Arc::clone(clock), open: true, hang_ups, arrived: Vec::new() }
    }

    /// Calls a function on the simulated station.
    pub fn with<T>(&self, change: impl FnOnce(&mut SimulatedStation) -> T) -> T {
        change(self.device().station_mut())
    }
}

/// A link to a simulator in the same process.
pub struct InProcessLink<D = Device> {
    device: Handle<D>,
    clock: Arc<SteppedClock>,
    open: bool,
    hang_ups: u64,
    arrived: Vec<u8>,
}

/// Connects a simulated station to a stepped clock; returns the link and a handle for tests.
pub fn connect(station: SimulatedStation, clock: Arc<SteppedClock>) -> (InProcessLink, Handle) {
    connect_device(Device::new(station), clock)
}

/// Connects any simulated device to a stepped clock; returns the link and a handle for tests.
pub fn connect_device<D: Wire>(device: D, clock: Arc<SteppedClock>) -> (InProcessLink<D>, Handle<D>) {
    let device = Handle(Arc::new(Mutex::new(device)));
    let link = InProcessLink { device: device.clone(), clock, open: true, hang_ups: 0, arrived: Vec::new() };
    (link, device)
}

impl<D: Wire> InProcessLink<D> {
    fn absent(&self, why: &str) -> Fault {
        Fault::Absent { path: self.name().to_owned(), why: why.to_owned() }
    }

    /// An error if the line is closed or hung up.
    fn check(&mut self) -> Result<(), Fault> {
        if self.open && self.device.device().hang_ups() != self.hang_ups {
            self.open = false;
        }
        if self.open { Ok(()) } else { Err(self.absent("hung up: was it unplugged?")) }
    }
}

impl<D: Wire> Link for InProcessLink<D> {
    fn write(&mut self, bytes: &[u8], _deadline: Deadline) -> Result<(), Fault> {
        self.check()?;
        self.device.device().receive(bytes, self.clock.now());
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
                device.transmit(now, (1, buffer.len()), &mut self.arrived);
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
            // An event that is already due was performed by `transmit`; a microsecond later, remainders of rounding are due too.
            let next = next.map_or(last, |t| t.max(now + Duration::from_micros(1)));
            self.clock.advance_to(next.min(last));
        }
    }

    fn drain(&mut self) -> Result<(), Fault> {
        self.check()?;
        let end = self.clock.monotonic() + DRAIN_MAX;
        let mut discarded = [0; 4096];
        while self.clock.monotonic() < end {
            let quiet = Deadline(self.clock.monotonic() + QUIET);
            if self.read(&mut discarded, quiet)? == 0 {
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
            if device.hung_up(now) {
                drop(device);
                return Err(self.absent("no such device: is it plugged in?"));
            }
            // Bytes sent while the line was closed are lost.
            device.transmit(now, (1, usize::MAX), &mut Vec::new());
            self.hang_ups = device.hang_ups();
        }
        self.open = true;
        Ok(())
    }

    fn close(&mut self) {
        self.open = false;
    }

    fn name(&self) -> &str {
        "in-process simulator"
    }
}

#[cfg(test)]
#[path = "inprocess_tests.rs"]
mod tests;
