//! The simulator on a TCP port: moves bytes between the device and one client at a time.
//!
//! One thread, without knowledge of the bytes, like the pseudo-terminal. A hang-up of the device closes the connection, and no
//! client is accepted until it is over. Bytes that leave the device while no client is connected are lost.

use super::wire::{Port, Turn, Wire, turn};
use crate::clock::{Clock, Stop};
use std::io::ErrorKind;
use std::net::{TcpListener, TcpStream};
use std::time::Duration;

/// Wait between two looks for a client.
const SLICE: Duration = Duration::from_millis(20);

/// Why the simulator cannot be served.
#[derive(Debug, thiserror::Error)]
#[error("{address}: expected a free TCP port to listen on, as `127.0.0.1:4001`, but found: {why}")]
pub struct TcpError {
    address: String,
    why: std::io::Error,
}

impl Port for TcpStream {
    fn wait_at_most(&mut self, wait: Duration) -> std::io::Result<()> {
        self.set_read_timeout(Some(wait))?;
        self.set_write_timeout(Some(wait))
    }
}

/// Serves the device at `address` until `stop` is raised; `announce` is called with the address in use.
pub fn serve(
    device: &mut dyn Wire,
    clock: &dyn Clock,
    address: &str,
    stop: &Stop,
    announce: impl FnOnce(&str),
) -> Result<(), TcpError> {
    let failed = |why| TcpError { address: address.to_owned(), why };
    let listener = TcpListener::bind(address).map_err(failed)?;
    listener.set_nonblocking(true).map_err(failed)?;
    announce(&listener.local_addr().map_err(failed)?.to_string());
    while !stop.requested() {
        match listener.accept() {
            // A hung-up device refuses whoever calls.
            Ok((client, _)) if !device.hung_up(clock.now()) => serve_client(device, clock, client, stop),
            Ok(_) => {}
            Err(why) if why.kind() == ErrorKind::WouldBlock => {
                device.transmit(clock.now(), (1, usize::MAX), &mut Vec::new());
                clock.pause(SLICE, stop);
            }
            // A client that left before it was accepted.
            Err(why) => tracing::debug!(%why, "accept"),
        }
    }
    Ok(())
}

/// Serves one client until it leaves, the device hangs up, or `stop` is raised.
fn serve_client(device: &mut dyn Wire, clock: &dyn Clock, mut client: TcpStream, stop: &Stop) {
    if client.set_nonblocking(false).and_then(|()| client.set_nodelay(true)).is_err() {
        return;
    }
    device.transmit(clock.now(), (1, usize::MAX), &mut Vec::new());
    let hang_ups = device.hang_ups();
    while !stop.requested() && device.hang_ups() == hang_ups {
        match turn(device, clock, &mut client) {
            Ok(Turn::Going) => {}
            // The client has gone; so have its bytes.
            Ok(Turn::Ended) | Err(_) => break,
        }
    }
    device.disconnected();
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::RealClock;
    use crate::simulator::devices::DeviceKind;
    use crate::simulator::simulated_station::SimulatedStation;
    use std::io::{Read, Write};
    use std::sync::mpsc;

    /// A Modbus client in plain bytes reads the identification, leaves, and another one is served.
    #[test]
    fn clients_are_served_one_after_another() {
        let stop = Stop::new();
        let (tell, address) = mpsc::channel();
        let thread = std::thread::spawn({
            let stop = stop.clone();
            move || {
                let clock = RealClock::new();
                let settings = DeviceKind::Quern.settings().unwrap();
                let mut device = DeviceKind::Quern.build(SimulatedStation::new(&settings, clock.now()).unwrap(), true);
                serve(&mut device, &clock, "127.0.0.1:0", &stop, |at| tell.send(at.to_owned()).unwrap())
            }
        });
        let address = address.recv().unwrap();
        for transaction in [7u8, 8] {
            let mut client = TcpStream::connect(&address).unwrap();
            client.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
            client.write_all(&[0, transaction, 0, 0, 0, 6, 1, 4, 0, 0, 0, 1]).unwrap();
            let mut answer = [0; 11];
            client.read_exact(&mut answer).unwrap();
            assert_eq!(answer, [0, transaction, 0, 0, 0, 5, 1, 4, 2, 0x51, 0x53]);
        }
        stop.request();
        thread.join().unwrap().unwrap();
    }
}
