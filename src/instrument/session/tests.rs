//! What a session must stand, against the small instrument of the fake link.
//!
//! The claim behind every test here: an exposure that is handed out really happened, after it was asked for, with the
//! settings beside it; everything else is a fault.

use super::fake_instrument::{FakeLink, Inside, Piece};
use super::{RETRIES, Session};
use crate::clock::{Clock, SteppedClock, Stop, UtcMicros};
use crate::fault::Fault;
use crate::instrument::SCPI;
use crate::record::{Exposure, PixelRanges, Shutter};
use proptest::prelude::*;
use std::sync::{Arc, MutexGuard};

struct Room {
    clock: Arc<SteppedClock>,
    stop: Stop,
    link: FakeLink,
    session: Session,
}

impl Room {
    fn unconnected() -> Self {
        let clock = Arc::new(SteppedClock::new(UtcMicros(1_800_000_000_000_000)));
        let stop = Stop::new();
        let link = FakeLink::new(clock.clone(), stop.clone());
        let session = Session::new(Box::new(link.clone()), clock.clone(), stop.clone(), 115_200, &SCPI);
        Self { clock, stop, link, session }
    }

    fn new() -> Self {
        let mut room = Self::unconnected();
        room.session.connect().unwrap();
        room
    }

    fn inside(&self) -> MutexGuard<'_, Inside> {
        self.link.0.lock().unwrap()
    }

    fn expose(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let since = self.clock.now();
        let result = self.session.expose(integration_s, shutter);
        if let Ok(e) = &result {
            self.link.must_have_happened(e, since);
            assert_eq!(e.crc32, crc(&e.counts));
        }
        result
    }

    fn exposures_made(&self) -> usize {
        self.inside().truth.len()
    }
}

fn crc(counts: &[u32]) -> u32 {
    crc32fast::hash(&counts.iter().flat_map(|c| (*c as u16).to_be_bytes()).collect::<Vec<u8>>())
}

fn at_once(bytes: Vec<u8>) -> Vec<Piece> {
    vec![(0.0, bytes)]
}

/// Identity: a session may be moved to the thread of its instrument.
#[test]
fn a_session_can_move_to_its_thread() {
    let mut room = Room::new();
    let pixels = std::thread::spawn(move || room.session.expose(0.1, Shutter::Open).map(|e| e.counts.len()));
    assert_eq!(pixels.join().unwrap(), Ok(16));
}

/// Identity: what the instrument says of itself is what the session answers.
#[test]
fn a_connection_learns_who_is_there_and_what_the_detector_is() {
    let mut room = Room::unconnected();
    let (identity, detector) = room.session.connect().unwrap();
    assert_eq!((identity.maker.as_str(), identity.serial.as_str()), ("Invented Optics", "0042"));
    assert_eq!((detector.pixels, detector.full_scale, detector.has_shutter), (16, 65_535, true));
    assert_eq!((detector.integration_min_s, detector.integration_max_s), (0.001, 60.0));
    assert_eq!(detector.shielded, PixelRanges(vec![(0, 1)]));
    // 16 pixels of 2 bytes and 64 bytes of fields, ten bits each.
    assert!((detector.transfer_s - 96.0 * 10.0 / 115_200.0).abs() < 1e-12);
    assert!(room.session.is_connected());
}

/// Identity: settings go out once, every exposure is one more message and its confirmation.
#[test]
fn settings_are_made_only_when_they_change() {
    let mut room = Room::new();
    for _ in 0..3 {
        let e = room.expose(0.123_456_789, Shutter::Open).unwrap();
        assert_eq!((e.integration_s, e.temperature_c, e.rereads), (0.123_46, Some(21.5), 0));
    }
    room.expose(0.123_456_789, Shutter::Closed).unwrap();
    let inside = room.inside();
    let set = |word| inside.heard.iter().filter(|m| m.contains(word)).count();
    assert_eq!((set(":SENS:APER 0.123456789"), set(":READ?"), set(":FETC:CRC?")), (2, 4, 4));
}

