//! Tests of a session with the fake instrument, with faults of line and instrument.
//!
//! Property checked by every test: a returned exposure was made after the call, with the settings it states; every other outcome
//! is a fault.

use super::fake_instrument::{FakeLink, FakeState, Piece};
use super::{RETRIES, Session};
use crate::clock::{Clock, SteppedClock, Stop, UtcMicros};
use crate::fault::Fault;
use crate::instrument::SCPI;
use crate::record::{Exposure, PixelRanges, Shutter};
use proptest::prelude::*;
use std::sync::{Arc, MutexGuard};

struct Rig {
    clock: Arc<SteppedClock>,
    stop: Stop,
    link: FakeLink,
    session: Session,
}

impl Rig {
    fn unconnected() -> Self {
        let clock = Arc::new(SteppedClock::new(UtcMicros(1_800_000_000_000_000)));
        let stop = Stop::new();
        let link = FakeLink::new(clock.clone(), stop.clone());
        let session = Session::new(Box::new(link.clone()), clock.clone(), stop.clone(), 115_200, &SCPI);
        Self { clock, stop, link, session }
    }

    fn new() -> Self {
        let mut rig = Self::unconnected();
        rig.session.connect().unwrap();
        rig
    }

    fn state(&self) -> MutexGuard<'_, FakeState> {
        self.link.0.lock().unwrap()
    }

    fn expose(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let since = self.clock.now();
        let result = self.session.expose(integration_s, shutter);
        if let Ok(e) = &result {
            self.link.assert_happened(e, since);
            assert_eq!(e.crc32, crc(&e.counts));
        }
        result
    }

    fn exposures_made(&self) -> usize {
        self.state().truth.len()
    }
}

fn crc(counts: &[u32]) -> u32 {
    crc32fast::hash(&counts.iter().flat_map(|c| (*c as u16).to_be_bytes()).collect::<Vec<u8>>())
}

fn at_once(bytes: Vec<u8>) -> Vec<Piece> {
    vec![(0.0, bytes)]
}

/// A session can be moved to the thread of its instrument.
#[test]
fn a_session_can_move_to_its_thread() {
    let mut rig = Rig::new();
    let pixels = std::thread::spawn(move || rig.session.expose(0.1, Shutter::Open).map(|e| e.counts.len()));
    assert_eq!(pixels.join().unwrap(), Ok(16));
}

/// The session returns the identity and detector that the instrument reports.
#[test]
fn a_connection_reads_identity_and_detector() {
    let mut rig = Rig::unconnected();
    let (identity, detector) = rig.session.connect().unwrap();
    assert_eq!((identity.maker.as_str(), identity.serial.as_str()), ("Invented Optics", "0042"));
    assert_eq!((detector.pixels, detector.full_scale, detector.has_shutter), (16, 65_535, true));
    assert_eq!((detector.integration_min_s, detector.integration_max_s), (0.001, 60.0));
    assert_eq!(detector.shielded, PixelRanges(vec![(0, 1)]));
    // 16 pixels of 2 bytes and 64 bytes of fields, ten bits each.
    assert!((detector.transfer_s - 96.0 * 10.0 / 115_200.0).abs() < 1e-12);
    assert!(rig.session.is_connected());
}

/// Settings are sent once; every further exposure takes one message and its confirmation.
#[test]
fn settings_are_sent_only_when_they_change() {
    let mut rig = Rig::new();
    for _ in 0..3 {
        let e = rig.expose(0.123_456_789, Shutter::Open).unwrap();
        assert_eq!((e.integration_s, e.temperature_c, e.rereads), (0.123_46, Some(21.5), 0));
    }
    rig.expose(0.123_456_789, Shutter::Closed).unwrap();
    let state = rig.state();
    let set = |word| state.received.iter().filter(|m| m.contains(word)).count();
    assert_eq!((set(":SENS:APER 0.123456789"), set(":READ?"), set(":FETC:CRC?")), (2, 4, 4));
}

/// Without a sensor the temperature is `None`; without a shutter only open exposures are made.
#[test]
fn an_instrument_without_sensor_and_shutter_is_usable() {
    let mut rig = Rig::unconnected();
    (rig.state().temperature, rig.state().has_shutter) = (9.91e37, false);
    assert!(!rig.session.connect().unwrap().1.has_shutter);
    assert_eq!(rig.expose(0.1, Shutter::Open).unwrap().temperature_c, None);
    let fault = rig.expose(0.1, Shutter::Closed).unwrap_err();
    assert!(matches!(fault, Fault::Refused { code: -241, .. }), "{fault}");
}

