//! Tests of packets: the published example of a manual, round trips, damage.

use super::*;
use proptest::prelude::*;

fn names(list: &[&str]) -> Vec<String> {
    list.iter().map(|name| (*name).to_owned()).collect()
}

fn integer(bytes: usize, order: Order) -> Coding {
    Coding::Integer { bytes, signed: false, order }
}

/// Start A5, length of tag and body, tag, body, CRC-16/IBM-SDLC, stuffing of A5 and 5A.
fn stuffed() -> PacketFormat {
    PacketFormat {
        start: vec![0xa5],
        parts: vec![
            Part::Length(integer(2, Order::Little)),
            Part::Tag(integer(1, Order::Big)),
            Part::Body,
            Part::Checksum(integer(2, Order::Little)),
        ],
        end: vec![],
        length_counts: names(&["tag", "body"]),
        length_add: 0,
        checksum: Checksum::named("CRC-16/IBM-SDLC").map(|sum| (sum, names(&["length", "tag", "body"]))),
        stuffing: Some(Stuffing { escape: 0x5a, codes: vec![(0xa5, 0x01), (0x5a, 0x02)] }),
        max_body: 300,
        ack: Some(6),
        nak: Some(0x15),
    }
}

/// A frame between line-feed-like delimiters, without length, with an exclusive or.
fn delimited() -> PacketFormat {
    PacketFormat {
        start: vec![0x02],
        parts: vec![Part::Body, Part::Checksum(Coding::Hex(Some(2)))],
        end: vec![0x03],
        length_counts: vec![],
        length_add: 0,
        checksum: Some((Checksum::Xor8, names(&["body"]))),
        stuffing: None,
        max_body: 64,
        ack: None,
        nak: None,
    }
}

/// Published: the examples of the manual in config/dialects/examples/karnaby.md.
#[test]
fn the_example_packets_of_a_manual_are_made() {
    let packet = stuffed().wrap(&[0x10, 0x20, 0x4e, 0, 0], 7);
    assert_eq!(packet, [0xa5, 0x06, 0x00, 0x07, 0x10, 0x20, 0x4e, 0x00, 0x00, 0x6d, 0xaf]);
    let packet = stuffed().wrap(&[0x10, 0x00, 0xa5, 0, 0], 7);
    assert_eq!(packet, [0xa5, 0x06, 0x00, 0x07, 0x10, 0x00, 0x5a, 0x01, 0x00, 0x00, 0x39, 0x00]);
    let answer = [0xa5, 0x07, 0x00, 0x07, 0x90, 0x00, 0x20, 0x4e, 0x00, 0x00, 0x31, 0x41];
    let unwrapped = stuffed().unwrap(&answer, 7, None);
    assert_eq!(unwrapped, Unwrapped::Done { body: vec![0x90, 0, 0x20, 0x4e, 0, 0], used: 12 });
}

fn refused(unwrapped: Unwrapped) -> String {
    match unwrapped {
        Unwrapped::Malformed(error) => error.to_string(),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_damaged_packet_says_what_was_expected() {
    let packet = stuffed().wrap(&[1, 2, 3], 7);
    assert!(refused(stuffed().unwrap(&packet, 8, None)).contains("tag 8"));
    let mut damaged = packet.clone();
    damaged[5] ^= 0x10;
    assert!(refused(stuffed().unwrap(&damaged, 7, None)).contains("checksum"));
    assert!(refused(stuffed().unwrap(&[0x06, 0xa5], 7, None)).contains("starts with"));
    assert!(refused(stuffed().unwrap(&[0xa5, 0xff, 0xff, 0x07], 7, None)).contains("at most 300 bytes"));
    assert!(refused(stuffed().unwrap(&[0xa5, 0x06, 0x00, 0xa5], 7, None)).contains("rest of the packet"));
    assert!(refused(stuffed().unwrap(&[0xa5, 0x06, 0x5a, 0x09], 7, None)).contains("escaped"));
    assert!(refused(delimited().unwrap(b"\x02abc\x03", 0, None)).contains("checksum"));
    assert!(refused(delimited().unwrap(&[2; 90], 0, None)).contains("a packet"));
}

proptest! {
    /// A packet is unwrapped to its body, is incomplete when cut anywhere, and any other bytes never panic.
    #[test]
    fn a_packet_is_unwrapped_to_its_body(body in proptest::collection::vec(any::<u8>(), 0..200), tag in any::<u32>()) {
        let packet = stuffed().wrap(&body, tag);
        for cut in 0..packet.len() {
            prop_assert!(matches!(stuffed().unwrap(&packet[..cut], tag, None), Unwrapped::More(_)), "cut at {}", cut);
        }
        prop_assert_eq!(stuffed().unwrap(&packet, tag, None), Unwrapped::Done { body: body.clone(), used: packet.len() });
        let text: Vec<u8> = body.iter().map(|b| b'a' + b % 26).take(60).collect();
        let packet = delimited().wrap(&text, tag);
        prop_assert_eq!(delimited().unwrap(&packet, tag, None), Unwrapped::Done { body: text, used: packet.len() });
    }

    #[test]
    fn random_bytes_never_panic(data in proptest::collection::vec(prop_oneof![Just(0xa5_u8), Just(0x5a), Just(2), Just(3), any::<u8>()], 0..400)) {
        for format in [stuffed(), delimited()] {
            if let Unwrapped::Done { body, used } = format.unwrap(&data, 7, None) {
                prop_assert!(used <= data.len() && body.len() <= format.max_body);
            }
        }
    }
}