/// Identity: without a sensor the temperature is none, without a shutter only open exposures are taken.
#[test]
fn an_instrument_without_sensor_and_shutter_serves() {
    let mut room = Room::unconnected();
    (room.inside().temperature, room.inside().has_shutter) = (9.91e37, false);
    assert!(!room.session.connect().unwrap().1.has_shutter);
    assert_eq!(room.expose(0.1, Shutter::Open).unwrap().temperature_c, None);
    let fault = room.expose(0.1, Shutter::Closed).unwrap_err();
    assert!(matches!(fault, Fault::Refused { code: -241, .. }), "{fault}");
}

/// Identity: a full scale beyond 16 bits is read with 32.
#[test]
fn a_large_full_scale_is_read_with_four_bytes_a_pixel() {
    let mut room = Room::unconnected();
    room.inside().full_scale = 1_000_000;
    room.session.connect().unwrap();
    let since = room.clock.now();
    let e = room.session.expose(0.1, Shutter::Open).unwrap();
    room.link.must_have_happened(&e, since);
    assert!(room.inside().heard.iter().any(|m| m.contains(":FORM UINT,32")));
}

/// Identity: an answer that comes in two pieces, cut anywhere, is one answer.
#[test]
fn an_answer_cut_in_two_pieces_anywhere_needs_no_retry() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    for cut in 0..80 {
        room.link.spoil(":READ?", move |b| {
            vec![(0.0, b[..cut.min(b.len())].to_vec()), (0.3, b[cut.min(b.len())..].to_vec())]
        });
        let e = room.expose(0.1, Shutter::Open).unwrap();
        assert_eq!(e.rereads, 0, "cut at {cut}");
    }
}

/// Identity: every answer of an exposure, ended early at every byte, ends in a retry and the right exposure.
#[test]
fn an_answer_that_ends_early_at_any_byte_is_read_again() {
    for word in [":READ?", ":FETC:CRC?", ":SENS:APER 0.1"] {
        let mut room = Room::new();
        for cut in 0..80 {
            // Another integration time each time, so that settings go out as well.
            let s = if cut % 2 == 0 { 0.1 } else { 0.2 };
            let word = if word == ":READ?" || word == ":FETC:CRC?" { word } else { ":SYST:ERR?" };
            let short = Arc::new(std::sync::atomic::AtomicBool::new(false));
            let told = short.clone();
            room.link.spoil(word, move |b| {
                told.store(cut < b.len(), std::sync::atomic::Ordering::SeqCst);
                at_once(b[..cut.min(b.len())].to_vec())
            });
            let e = room.expose(s, Shutter::Open).unwrap();
            let was_short = short.load(std::sync::atomic::Ordering::SeqCst);
            assert_eq!(e.rereads > 0, was_short, "{word} cut at {cut}: {} rereads", e.rereads);
        }
    }
}

/// Identity: an answer that comes twice, at once or late, is never taken for the next one's.
#[test]
fn an_answer_that_comes_twice_is_never_taken_for_another() {
    for word in [":READ?", ":FETC:CRC?", "*IDN?"] {
        for late_s in [0.0, 0.05, 0.4, 1.5, 3.0, 7.0] {
            let mut room = Room::new();
            room.link.spoil(word, move |b| vec![(0.0, b.clone()), (late_s, b)]);
            for _ in 0..6 {
                room.expose(0.5, Shutter::Open).unwrap();
                assert_eq!(room.session.check_identity().unwrap().serial, "0042");
            }
        }
    }
}

/// Identity: an old block and its old checksum, both repeated just when the next ones are awaited, agree with each other
/// and are refused all the same.
#[test]
fn an_old_block_that_comes_with_its_own_checksum_is_refused() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    room.link.spoil(":READ?", |b| vec![(0.0, b.clone()), (0.05, b)]);
    room.link.spoil(":FETC:CRC?", |b| vec![(0.0, b.clone()), (0.06, b)]);
    room.expose(0.1, Shutter::Open).unwrap();
    assert!(room.expose(0.1, Shutter::Open).unwrap().rereads > 0);
}

