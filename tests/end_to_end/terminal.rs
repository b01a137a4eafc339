//! A session over a serial port, in real time, with the virtual spectrometer on the other end of a pseudo-terminal.

use crate::virtual_spectrometer::VirtualSpectrometer;
use std::sync::Arc;
use std::time::{Duration, Instant};
use vigilux::clock::{RealClock, Stop};
use vigilux::fault::Fault;
use vigilux::instrument::{SCPI, SerialLink, Session};
use vigilux::record::Shutter;

fn session(instrument: &VirtualSpectrometer, stop: &Stop) -> Session {
    session_at(115_200, instrument, stop)
}

fn session_at(baud: u32, instrument: &VirtualSpectrometer, stop: &Stop) -> Session {
    let clock = Arc::new(RealClock::new());
    let link = SerialLink::new(&instrument.path(), baud, clock.clone(), stop.clone());
    Session::new(Box::new(link), clock, stop.clone(), baud, &SCPI)
}

/// Blocks of 16 KB, four times a terminal's buffer, arrive whole at either rate, and not later than the line needs.
#[test]
fn blocks_of_16_kb_arrive_whole() {
    for baud in [115_200, 460_800] {
        let instrument = VirtualSpectrometer::with(&format!("baud = {baud}\n[detector]\npixels = 8192\n"));
        let mut session = session_at(baud, &instrument, &Stop::new());
        let (_, detector) = session.connect().unwrap();
        assert_eq!(detector.pixels, 8192);
        for _ in 0..5 {
            let started = Instant::now();
            assert_eq!(session.expose(0.02, Shutter::Open).unwrap().rereads, 0);
            let took = started.elapsed().as_secs_f64();
            assert!(took < 0.02 + detector.transfer_s + 1.0, "{took} s at {baud} baud");
        }
        assert_eq!((session.counters().retries, session.counters().unsolicited), (0, 0), "{baud} baud");
    }
}

/// A session through a real terminal, at the line's rate, needs no retry.
#[test]
fn a_session_over_a_terminal_exposes_without_a_retry() {
    let instrument = VirtualSpectrometer::start();
    let mut session = session(&instrument, &Stop::new());
    let (identity, detector) = session.connect().unwrap();
    for shutter in [Shutter::Open, Shutter::Closed] {
        let started = Instant::now();
        let e = session.expose(0.1, shutter).unwrap();
        assert_eq!((e.counts.len(), e.rereads), (detector.pixels, 0));
        let took = started.elapsed().as_secs_f64();
        assert!(took > 0.1 + 0.9 * detector.transfer_s, "0.1 s of light and its transfer took only {took} s");
    }
    assert_eq!(session.check_identity().unwrap(), identity);
}

/// Stopped inside a long exposure, the session ends within a second, and the instrument accepts the next session at once
/// because the exposure was aborted.
#[test]
fn a_stop_inside_a_long_exposure_is_obeyed_within_a_second() {
    let instrument = VirtualSpectrometer::start();
    let stop = Stop::new();
    let mut first = session(&instrument, &stop);
    first.connect().unwrap();
    let raiser = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(700));
        stop.request();
        Instant::now()
    });
    assert_eq!(first.expose(60.0, Shutter::Open), Err(Fault::Stopped));
    let ended = Instant::now();
    let late = ended.saturating_duration_since(raiser.join().unwrap());
    assert!(late < Duration::from_secs(1), "gone {late:?} after the stop");
    drop(first);
    let mut second = session(&instrument, &Stop::new());
    second.connect().unwrap();
    assert_eq!(second.expose(0.05, Shutter::Open).unwrap().rereads, 0);
    assert!(ended.elapsed() < Duration::from_secs(10), "{:?}", ended.elapsed());
}

/// An instrument whose process ends is absent at once.
#[test]
fn an_instrument_that_goes_away_is_absent() {
    let instrument = VirtualSpectrometer::start();
    let mut session = session(&instrument, &Stop::new());
    session.connect().unwrap();
    drop(instrument);
    let started = Instant::now();
    assert!(matches!(session.expose(0.1, Shutter::Open), Err(Fault::Absent { .. })));
    assert!(matches!(session.connect(), Err(Fault::Absent { .. })));
    assert!(started.elapsed() < Duration::from_secs(2), "{:?}", started.elapsed());
}
