//! The in-process link: timing, deadlines, drain and hang-up.

use super::*;
use crate::clock::UtcMicros;
use crate::simulator::faults::{FaultKind, FaultRule};
use crate::simulator::scenes::playback::Playback;
use crate::simulator::settings::Settings;
use crate::spectrum::Spectrum;

const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

fn link(settings: &Settings) -> (InProcessLink, Handle, Arc<SteppedClock>) {
    let spectrum = Spectrum { wavelength_nm: vec![200.0, 1200.0], irradiance: vec![0.1, 0.1] };
    let scene = Box::new(Playback::new(&spectrum, SimulatedStation::grid_of(settings)));
    let clock = Arc::new(SteppedClock::new(START));
    let (link, handle) = connect(SimulatedStation::with_scene(settings, START, scene).unwrap(), clock.clone());
    (link, handle, clock)
}

fn within(clock: &SteppedClock, seconds: u64) -> Deadline {
    clock.deadline(Duration::from_secs(seconds), Duration::ZERO)
}

/// Reads until the line is quiet for `seconds`.
fn all(link: &mut InProcessLink, clock: &SteppedClock, seconds: u64) -> Vec<u8> {
    let mut out = Vec::new();
    let mut buffer = [0; 8192];
    loop {
        match link.read(&mut buffer, within(clock, seconds)).unwrap() {
            0 => return out,
            n => out.extend_from_slice(&buffer[..n]),
        }
    }
}

/// Identity: 4103 bytes at 115200 baud take 0.356 s after an exposure of 2 s and a latency of 1 ms.
#[test]
fn the_clock_advances_by_exposure_and_transfer() {
    let (mut link, _, clock) = link(&Settings::default());
    link.write(b"FORM UINT,16;:SENS:APER 2\n", within(&clock, 1)).unwrap();
    assert_eq!(link.read(&mut [0; 10], within(&clock, 1)).unwrap(), 0);
    let before = clock.now();
    link.write(b"READ?\n", within(&clock, 1)).unwrap();
    let mut buffer = [0; 8192];
    assert_eq!(link.read(&mut buffer, within(&clock, 10)).unwrap(), 4103);
    let took = clock.now().seconds_since(before);
    assert!((took - (0.001 + 2.0 + 4103.0 * 10.0 / 115_200.0)).abs() < 1e-4, "took {took} s");
}

#[test]
fn a_deadline_within_a_transfer_loses_no_byte() {
    let (mut link, _, clock) = link(&Settings::default());
    link.write(b"FORM UINT,16;:READ?\n", within(&clock, 1)).unwrap();
    let mut buffer = [0; 8192];
    let deadline = clock.deadline(Duration::from_millis(102), Duration::ZERO);
    let part = link.read(&mut buffer, deadline).unwrap();
    assert!((1100..1200).contains(&part), "{part} bytes in 100 ms");
    assert_eq!(part + all(&mut link, &clock, 1).len(), 4103);
}

#[test]
fn silence_ends_at_the_deadline_and_a_drain_discards_bytes() {
    let (mut link, _, clock) = link(&Settings::default());
    let before = clock.now();
    assert_eq!(link.read(&mut [0; 10], within(&clock, 7)).unwrap(), 0);
    assert!((clock.now().seconds_since(before) - 7.0).abs() < 1e-6);
    link.write(b"FORM UINT,16;:READ?\n", within(&clock, 1)).unwrap();
    link.drain().unwrap();
    link.write(b"*OPC?\n", within(&clock, 1)).unwrap();
    assert_eq!(all(&mut link, &clock, 1), b"1\n");
}

#[test]
fn a_hang_up_is_absence_until_reopened() {
    let fault = vec![FaultRule { seconds: 30.0, ..FaultRule::at(FaultKind::HangUp, &[1]) }];
    let settings = Settings { fault, ..Settings::default() };
    let (mut link, handle, clock) = link(&settings);
    link.write(b"READ?\n", within(&clock, 1)).unwrap();
    assert!(matches!(link.read(&mut [0; 10], within(&clock, 5)), Err(Fault::Absent { .. })));
    assert!(matches!(link.write(b"*OPC?\n", within(&clock, 1)), Err(Fault::Absent { .. })));
    assert!(matches!(link.reopen(), Err(Fault::Absent { .. })));
    clock.advance_to(clock.now().plus_seconds(31.0));
    assert!(link.write(b"*OPC?\n", within(&clock, 1)).is_err(), "a device that came back has to be opened again");
    link.reopen().unwrap();
    link.write(b"*OPC?\n", within(&clock, 1)).unwrap();
    assert_eq!(all(&mut link, &clock, 1), b"1\n");
    assert_eq!(handle.device().hang_ups(), 1);
}