/// Identity: an answer that comes after its deadline is never taken for that of the retry.
#[test]
fn a_late_answer_is_not_taken_for_the_current_one() {
    for late_s in [2.9, 3.5, 6.0, 12.0] {
        let mut room = Room::new();
        room.link.spoil(":READ?", move |b| vec![(late_s, b)]);
        let e = room.expose(0.2, Shutter::Open).unwrap();
        assert!(e.rereads > 0);
        room.clock.advance_to(room.clock.now().plus_seconds(30.0));
        assert_eq!(room.expose(0.2, Shutter::Open).unwrap().rereads, 0);
    }
}

/// Identity: a flipped bit in the block differs from the checksum and is fetched, not exposed, again.
#[test]
fn a_wrong_checksum_is_fetched_again_without_another_exposure() {
    let mut room = Room::new();
    room.link.spoil(":READ?", |mut b| {
        let n = b.len();
        b[n - 6] ^= 0x10;
        at_once(b)
    });
    let e = room.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.rereads, room.exposures_made(), room.session.counters().refetches), (1, 1, 1));
}

/// Identity: a block that is cut after it began is fetched, not exposed, again.
#[test]
fn a_cut_block_is_fetched_again_without_another_exposure() {
    let mut room = Room::new();
    room.link.spoil(":READ?", |b| at_once(b[..b.len() - 7].to_vec()));
    let e = room.expose(30.0, Shutter::Open).unwrap();
    assert_eq!((e.rereads, room.exposures_made()), (1, 1));
}

/// Identity: an exposure of which nothing was seen is made anew, never fetched: the block there may be an older one.
#[test]
fn a_lost_exposure_is_made_anew() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    room.link.spoil(":READ?", |_| vec![]);
    let e = room.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.rereads, room.exposures_made(), room.session.counters().refetches), (1, 3, 0));
}

/// Identity: an instrument that forgot the block and offers the one before, with its checksum, is not believed.
#[test]
fn the_block_of_the_exposure_before_is_not_taken_for_this_one() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    room.inside().forgets_block = true;
    room.link.spoil(":READ?", |b| at_once(b[..b.len() - 7].to_vec()));
    let e = room.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.rereads, room.exposures_made()), (2, 3));
}

/// Identity: settings that somebody else changed in between are found out and made again.
#[test]
fn settings_changed_behind_our_back_are_made_again() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    room.inside().aperture = 0.3;
    let e = room.expose(0.1, Shutter::Open).unwrap();
    assert_eq!((e.integration_s, e.rereads), (0.1, 1));
}

/// Identity: a block one byte long or short, whatever its head says, is refused and read again.
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
        let mut room = Room::new();
        room.link.spoil(":READ?", move |b| at_once(edit(b)));
        assert_eq!(room.expose(0.1, Shutter::Open).unwrap().rereads, 1);
    }
}

fn replaced(bytes: Vec<u8>, from: &[u8], to: &[u8]) -> Vec<u8> {
    let at = bytes.windows(from.len()).position(|w| w == from).unwrap();
    [&bytes[..at], to, &bytes[at + from.len()..]].concat()
}

/// Identity: noise in front of any answer is never part of one.
#[test]
fn noise_in_front_of_an_answer_is_thrown_away() {
    for noise in [&b"\x00\xff\xfe"[..], b"1;", b"1\n", b"boot 1.0\r\nready\r\n", b"#232", b"\n"] {
        for word in [":READ?", ":FETC:CRC?", "*IDN?", ":SYST:ERR?"] {
            let mut room = Room::new();
            room.link.spoil(word, move |b| at_once([noise, &b].concat()));
            room.expose(0.1, Shutter::Open).unwrap();
            room.session.check_identity().unwrap();
            room.expose(0.2, Shutter::Open).unwrap();
        }
    }
}

/// Identity: an instrument that starts anew loses its settings; the exposure it then makes is not handed out.
#[test]
fn an_instrument_that_started_anew_is_set_again() {
    for word in [":READ?", ":FETC:CRC?", "*IDN?", ":SYST:ERR?"] {
        let mut room = Room::new();
        room.expose(0.5, Shutter::Closed).unwrap();
        room.inside().restart_before = Some(word);
        room.expose(0.5, Shutter::Closed).unwrap();
        room.session.check_identity().unwrap();
        room.expose(0.5, Shutter::Closed).unwrap();
    }
}

