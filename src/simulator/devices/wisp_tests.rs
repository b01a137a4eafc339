//! The bytes of the W9, as its data sheet states them.

use crate::simulator::devices::DeviceKind::Wisp;
use crate::simulator::devices::test_host::Host;
use crate::simulator::faults::{FaultKind, FaultRule};

const SYNC: [u8; 4] = [0xff, 0xff, 0x9a, 0x39];
const SIZE: usize = 552;

/// The words of every whole frame.
fn frames(bytes: &[u8]) -> Vec<Vec<u16>> {
    let starts = (0..bytes.len().saturating_sub(SIZE - 1)).filter(|i| bytes[*i..].starts_with(&SYNC));
    starts.map(|i| bytes[i..i + SIZE].chunks(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect()).collect()
}

#[test]
fn frames_come_unasked_every_hundred_milliseconds() {
    let mut host = Host::new(Wisp);
    let frames = frames(&host.listen(0.75));
    let counters: Vec<u16> = frames.iter().map(|f| f[2]).collect();
    assert_eq!(counters, [0, 1, 2, 3, 4, 5]);
    for frame in &frames {
        assert_eq!((frame[3], frame[4], frame[5], frame.len()), (100, 0, 0, 276));
        assert!(frame[6..].iter().all(|v| *v <= 4095));
        assert!(frame[262..].iter().all(|v| (80..100).contains(v)), "shielded: {:?}", &frame[262..]);
        // The response is highest at 580 nm: pixel 100 of 256 from the blue end, word 155 from the red end.
        let brightest = (0..256).max_by_key(|i| frame[6 + i]).unwrap();
        assert!((120..190).contains(&brightest), "{brightest}");
    }
}

#[test]
fn a_new_integration_time_holds_from_the_next_exposure_that_begins() {
    let mut host = Host::new(Wisp);
    host.listen(0.35);
    // 0.5 s; the frame on the line and the one being exposed have the old time.
    let frames = frames(&host.ask(&[b'T', 0x13, 0x88], 2.0));
    let times: Vec<u16> = frames.iter().map(|f| f[3]).collect();
    assert_eq!(times, [100, 5000, 5000, 5000]);
    let level = |f: &[u16]| f[6..262].iter().map(|v| f64::from(*v) - 90.0).sum::<f64>();
    assert!(level(&frames[1]) > 5.0 * level(&frames[0]));
    for truth in host.truth.drain().iter().rev().take(3) {
        assert_eq!(truth.length_s, 0.5);
    }
}

#[test]
fn wrong_values_and_unknown_bytes_are_ignored() {
    let mut host = Host::new(Wisp);
    host.ask(&[b'T', 0, 19, b'T', 0x75, 0x31, b'X', b'I', 7, b'T', 0, 200], 0.25);
    let frames = frames(&host.listen(1.0));
    assert!(!frames.is_empty() && frames.iter().all(|f| f[3] == 200), "{frames:?}");
}

#[test]
fn the_identity_precedes_one_frame() {
    let mut host = Host::new(Wisp);
    let bytes = host.ask(b"I\0\0", 0.5);
    let sync = [0xff, 0xff, 0x9a, 0x3a];
    let found: Vec<usize> = (0..bytes.len() - 24).filter(|i| bytes[*i..].starts_with(&sync)).collect();
    assert_eq!(found.len(), 1);
    assert_eq!(&bytes[found[0] + 4..found[0] + 24], b"W9-256 SN000352 R1.4");
    assert!(bytes[found[0] + 24..].starts_with(&SYNC));
}

#[test]
fn a_host_that_does_not_listen_finds_the_latest_frames_only() {
    let mut host = Host::new(Wisp);
    host.listen(0.05);
    let frames = frames(&host.listen(3600.0));
    let counters: Vec<u16> = frames.iter().map(|f| f[2]).collect();
    assert!((6..=9).contains(&counters.len()), "{counters:?}");
    assert!(counters.iter().all(|c| *c > 35_980) && counters.windows(2).all(|w| w[1] == w[0] + 1), "{counters:?}");
}

#[test]
fn frames_are_lost_shortened_and_repeated_by_faults() {
    let rules = vec![
        FaultRule::at(FaultKind::NoAnswer, &[2]),
        FaultRule::at(FaultKind::LostBytes, &[4]),
        FaultRule::at(FaultKind::DoubledAnswer, &[6]),
    ];
    let mut host = Host::with(Wisp, false, rules, |_| ());
    let bytes = host.listen(1.05);
    let syncs: Vec<usize> = (0..bytes.len() - 4).filter(|i| bytes[*i..].starts_with(&SYNC)).collect();
    let sizes: Vec<usize> = syncs.windows(2).map(|w| w[1] - w[0]).collect();
    assert!(sizes.contains(&549) && sizes.iter().all(|s| [549, 552].contains(s)), "{sizes:?}");
    let counters: Vec<u16> = frames(&bytes).iter().map(|f| f[2]).collect();
    assert!(!counters.contains(&1) && counters.iter().filter(|c| **c == 5).count() == 2, "{counters:?}");
}
