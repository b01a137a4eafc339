//! The bytes of the QS-M256, as its manual page states them.

use super::crc16;
use crate::simulator::devices::DeviceKind::Quern;
use crate::simulator::devices::test_host::Host;
use crate::simulator::faults::{FaultKind, FaultRule};

fn rtu(message: &[u8]) -> Vec<u8> {
    let mut out = vec![17];
    out.extend(message);
    let crc = crc16(&out);
    out.extend([crc as u8, (crc >> 8) as u8]);
    out
}

/// Asks over the serial line; returns the answer without unit address and CRC.
fn ask(host: &mut Host, message: &[u8]) -> Vec<u8> {
    let answer = host.ask(&rtu(message), 0.5);
    let (checked, crc) = answer.split_at(answer.len() - 2);
    assert_eq!(u16::from_le_bytes([crc[0], crc[1]]), crc16(checked));
    assert_eq!(checked[0], 17);
    checked[1..].to_vec()
}

fn registers(host: &mut Host, function: u8, first: u16, count: u8) -> Vec<u16> {
    let [high, low] = first.to_be_bytes();
    let answer = ask(host, &[function, high, low, 0, count]);
    assert_eq!(answer[..2], [function, 2 * count], "{answer:02x?}");
    answer[2..].chunks(2).map(|b| u16::from_be_bytes([b[0], b[1]])).collect()
}

/// Published: request and CRC of the example in "MODBUS over Serial Line", V1.02, are of address 2, function 7: 02 07 41 12.
#[test]
fn the_crc_is_that_of_the_standard() {
    assert_eq!(crc16(&[2, 7]).to_le_bytes(), [0x41, 0x12]);
}

#[test]
fn identification_and_settings_are_registers() {
    let mut host = Host::new(Quern);
    let identity = registers(&mut host, 4, 0, 8);
    assert_eq!((identity[0], identity[1], identity[6], identity[7]), (0x5153, 0x0142, 256, 60_000));
    let serial: Vec<u8> = identity[2..6].iter().flat_map(|w| w.to_be_bytes()).collect();
    assert_eq!(serial, b"Q2600815");
    assert_eq!(registers(&mut host, 3, 0, 4), [1000, 0, 1, 0]);
    // 1.5 s = 150000 units = 2·65536 + 18928, low word first.
    assert_eq!(ask(&mut host, &[16, 0, 0, 0, 2, 4, 0x49, 0xf0, 0, 2]), [16, 0, 0, 0, 2]);
    assert_eq!(registers(&mut host, 3, 0, 3), [18_928, 2, 1]);
    assert_eq!(ask(&mut host, &[6, 0, 2, 0, 0]), [6, 0, 2, 0, 0]);
    assert_eq!(registers(&mut host, 3, 2, 1), [0]);
}

#[test]
fn wrong_requests_are_answered_by_their_exceptions() {
    let mut host = Host::new(Quern);
    for (request, exception) in [
        (vec![4, 0, 0, 0, 65], [0x84, 3]),
        (vec![4, 0, 0, 0, 0], [0x84, 3]),
        (vec![4, 0, 8, 0, 1], [0x84, 2]),
        (vec![3, 0, 3, 0, 2], [0x83, 2]),
        (vec![6, 0, 0, 0, 9], [0x86, 3]),
        (vec![6, 0, 2, 0, 2], [0x86, 3]),
        (vec![16, 0, 0, 0, 2, 4, 0, 99, 0, 0], [0x90, 3]),
        (vec![16, 0, 3, 0, 2, 4, 0, 0, 0, 0], [0x90, 2]),
        (vec![2, 0, 0, 0, 1], [0x82, 1]),
    ] {
        assert_eq!(ask(&mut host, &request), exception, "{request:02x?}");
    }
}

#[test]
fn another_unit_and_a_damaged_request_are_not_answered() {
    let mut host = Host::new(Quern);
    let mut other = vec![18, 4, 0, 0, 0, 1];
    other.extend(crc16(&other).to_le_bytes());
    assert_eq!(host.ask(&other, 0.5), b"");
    let mut damaged = rtu(&[4, 0, 0, 0, 1]);
    damaged[3] ^= 1;
    assert_eq!(host.ask(&damaged, 0.5), b"");
    // Half a request is forgotten after a silence.
    assert_eq!(host.ask(&rtu(&[4, 0, 0, 0, 1])[..4], 0.5), b"");
    assert_eq!(registers(&mut host, 4, 0, 1), [0x5153]);
}