/// A full scale beyond 16 bits is read with 32 bits per pixel.
#[test]
fn a_large_full_scale_is_read_with_four_bytes_a_pixel() {
    let mut rig = Rig::unconnected();
    rig.state().full_scale = 1_000_000;
    rig.session.connect().unwrap();
    let since = rig.clock.now();
    let e = rig.session.expose(0.1, Shutter::Open).unwrap();
    rig.link.assert_happened(&e, since);
    assert!(rig.state().received.iter().any(|m| m.contains(":FORM UINT,32")));
}

/// An answer in two pieces, split anywhere, is received without a retry.
#[test]
fn an_answer_split_anywhere_needs_no_retry() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    for cut in 0..80 {
        rig.link.alter(":READ?", move |b| {
            vec![(0.0, b[..cut.min(b.len())].to_vec()), (0.3, b[cut.min(b.len())..].to_vec())]
        });
        let e = rig.expose(0.1, Shutter::Open).unwrap();
        assert_eq!(e.rereads, 0, "cut at {cut}");
    }
}

/// Every answer of an exposure, truncated at every byte, leads to a retry and the right exposure.
#[test]
fn a_truncated_answer_is_read_again() {
    for word in [":READ?", ":FETC:CRC?", ":SENS:APER 0.1"] {
        let mut rig = Rig::new();
        for cut in 0..80 {
            // A different integration time each time, so that settings are sent as well.
            let s = if cut % 2 == 0 { 0.1 } else { 0.2 };
            let word = if word == ":READ?" || word == ":FETC:CRC?" { word } else { ":SYST:ERR?" };
            let short = Arc::new(std::sync::atomic::AtomicBool::new(false));
            let told = short.clone();
            rig.link.alter(word, move |b| {
                told.store(cut < b.len(), std::sync::atomic::Ordering::SeqCst);
                at_once(b[..cut.min(b.len())].to_vec())
            });
            let e = rig.expose(s, Shutter::Open).unwrap();
            let was_short = short.load(std::sync::atomic::Ordering::SeqCst);
            assert_eq!(e.rereads > 0, was_short, "{word} cut at {cut}: {} rereads", e.rereads);
        }
    }
}

/// A repeated answer, immediate or late, is never attributed to another message.
#[test]
fn a_repeated_answer_is_never_attributed_to_another_message() {
    for word in [":READ?", ":FETC:CRC?", "*IDN?"] {
        for late_s in [0.0, 0.05, 0.4, 1.5, 3.0, 7.0] {
            let mut rig = Rig::new();
            rig.link.alter(word, move |b| vec![(0.0, b.clone()), (late_s, b)]);
            for _ in 0..6 {
                rig.expose(0.5, Shutter::Open).unwrap();
                assert_eq!(rig.session.check_identity().unwrap().serial, "0042");
            }
        }
    }
}

/// An old block and its old checksum, both repeated while the next ones are awaited, agree with each other and are still
/// refused.
#[test]
fn an_old_block_with_its_own_checksum_is_refused() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    rig.link.alter(":READ?", |b| vec![(0.0, b.clone()), (0.05, b)]);
    rig.link.alter(":FETC:CRC?", |b| vec![(0.0, b.clone()), (0.06, b)]);
    rig.expose(0.1, Shutter::Open).unwrap();
    assert!(rig.expose(0.1, Shutter::Open).unwrap().rereads > 0);
}

/// An answer after its deadline is never attributed to the retry.
#[test]
fn a_late_answer_is_not_attributed_to_the_retry() {
    for late_s in [2.9, 3.5, 6.0, 12.0] {
        let mut rig = Rig::new();
        rig.link.alter(":READ?", move |b| vec![(late_s, b)]);
        let e = rig.expose(0.2, Shutter::Open).unwrap();
        assert!(e.rereads > 0);
        rig.clock.advance_to(rig.clock.now().plus_seconds(30.0));
        assert_eq!(rig.expose(0.2, Shutter::Open).unwrap().rereads, 0);
    }
}

/// A block with a flipped bit fails its checksum and is fetched again, not exposed again.
#[test]
fn a_wrong_checksum_is_fetched_again_without_another_exposure() {
    let mut rig = Rig::new();
    rig.link.alter(":READ?", |mut b| {
        let n = b.len();
        b[n - 6] ^= 0x10;
        at_once(b)
    });
    let e = rig.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.rereads, rig.exposures_made(), rig.session.counters().refetches), (1, 1, 1));
}

