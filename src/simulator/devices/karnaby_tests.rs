//! The bytes of the K-1024, as its manual page states them.

use super::crc16;
use crate::simulator::devices::DeviceKind::Karnaby;
use crate::simulator::devices::test_host::Host;
use crate::simulator::faults::FaultKind;

/// Bytes written in hexadecimal.
fn hex(text: &str) -> Vec<u8> {
    text.split(' ').map(|b| u8::from_str_radix(b, 16).unwrap()).collect()
}

/// A packet, built apart from the device's own builder.
fn packet(seq: u8, command: u8, data: &[u8]) -> Vec<u8> {
    let mut plain = vec![data.len() as u8 + 2, 0, seq, command];
    plain.extend(data);
    let crc = crc16(&plain);
    plain.extend([crc as u8, (crc >> 8) as u8]);
    let mut out = vec![0xa5];
    for byte in plain {
        if byte == 0xa5 || byte == 0x5a {
            out.extend([0x5a, if byte == 0xa5 { 1 } else { 2 }]);
        } else {
            out.push(byte);
        }
    }
    out
}

/// Data of the only answer, behind ACK, after all its checks.
fn data(bytes: &[u8], seq: u8, command: u8) -> Vec<u8> {
    assert_eq!(bytes[..2], [0x06, 0xa5], "{bytes:02x?}");
    let mut plain = Vec::new();
    let mut rest = bytes[2..].iter();
    while let Some(byte) = rest.next() {
        assert_ne!(*byte, 0xa5, "a second packet");
        plain.push(if *byte == 0x5a { [0, 0xa5, 0x5a][usize::from(*rest.next().unwrap())] } else { *byte });
    }
    let (checked, crc) = plain.split_at(plain.len() - 2);
    assert_eq!(u16::from(crc[0]) | u16::from(crc[1]) << 8, crc16(checked));
    assert_eq!(usize::from(checked[0]) | usize::from(checked[1]) << 8, checked.len() - 2);
    assert_eq!((checked[2], checked[3]), (seq, command | 0x80));
    checked[4..].to_vec()
}

fn ask(host: &mut Host, seq: u8, command: u8, sent: &[u8]) -> Vec<u8> {
    let answer = host.ask(&packet(seq, command, sent), 0.1);
    data(&answer, seq, command)
}

/// Published: check value of CRC-16/IBM-SDLC in the catalogue of parametrised CRC algorithms (reveng).
#[test]
fn the_crc_has_its_check_value() {
    assert_eq!(crc16(b"123456789"), 0x906e);
}

#[test]
fn the_examples_of_the_manual_are_answered_as_printed() {
    let mut host = Host::new(Karnaby);
    for (question, answer) in [
        ("A5 06 00 07 10 20 4E 00 00 6D AF", "06 A5 07 00 07 90 00 20 4E 00 00 31 41"),
        ("A5 06 00 07 10 00 5A 01 00 00 39 00", "06 A5 07 00 07 90 00 00 5A 01 00 00 65 EE"),
    ] {
        assert_eq!(host.ask(&hex(question), 0.1), hex(answer));
    }
}

#[test]
fn identity_limits_and_settings_have_their_byte_orders_and_units() {
    let mut host = Host::new(Karnaby);
    assert_eq!(ask(&mut host, 1, 1, &[]), [&b"\0K-1024      "[..], &20_731u32.to_le_bytes(), &[0x03, 0x12]].concat());
    let limits = ask(&mut host, 2, 2, &[]);
    assert_eq!(limits, [0, 0x04, 0x14, 0, 0, 0x0f, 0xa0, 0x02, 0x62, 0x5a, 0x00, 0x3f, 0xff]);
    assert_eq!(ask(&mut host, 3, 0x10, &50_019u32.to_le_bytes()), [&[0][..], &50_000u32.to_le_bytes()].concat());
    assert_eq!(ask(&mut host, 4, 0x11, &[]), [&[0][..], &50_000u32.to_le_bytes()].concat());
    assert_eq!(ask(&mut host, 5, 0x10, &3_999u32.to_le_bytes()), [2]);
    assert_eq!(ask(&mut host, 6, 0x12, &[2]), [2]);
    assert_eq!(ask(&mut host, 7, 0x12, &[0]), [0, 0]);
    assert_eq!(ask(&mut host, 8, 0x13, &[]), [0, 0]);
    assert_eq!(ask(&mut host, 9, 0x55, &[]), [1]);
    assert_eq!(ask(&mut host, 9, 0x10, &[1]), [2]);
    let temperature = ask(&mut host, 10, 0x14, &[]);
    let kelvin = f64::from(u16::from_le_bytes([temperature[1], temperature[2]])) / 100.0;
    assert!((278.0..318.0).contains(&kelvin), "{kelvin} K");
}