/// Identity: another integration time alone is set with the exposure it is for, and costs no exchange; another state of the
/// shutter is confirmed first.
#[test]
fn another_time_is_set_with_its_exposure() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    let exchanges = |room: &mut Room, seconds: f64, shutter: Shutter| {
        let before = room.session.counters().exchanges;
        let e = room.expose(seconds, shutter).unwrap();
        assert!((e.integration_s - seconds).abs() < 1e-3, "{} s", e.integration_s);
        room.session.counters().exchanges - before
    };
    assert_eq!(exchanges(&mut room, 0.1, Shutter::Open), 2);
    assert_eq!(exchanges(&mut room, 5.0, Shutter::Open), 2);
    assert_eq!(exchanges(&mut room, 0.02, Shutter::Open), 2);
    assert_eq!(exchanges(&mut room, 0.02, Shutter::Closed), 3);
    assert_eq!(exchanges(&mut room, 0.3, Shutter::Closed), 2);
    assert_eq!((room.exposures_made(), room.session.counters().retries), (6, 0));
}

/// Identity: where setting another time with its exposure goes wrong, all is set and confirmed before the next; a damaged
/// block is fetched, not exposed anew.
#[test]
fn another_time_that_went_wrong_is_set_again_with_everything() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    // Refused, or damaged on its way: no exposure with the old time is handed out.
    room.link.spoil(":SYST:ERR?", |b| at_once(replaced(b, b"0,\"No error\"", b"-222,\"Data out of range;x\"")));
    assert_eq!(room.expose(0.2, Shutter::Open).unwrap().rereads, 1);
    room.link.spoil(":SYST:ERR?", |b| at_once(replaced(b, b"0,\"No error\"", b"-222,\"Data out of range\"")));
    assert_eq!(room.expose(0.3, Shutter::Open).unwrap().rereads, 1);
    room.inside().restart_before = Some(":SENS:APER 0.4");
    room.expose(0.4, Shutter::Open).unwrap();
    // The block comes damaged.
    let made = room.exposures_made();
    room.link.spoil(":READ?", |b| at_once(b[..b.len() - 9].to_vec()));
    let e = room.expose(0.5, Shutter::Open).unwrap();
    assert_eq!((e.rereads, room.exposures_made() - made, room.session.counters().refetches), (1, 1, 1));
}

/// Identity: another instrument on the same path is named, before a number of it is trusted.
#[test]
fn another_instrument_on_the_same_path_is_a_fault() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    room.inside().serial = "0043".into();
    let expected = Fault::Identity { expected: "0042".into(), found: "0043".into() };
    assert_eq!(room.session.check_identity(), Err(expected.clone()));
    assert_eq!(room.expose(0.1, Shutter::Open), Err(expected));
    // Swapped in the middle of a reading: its settings give it away.
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    (room.inside().serial, room.inside().restart_before) = ("0044".into(), Some(":READ?"));
    assert!(matches!(room.expose(0.1, Shutter::Open), Err(Fault::Identity { .. })));
}

/// Identity: where who is there is in doubt, the next exposure finds out, in as many messages as without a doubt; a stranger's
/// exposure is not handed out, a damaged answer is asked again, and the doubt is over once it is answered.
#[test]
fn an_exposure_in_doubt_finds_out_who_is_there() {
    let mut room = Room::new();
    room.expose(0.1, Shutter::Open).unwrap();
    let exchanges = |room: &mut Room| {
        let before = room.session.counters().exchanges;
        room.expose(0.1, Shutter::Open).unwrap();
        room.session.counters().exchanges - before
    };
    let trusted = exchanges(&mut room);
    room.session.doubt_identity();
    assert_eq!(exchanges(&mut room), trusted);
    room.session.doubt_identity();
    room.link.spoil("*IDN?", |b| at_once(replaced(b, b"0042", b"0046")));
    assert_eq!(exchanges(&mut room), trusted + 1);
    room.inside().serial = "0043".into();
    assert_eq!(exchanges(&mut room), trusted, "nobody asked");
    room.session.doubt_identity();
    let expected = Fault::Identity { expected: "0042".into(), found: "0043".into() };
    assert_eq!(room.expose(0.1, Shutter::Open), Err(expected));
}