/// A block truncated after its head is fetched again, not exposed again.
#[test]
fn a_truncated_block_is_fetched_again_without_another_exposure() {
    let mut rig = Rig::new();
    rig.link.alter(":READ?", |b| at_once(b[..b.len() - 7].to_vec()));
    let e = rig.expose(30.0, Shutter::Open).unwrap();
    assert_eq!((e.rereads, rig.exposures_made()), (1, 1));
}

/// An exposure without any received byte is repeated, never fetched: the block in the instrument may be an older one.
#[test]
fn a_lost_exposure_is_repeated() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    rig.link.alter(":READ?", |_| vec![]);
    let e = rig.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.rereads, rig.exposures_made(), rig.session.counters().refetches), (1, 3, 0));
}

/// An instrument that lost the block and returns the previous one with its checksum is detected.
#[test]
fn the_block_of_the_previous_exposure_is_refused() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    rig.state().forgets_block = true;
    rig.link.alter(":READ?", |b| at_once(b[..b.len() - 7].to_vec()));
    let e = rig.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.rereads, rig.exposures_made()), (2, 3));
}

/// Settings changed by another host are detected and sent again.
#[test]
fn settings_changed_by_another_host_are_sent_again() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    rig.state().aperture = 0.3;
    let e = rig.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.integration_s, e.rereads), (0.1, 1));
}

/// A block that is one byte too long or too short is refused and read again, for any announced length.
#[test]
fn a_block_of_the_wrong_length_is_read_again() {
    let edits: [fn(Vec<u8>) -> Vec<u8>; 4] = [
        |mut b| {
            b.insert(b.len() - 1, b'x');
            b
        },
        |mut b| {
            b.remove(b.len() - 2);
            b
        },
        |b| replaced(b, b"#232", b"#233"),
        |b| replaced(b, b"#232", b"#9999999999"),
    ];
    for edit in edits {
        let mut rig = Rig::new();
        rig.link.alter(":READ?", move |b| at_once(edit(b)));
        assert_eq!(rig.expose(0.1, Shutter::Open).unwrap().rereads, 1);
    }
}

fn replaced(bytes: Vec<u8>, from: &[u8], to: &[u8]) -> Vec<u8> {
    let at = bytes.windows(from.len()).position(|w| w == from).unwrap();
    [&bytes[..at], to, &bytes[at + from.len()..]].concat()
}

/// Noise before an answer is discarded.
#[test]
fn noise_before_an_answer_is_discarded() {
    for noise in [&b"\x00\xff\xfe"[..], b"1;", b"1\n", b"boot 1.0\r\nready\r\n", b"#232", b"\n"] {
        for word in [":READ?", ":FETC:CRC?", "*IDN?", ":SYST:ERR?"] {
            let mut rig = Rig::new();
            rig.link.alter(word, move |b| at_once([noise, &b].concat()));
            rig.expose(0.1, Shutter::Open).unwrap();
            rig.session.check_identity().unwrap();
            rig.expose(0.2, Shutter::Open).unwrap();
        }
    }
}

/// A restarted instrument has lost its settings; an exposure made after the restart is not returned.
#[test]
fn a_restarted_instrument_gets_its_settings_again() {
    for word in [":READ?", ":FETC:CRC?", "*IDN?", ":SYST:ERR?"] {
        let mut rig = Rig::new();
        rig.expose(0.5, Shutter::Closed).unwrap();
        rig.state().restart_before = Some(word);
        rig.expose(0.5, Shutter::Closed).unwrap();
        rig.session.check_identity().unwrap();
        rig.expose(0.5, Shutter::Closed).unwrap();
    }
}

/// A change of the integration time alone is sent with its exposure, without a further exchange; a change of the shutter is
/// confirmed first.
#[test]
fn a_new_integration_time_is_sent_with_its_exposure() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    let exchanges = |rig: &mut Rig, seconds: f64, shutter: Shutter| {
        let before = rig.session.counters().exchanges;
        let e = rig.expose(seconds, shutter).unwrap();
        assert!((e.integration_s - seconds).abs() < 1e-3, "{} s", e.integration_s);
        rig.session.counters().exchanges - before
    };
    assert_eq!(exchanges(&mut rig, 0.1, Shutter::Open), 2);
    assert_eq!(exchanges(&mut rig, 5.0, Shutter::Open), 2);
    assert_eq!(exchanges(&mut rig, 0.02, Shutter::Open), 2);
    assert_eq!(exchanges(&mut rig, 0.02, Shutter::Closed), 3);
    assert_eq!(exchanges(&mut rig, 0.3, Shutter::Closed), 2);
    assert_eq!((rig.exposures_made(), rig.session.counters().retries), (6, 0));
}