#[test]
fn a_frame_is_polled_for_and_fetched_in_nine_blocks() {
    let mut host = Host::new(Karnaby);
    assert_eq!(ask(&mut host, 1, 0x22, &[0]), [4]);
    ask(&mut host, 1, 0x10, &800_000u32.to_le_bytes());
    assert_eq!(ask(&mut host, 2, 0x20, &[1]), [0, 1, 0]);
    assert_eq!(ask(&mut host, 3, 0x21, &[]), [0, 1, 1, 0]);
    assert_eq!(ask(&mut host, 4, 0x11, &[]), [3]);
    host.listen(0.3);
    assert_eq!(ask(&mut host, 5, 0x21, &[]), [0, 2, 1, 0]);
    assert_eq!(ask(&mut host, 5, 0x23, &[]), [0, 1, 0, 0x00, 0x35, 0x0c, 0x00, 1, 1]);
    let mut values = Vec::new();
    for block in 0..9 {
        let answer = ask(&mut host, block, 0x22, &[block]);
        assert_eq!((answer[..4].to_vec(), answer.len()), (vec![0, 1, 0, block], 4 + 232));
        values.extend(answer[4..].chunks(2).map(|b| u16::from_le_bytes([b[0], b[1]])));
    }
    assert_eq!(values.len(), 1044);
    assert!(values[..10].iter().all(|v| *v == 3) && values[10..20].iter().all(|v| (250..350).contains(v)));
    assert!(values.iter().all(|v| *v <= 16_383) && values[500] > 1000, "{values:?}");
    assert_eq!(ask(&mut host, 6, 0x22, &[9]), [2]);
}

/// Identity: the mean of sixteen exposures has a quarter of the noise of one.
#[test]
fn averages_are_means_of_exposures() {
    let noise = |averages: u8| {
        let mut host = Host::new(Karnaby);
        ask(&mut host, 1, 0x12, &[0]);
        ask(&mut host, 2, 0x20, &[averages]);
        host.listen(1.0);
        let first = ask(&mut host, 3, 0x22, &[4]);
        ask(&mut host, 4, 0x20, &[averages]);
        host.listen(1.0);
        let second = ask(&mut host, 5, 0x22, &[4]);
        let value = |b: &[u8]| f64::from(u16::from_le_bytes([b[0], b[1]]));
        let differences = first[4..].chunks(2).zip(second[4..].chunks(2)).map(|(a, b)| value(a) - value(b));
        let squares: f64 = differences.map(|d| d * d).sum();
        (squares / 116.0 / 2.0).sqrt()
    };
    let (one, sixteen) = (noise(1), noise(16));
    assert!((2.0..3.1).contains(&one), "{one}");
    // A sixteenth of the variance, and that of rounding.
    assert!((0.45..0.95).contains(&sixteen), "{sixteen}");
}

#[test]
fn damaged_packets_are_refused_and_a_start_byte_begins_anew() {
    let mut host = Host::new(Karnaby);
    let mut wrong = packet(1, 0x11, &[]);
    *wrong.last_mut().unwrap() ^= 1;
    assert_eq!(host.ask(&wrong, 0.1), [0x15]);
    assert_eq!(host.ask(&hex("A5 01 00 07"), 0.1), [0x15]);
    assert_eq!(host.ask(&hex("A5 5A 07"), 0.1), [0x15]);
    assert_eq!(host.ask(&hex("00 11 22"), 0.1), b"");
    // A packet that stops half-way is forgotten without a word, by time or by the next start byte.
    assert_eq!(host.ask(&packet(1, 0x11, &[])[..5], 0.6), b"");
    assert_eq!(host.ask(&packet(1, 0x11, &[])[5..], 0.1), b"");
    let both = [&packet(1, 0x11, &[])[..5], &packet(2, 0x13, &[])].concat();
    assert_eq!(data(&host.ask(&both, 0.1), 2, 0x13), [0, 1]);
}

#[test]
fn abort_leaves_no_frame_and_restart_is_deaf_for_a_while() {
    let mut host = Host::new(Karnaby);
    ask(&mut host, 1, 0x20, &[1]);
    host.listen(0.1);
    ask(&mut host, 2, 0x20, &[16]);
    assert_eq!(ask(&mut host, 3, 0x7f, &[]), [0]);
    assert_eq!(ask(&mut host, 4, 0x21, &[]), [0, 0, 2, 0]);
    assert_eq!(ask(&mut host, 5, 0x7e, &[]), [0]);
    assert_eq!(host.ask(&packet(6, 0x11, &[]), 0.5), b"");
    host.listen(0.3);
    assert_eq!(ask(&mut host, 7, 0x11, &[]), [&[0][..], &20_000u32.to_le_bytes()].concat());
}

#[test]
fn faults_damage_one_block_once() {
    let mut host = Host::faulty(Karnaby, FaultKind::WrongChecksum, &[1]);
    ask(&mut host, 1, 0x20, &[1]);
    host.listen(0.1);
    let good: Vec<bool> = (0..9)
        .map(|block| {
            let answer = host.ask(&packet(9, 0x22, &[block]), 0.1);
            answer == host.ask(&packet(9, 0x22, &[block]), 0.1)
        })
        .collect();
    assert_eq!(good.iter().filter(|g| !**g).count(), 1, "{good:?}");
}