/// Identity: one damaged answer about the serial number is not another instrument.
#[test]
fn a_damaged_identity_is_asked_again() {
    let mut room = Room::new();
    room.link.spoil("*IDN?", |b| at_once(replaced(b, b"0042", b"0046")));
    assert_eq!(room.session.check_identity().unwrap().serial, "0042");
}

/// Identity: a full error queue of others is not held against our settings, and what is refused is reported.
#[test]
fn errors_of_others_are_cleared_and_our_own_reported() {
    let mut room = Room::new();
    room.inside().errors.extend((0..30).map(|_| "-113,\"Undefined header\"".to_owned()));
    room.inside().errors.push_back("-350,\"Queue overflow\"".into());
    room.expose(0.1, Shutter::Open).unwrap();
    for _ in 0..2 {
        room.link.spoil(":SYST:ERR?", |b| at_once(replaced(b, b"0,\"No error\"", b"-222,\"Data out of range\"")));
    }
    let fault = room.expose(0.2, Shutter::Open).unwrap_err();
    assert!(matches!(&fault, Fault::Refused { code: -222, text, .. } if text == "Data out of range"), "{fault}");
    for outside in [0.0, -1.0, 0.000_9, 61.0, f64::NAN, f64::INFINITY] {
        assert!(matches!(room.expose(outside, Shutter::Open), Err(Fault::Refused { code: -222, .. })), "{outside}");
    }
    room.expose(0.2, Shutter::Open).unwrap();
}

/// Identity: a temperature damaged on its way is outvoted by two others.
#[test]
fn a_damaged_temperature_is_outvoted() {
    for word in [":READ?", ":FETC:CRC?"] {
        let mut room = Room::new();
        room.link.spoil(word, |b| at_once(replaced(b, b"21.5", b"61.5")));
        assert_eq!(room.expose(0.1, Shutter::Open).unwrap().temperature_c, Some(21.5));
    }
}

/// Identity: counts above the full scale cannot be, checksum or not.
#[test]
fn counts_above_the_full_scale_are_corrupt() {
    let mut room = Room::unconnected();
    room.inside().full_scale = 4095;
    room.session.connect().unwrap();
    room.inside().full_scale = 60_000;
    let results: Vec<_> = (0..40).map(|_| room.expose(0.1, Shutter::Open)).collect();
    let fault = results.into_iter().find_map(Result::err).expect("counts above 4095 were made");
    assert!(matches!(&fault, Fault::Corrupt { expected, .. } if expected.contains("full scale of 4095")), "{fault}");
}

/// Identity: silence ends in `no answer` after bounded retries and in bounded time; the session lives on.
#[test]
fn a_silent_instrument_is_no_answer_in_bounded_time() {
    let mut room = Room::new();
    for _ in 0..=RETRIES {
        room.link.spoil(":READ?", |_| vec![]);
    }
    let started = room.clock.now();
    let fault = room.expose(1.0, Shutter::Open).unwrap_err();
    assert!(matches!(&fault, Fault::NoAnswer { found, .. } if found == "nothing came"), "{fault}");
    let took = room.clock.now().seconds_since(started);
    assert!(took < 4.0 * (1.0 + 0.5 + 2.0 + 1.0), "{took} s");
    assert_eq!(room.expose(1.0, Shutter::Open).unwrap().rereads, 0);
    // Deaf to everything: not even the probe is answered.
    (0..64).for_each(|_| room.link.spoil("", |_| vec![]));
    assert!(matches!(room.expose(1.0, Shutter::Open), Err(Fault::NoAnswer { .. })));
}