/// If sending an integration time with its exposure fails, everything is set and confirmed before the next one; a damaged block
/// is fetched, not exposed again.
#[test]
fn after_a_failed_integration_time_all_settings_are_sent_again() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    // Refused, or damaged in transfer: no exposure with the old time is returned.
    rig.link.alter(":SYST:ERR?", |b| at_once(replaced(b, b"0,\"No error\"", b"-222,\"Data out of range;x\"")));
    assert_eq!(rig.expose(0.2, Shutter::Open).unwrap().rereads, 1);
    rig.link.alter(":SYST:ERR?", |b| at_once(replaced(b, b"0,\"No error\"", b"-222,\"Data out of range\"")));
    assert_eq!(rig.expose(0.3, Shutter::Open).unwrap().rereads, 1);
    rig.state().restart_before = Some(":SENS:APER 0.4");
    rig.expose(0.4, Shutter::Open).unwrap();
    // The block arrives damaged.
    let made = rig.exposures_made();
    rig.link.alter(":READ?", |b| at_once(b[..b.len() - 9].to_vec()));
    let e = rig.expose(0.5, Shutter::Open).unwrap();
    assert_eq!((e.rereads, rig.exposures_made() - made, rig.session.counters().refetches), (1, 1, 1));
}

/// A different instrument on the same path gives an identity fault before any of its numbers is used.
#[test]
fn another_instrument_on_the_same_path_is_a_fault() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    rig.state().serial = "0043".into();
    let expected = Fault::Identity { expected: "0042".into(), found: "0043".into() };
    assert_eq!(rig.session.check_identity(), Err(expected.clone()));
    assert_eq!(rig.expose(0.1, Shutter::Open), Err(expected));
    // Exchanged during a reading: detected by its settings.
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    (rig.state().serial, rig.state().restart_before) = ("0044".into(), Some(":READ?"));
    assert!(matches!(rig.expose(0.1, Shutter::Open), Err(Fault::Identity { .. })));
}

/// A requested identity check is done by the next exposure without a further message; an exposure of another instrument is not
/// returned, a damaged answer is queried again, and the check is done once.
#[test]
fn an_exposure_checks_the_identity_on_request() {
    let mut rig = Rig::new();
    rig.expose(0.1, Shutter::Open).unwrap();
    let exchanges = |rig: &mut Rig| {
        let before = rig.session.counters().exchanges;
        rig.expose(0.1, Shutter::Open).unwrap();
        rig.session.counters().exchanges - before
    };
    let trusted = exchanges(&mut rig);
    rig.session.check_identity_with_next();
    assert_eq!(exchanges(&mut rig), trusted);
    rig.session.check_identity_with_next();
    rig.link.alter("*IDN?", |b| at_once(replaced(b, b"0042", b"0046")));
    assert_eq!(exchanges(&mut rig), trusted + 1);
    rig.state().serial = "0043".into();
    assert_eq!(exchanges(&mut rig), trusted, "nobody asked");
    rig.session.check_identity_with_next();
    let expected = Fault::Identity { expected: "0042".into(), found: "0043".into() };
    assert_eq!(rig.expose(0.1, Shutter::Open), Err(expected));
}

/// One damaged serial number is not taken for another instrument.
#[test]
fn a_damaged_identity_is_queried_again() {
    let mut rig = Rig::new();
    rig.link.alter("*IDN?", |b| at_once(replaced(b, b"0042", b"0046")));
    assert_eq!(rig.session.check_identity().unwrap().serial, "0042");
}