#[test]
fn a_frame_is_started_waited_for_and_read_in_four_requests() {
    let mut host = Host::new(Quern);
    assert_eq!(registers(&mut host, 4, 0x10, 1), [0]);
    ask(&mut host, &[16, 0, 0, 0, 2, 4, 0x4e, 0x20, 0, 0]);
    host.ask(&rtu(&[6, 0, 2, 0, 0]), 0.01);
    let answer = host.ask(&rtu(&[6, 0, 3, 0, 1]), 0.02);
    assert_eq!(answer[1..6], [6, 0, 3, 0, 1]);
    let state = host.ask(&rtu(&[4, 0, 0x10, 0, 1]), 0.1);
    assert_eq!(state[3..5], [0, 1]);
    // 0.2 s, and the rest of the 80 ms that the shutter takes.
    let busy = host.ask(&rtu(&[6, 0, 2, 0, 1]), 0.1);
    assert_eq!(busy[1..3], [0x86, 6]);
    host.listen(0.2);
    let info = registers(&mut host, 4, 0x10, 7);
    assert_eq!(info[..5], [2, 1, 20_000, 0, 0]);
    assert!((50..450).contains(&(info[5] as i16)), "{} tenths of a degree", info[5] as i16);
    let pixels: Vec<u16> = (0..4).flat_map(|i| registers(&mut host, 4, 0x100 + 64 * i, 64)).collect();
    assert_eq!(pixels.iter().fold(0u16, |sum, p| sum.wrapping_add(*p)), info[6]);
    // A few pixels are hot.
    assert!(pixels.iter().filter(|p| (900..1100).contains(*p)).count() > 245, "a dark frame: {pixels:?}");
    assert!(!host.truth.drain()[0].shutter_open);
}

#[test]
fn modbus_tcp_returns_the_transaction_and_takes_pieces() {
    let mut host = Host::with(Quern, true, Vec::new(), |_| ());
    assert_eq!(host.ask(&[0x12, 0x34, 0, 0, 0, 6], 0.1), b"");
    assert_eq!(host.ask(&[99, 4, 0, 0, 0, 1], 0.1), [0x12, 0x34, 0, 0, 0, 5, 99, 4, 2, 0x51, 0x53]);
    let two = [&[0, 1, 0, 0, 0, 6, 1, 4, 0, 6, 0, 1][..], &[0, 2, 0, 0, 0, 6, 1, 4, 0, 7, 0, 1]].concat();
    let answer = host.ask(&two, 0.1);
    assert_eq!((answer[1], answer[12], answer.len()), (1, 2, 22));
}

#[test]
fn the_check_register_is_wrong_once_and_another_answer_comes_in_place_of_one() {
    let mut host = Host::faulty(Quern, FaultKind::WrongChecksum, &[1]);
    ask(&mut host, &[6, 0, 3, 0, 1]);
    let sums: Vec<u16> = (0..2).map(|_| registers(&mut host, 4, 0x16, 1)[0]).collect();
    assert_eq!(sums[0], !sums[1]);

    // Of the four requests for pixels one is answered with the answer before it, which has the same form.
    let mut host = Host::faulty(Quern, FaultKind::EarlierAnswer, &[1]);
    ask(&mut host, &[6, 0, 3, 0, 1]);
    let sum = registers(&mut host, 4, 0x16, 1)[0];
    let pixels =
        |host: &mut Host| -> Vec<u16> { (0..4).flat_map(|i| registers(host, 4, 0x100 + 64 * i, 64)).collect() };
    let total = |p: &[u16]| p.iter().fold(0u16, |sum, p| sum.wrapping_add(*p));
    let (first, second) = (pixels(&mut host), pixels(&mut host));
    assert!(total(&first) != sum && total(&second) == sum);
    assert_eq!(first[64..128], first[..64]);
}

#[test]
fn tcp_delivers_undamaged_and_a_hang_up_lasts() {
    let rules = vec![FaultRule {
        applies_to: crate::simulator::AppliesTo::Any,
        ..FaultRule::often(FaultKind::FlippedBit, 1.0)
    }];
    let mut host = Host::with(Quern, true, rules, |_| ());
    assert_eq!(host.ask(&[0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 1], 0.1)[9..], [0x51, 0x53]);
    let rules =
        vec![FaultRule { applies_to: crate::simulator::AppliesTo::Any, ..FaultRule::often(FaultKind::HangUp, 1.0) }];
    let mut host = Host::with(Quern, true, rules, |_| ());
    assert_eq!(host.ask(&[0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 1], 0.1), b"");
    assert!(host.device.hang_ups() == 1 && host.device.hung_up(host.now));
}