/// Identity: nobody there at connection, or somebody who cannot be understood, says what to look at.
#[test]
fn no_answer_at_connection_asks_for_power_and_line_rate() {
    let met = |answer: fn(&[u8]) -> Vec<u8>| {
        let mut room = Room::unconnected();
        (0..64).for_each(|_| {
            room.link.spoil("", move |b| if answer(&b).is_empty() { vec![] } else { at_once(answer(&b)) })
        });
        let fault = room.session.connect().unwrap_err();
        assert!(!room.session.is_connected());
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

/// Identity: an unplugged device is absent until it is connected anew.
#[test]
fn an_unplugged_device_is_absent_until_connected_anew() {
    let mut room = Room::new();
    room.inside().unplugged = true;
    assert!(matches!(room.expose(0.1, Shutter::Open), Err(Fault::Absent { .. })));
    assert!(matches!(room.session.connect(), Err(Fault::Absent { .. })));
    room.inside().unplugged = false;
    let fault = room.expose(0.1, Shutter::Open).unwrap_err();
    assert!(fault.to_string().contains("not connected"), "{fault}");
    room.session.connect().unwrap();
    room.expose(0.1, Shutter::Open).unwrap();
    assert_eq!(room.session.counters().reconnects, 1);
}

/// Identity: told to stop inside a long exposure, the session ends it at the instrument and is gone at once.
#[test]
fn a_stop_inside_a_long_exposure_ends_it() {
    let mut room = Room::new();
    room.expose(60.0, Shutter::Open).unwrap();
    room.inside().stop_when_waiting = true;
    let started = room.clock.now();
    assert_eq!(room.expose(60.0, Shutter::Open), Err(Fault::Stopped));
    assert!(room.stop.requested());
    assert!(room.clock.now().seconds_since(started) < 61.0);
    assert_eq!(room.inside().heard.last().map(String::as_str), Some(":ABOR"));
    let made = room.exposures_made();
    assert_eq!(room.expose(0.1, Shutter::Open), Err(Fault::Stopped));
    assert_eq!(room.exposures_made(), made, "a stopped session exposed again");
}

/// What a hostile line does to one answer.
#[derive(Clone, Debug)]
enum Harm {
    Cut(usize),
    Flip(usize, u8),
    Noise(Vec<u8>),
    Twice(f64),
    Late(f64),
    Lost,
    Pieces(usize, f64),
}

impl Harm {
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

fn harm() -> impl Strategy<Value = Harm> {
    prop_oneof![
        (0_usize..200).prop_map(Harm::Cut),
        (0_usize..200, any::<u8>()).prop_map(|(at, bit)| Harm::Flip(at, bit)),
        proptest::collection::vec(any::<u8>(), 1..12).prop_map(Harm::Noise),
        (0.0..8.0).prop_map(Harm::Twice),
        (0.0..8.0).prop_map(Harm::Late),
        Just(Harm::Lost),
        (0_usize..200, 0.0..3.0).prop_map(|(at, s)| Harm::Pieces(at, s)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]
    /// Identity: whatever a line does to any answers, what is handed out really happened; the rest are faults, and on
    /// a kind line the session works again.
    #[test]
    fn nothing_that_did_not_happen_is_ever_handed_out(
        harms in proptest::collection::vec((0_usize..6, harm()), 1..12),
        restart in proptest::option::of(0_usize..4),
        aims in proptest::collection::vec((prop_oneof![Just(0.1), Just(0.25), Just(1.0)], any::<bool>()), 4..10),
    ) {
        const WORDS: [&str; 6] = ["", ":READ?", ":FETC:CRC?", ":SYST:ERR?", "*IDN?", ":FETC?"];
        let mut room = Room::new();
        room.expose(0.1, Shutter::Open).unwrap();
        for (word, harm) in harms {
            room.link.spoil(WORDS[word], move |b| harm.to(b));
        }
        room.inside().restart_before = restart.map(|i| WORDS[i + 1]);
        for (s, closed) in aims {
            let shutter = if closed { Shutter::Closed } else { Shutter::Open };
            if let Ok(e) = room.expose(s, shutter) {
                prop_assert_eq!((e.integration_s, e.shutter), (s, shutter));
                let t = e.temperature_c.unwrap();
                prop_assert!((t - 21.5).abs() <= 0.25, "temperature {}", t);
            }
        }
        room.inside().spoils.clear();
        // What was late has come, and lies there unasked.
        room.clock.advance_to(room.clock.now().plus_seconds(60.0));
        prop_assert_eq!(room.expose(0.1, Shutter::Open).map(|e| e.rereads), Ok(0));
    }
}