/// Errors in the queue from another host are not attributed to the settings; a refused setting is reported.
#[test]
fn foreign_errors_are_cleared_and_own_errors_reported() {
    let mut rig = Rig::new();
    rig.state().errors.extend((0..30).map(|_| "-113,\"Undefined header\"".to_owned()));
    rig.state().errors.push_back("-350,\"Queue overflow\"".into());
    rig.expose(0.1, Shutter::Open).unwrap();
    for _ in 0..2 {
        rig.link.alter(":SYST:ERR?", |b| at_once(replaced(b, b"0,\"No error\"", b"-222,\"Data out of range\"")));
    }
    let fault = rig.expose(0.2, Shutter::Open).unwrap_err();
    assert!(matches!(&fault, Fault::Refused { code: -222, text, .. } if text == "Data out of range"), "{fault}");
    for outside in [0.0, -1.0, 0.000_9, 61.0, f64::NAN, f64::INFINITY] {
        assert!(matches!(rig.expose(outside, Shutter::Open), Err(Fault::Refused { code: -222, .. })), "{outside}");
    }
    rig.expose(0.2, Shutter::Open).unwrap();
}

/// A temperature damaged in transfer is outvoted by two others.
#[test]
fn a_damaged_temperature_is_outvoted() {
    for word in [":READ?", ":FETC:CRC?"] {
        let mut rig = Rig::new();
        rig.link.alter(word, |b| at_once(replaced(b, b"21.5", b"61.5")));
        assert_eq!(rig.expose(0.1, Shutter::Open).unwrap().temperature_c, Some(21.5));
    }
}

/// Counts above the full scale are refused even with a valid checksum.
#[test]
fn counts_above_the_full_scale_are_corrupt() {
    let mut rig = Rig::unconnected();
    rig.state().full_scale = 4095;
    rig.session.connect().unwrap();
    rig.state().full_scale = 60_000;
    let results: Vec<_> = (0..40).map(|_| rig.expose(0.1, Shutter::Open)).collect();
    let fault = results.into_iter().find_map(Result::err).expect("counts above 4095 were made");
    assert!(matches!(&fault, Fault::Corrupt { expected, .. } if expected.contains("full scale of 4095")), "{fault}");
}

/// A silent instrument gives `NoAnswer` after bounded retries and time; the session remains usable.
#[test]
fn a_silent_instrument_is_no_answer_in_bounded_time() {
    let mut rig = Rig::new();
    for _ in 0..=RETRIES {
        rig.link.alter(":READ?", |_| vec![]);
    }
    let started = rig.clock.now();
    let fault = rig.expose(1.0, Shutter::Open).unwrap_err();
    assert!(matches!(&fault, Fault::NoAnswer { found, .. } if found == "nothing came"), "{fault}");
    let took = rig.clock.now().seconds_since(started);
    assert!(took < 4.0 * (1.0 + 0.5 + 2.0 + 1.0), "{took} s");
    assert_eq!(rig.expose(1.0, Shutter::Open).unwrap().rereads, 0);
    // No answer at all, not even to the probe.
    (0..64).for_each(|_| rig.link.alter("", |_| vec![]));
    assert!(matches!(rig.expose(1.0, Shutter::Open), Err(Fault::NoAnswer { .. })));
}

/// A connection without answer, or with unintelligible answers, names the likely causes.
#[test]
fn no_answer_at_connection_names_power_and_line_rate() {
    let met = |answer: fn(&[u8]) -> Vec<u8>| {
        let mut rig = Rig::unconnected();
        (0..64).for_each(|_| {
            rig.link.alter("", move |b| if answer(&b).is_empty() { vec![] } else { at_once(answer(&b)) })
        });
        let fault = rig.session.connect().unwrap_err();
        assert!(!rig.session.is_connected());
        fault
    };
    let silence = met(|_| vec![]);
    assert!(matches!(silence, Fault::NoAnswer { .. }), "{silence}");
    let text = silence.to_string();
    assert!(text.contains("nothing came (is it switched on, and is 115200 baud its line rate?)"), "{text}");
    let rubbish = met(|b| b.iter().map(|x| x | 0x80).collect());
    assert!(matches!(rubbish, Fault::Corrupt { .. }), "{rubbish}");
    let text = rubbish.to_string();
    assert!(text.contains("(is 115200 baud its line rate, and does it speak this dialect?)"), "{text}");
}

/// An unplugged device is absent until it is connected again.
#[test]
fn an_unplugged_device_is_absent_until_connected_again() {
    let mut rig = Rig::new();
    rig.state().unplugged = true;
    assert!(matches!(rig.expose(0.1, Shutter::Open), Err(Fault::Absent { .. })));
    assert!(matches!(rig.session.connect(), Err(Fault::Absent { .. })));
    rig.state().unplugged = false;
    let fault = rig.expose(0.1, Shutter::Open).unwrap_err();
    assert!(fault.to_string().contains("not connected"), "{fault}");
    rig.session.connect().unwrap();
    rig.expose(0.1, Shutter::Open).unwrap();
    assert_eq!(rig.session.counters().reconnects, 1);
}

/// A stop during a long exposure aborts it at the instrument and returns at once.
#[test]
fn a_stop_inside_a_long_exposure_ends_it() {
    let mut rig = Rig::new();
    rig.expose(60.0, Shutter::Open).unwrap();
    rig.state().stop_when_waiting = true;
    let started = rig.clock.now();
    assert_eq!(rig.expose(60.0, Shutter::Open), Err(Fault::Stopped));
    assert!(rig.stop.requested());
    assert!(rig.clock.now().seconds_since(started) < 61.0);
    assert_eq!(rig.state().received.last().map(String::as_str), Some(":ABOR"));
    let made = rig.exposures_made();
    assert_eq!(rig.expose(0.1, Shutter::Open), Err(Fault::Stopped));
    assert_eq!(rig.exposures_made(), made, "a stopped session exposed again");
}

/// A fault of the line in one answer.
#[derive(Clone, Debug)]
enum LineFault {
    Cut(usize),
    Flip(usize, u8),
    Noise(Vec<u8>),
    Twice(f64),
    Late(f64),
    Lost,
    Pieces(usize, f64),
}

impl LineFault {
    fn to(&self, mut b: Vec<u8>) -> Vec<Piece> {
        match self {
            Self::Cut(at) => at_once(b[..at % b.len()].to_vec()),
            Self::Flip(at, bit) => {
                let at = at % b.len();
                b[at] ^= 1 << (bit % 8);
                at_once(b)
            }
            Self::Noise(noise) => at_once([noise, &b[..]].concat()),
            Self::Twice(s) => vec![(0.0, b.clone()), (*s, b)],
            Self::Late(s) => vec![(*s, b)],
            Self::Lost => vec![],
            Self::Pieces(at, s) => {
                let rest = b.split_off(at % b.len());
                vec![(0.0, b), (*s, rest)]
            }
        }
    }
}

fn line_fault() -> impl Strategy<Value = LineFault> {
    prop_oneof![
        (0_usize..200).prop_map(LineFault::Cut),
        (0_usize..200, any::<u8>()).prop_map(|(at, bit)| LineFault::Flip(at, bit)),
        proptest::collection::vec(any::<u8>(), 1..12).prop_map(LineFault::Noise),
        (0.0..8.0).prop_map(LineFault::Twice),
        (0.0..8.0).prop_map(LineFault::Late),
        Just(LineFault::Lost),
        (0_usize..200, 0.0..3.0).prop_map(|(at, s)| LineFault::Pieces(at, s)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]
    /// For random line faults every returned exposure was made as stated, every other outcome is a fault, and on a good line the
    /// session works again.
    #[test]
    fn every_returned_exposure_was_made_as_stated(
        harms in proptest::collection::vec((0_usize..6, line_fault()), 1..12),
        restart in proptest::option::of(0_usize..4),
        aims in proptest::collection::vec((prop_oneof![Just(0.1), Just(0.25), Just(1.0)], any::<bool>()), 4..10),
    ) {
        const WORDS: [&str; 6] = ["", ":READ?", ":FETC:CRC?", ":SYST:ERR?", "*IDN?", ":FETC?"];
        let mut rig = Rig::new();
        rig.expose(0.1, Shutter::Open).unwrap();
        for (word, line_fault) in harms {
            rig.link.alter(WORDS[word], move |b| line_fault.to(b));
        }
        rig.state().restart_before = restart.map(|i| WORDS[i + 1]);
        for (s, closed) in aims {
            let shutter = if closed { Shutter::Closed } else { Shutter::Open };
            if let Ok(e) = rig.expose(s, shutter) {
                prop_assert_eq!((e.integration_s, e.shutter), (s, shutter));
                let t = e.temperature_c.unwrap();
                prop_assert!((t - 21.5).abs() <= 0.25, "temperature {}", t);
            }
        }
        rig.state().alterations.clear();
        // Late answers have arrived as unsolicited bytes.
        rig.clock.advance_to(rig.clock.now().plus_seconds(60.0));
        prop_assert_eq!(rig.expose(0.1, Shutter::Open).map(|e| e.rereads), Ok(0));
    }
}
