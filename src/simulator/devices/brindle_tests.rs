//! The bytes of the Brindle 3, as its manual page states them.

use crate::simulator::devices::DeviceKind::Brindle;
use crate::simulator::devices::test_host::{Host, START};
use crate::simulator::faults::FaultKind;

fn ask(host: &mut Host, text: &str) -> String {
    String::from_utf8(host.ask(format!("{text}\r").as_bytes(), 2.0)).unwrap()
}

/// Numbers of a dump: those of its first line, its values, its sum.
fn dump(text: &str) -> (String, Vec<u32>, u32) {
    let text = text.strip_prefix("dmp\r\n").unwrap().strip_suffix("\r\nb3> ").unwrap();
    let lines: Vec<&str> = text.split("\r\n").collect();
    assert_eq!(lines.len(), 55);
    assert!(lines[1..53].iter().all(|l| l.len() == 59) && lines[53].len() == 35, "{text}");
    let values = lines[1..54].join(" ").split(' ').map(|v| v.parse().unwrap()).collect();
    (lines[0].to_owned(), values, u32::from_str_radix(lines[54].strip_prefix("SUM ").unwrap(), 16).unwrap())
}

#[test]
fn every_character_is_echoed_and_the_prompt_ends_an_answer() {
    let mut host = Host::new(Brindle);
    assert_eq!(ask(&mut host, "ID"), "ID\r\nBRINDLE-3,S/N 004417,FW 2.11\r\nb3> ");
    assert_eq!(ask(&mut host, "it"), "it\r\nIT 10000\r\nb3> ");
    assert_eq!(ask(&mut host, "it 12345"), "it 12345\r\nIT 12340\r\nb3> ");
    assert_eq!(ask(&mut host, "SH C"), "SH C\r\nSH C\r\nb3> ");
    assert_eq!(ask(&mut host, "SH"), "SH\r\nSH C\r\nb3> ");
    assert_eq!(ask(&mut host, ""), "\r\nb3> ");
    let temperature = ask(&mut host, "TMP");
    let tenths: i32 = temperature.strip_prefix("TMP\r\nTMP +").unwrap()[..4].parse().unwrap();
    assert!((50..450).contains(&tenths), "{temperature}");
}

#[test]
fn what_cannot_be_done_is_answered_with_its_error_and_changes_nothing() {
    let mut host = Host::new(Brindle);
    for (command, error) in [
        ("WHAT", "E1 COMMAND"),
        ("IT 1 2", "E1 COMMAND"),
        ("IT 00000000000000000000012345", "E1 COMMAND"),
        ("IT 1999", "E2 RANGE"),
        ("IT 10000010", "E2 RANGE"),
        ("IT x", "E2 RANGE"),
        ("SH X", "E2 RANGE"),
        ("DMP", "E3 NO FRAME"),
    ] {
        assert_eq!(ask(&mut host, command), format!("{command}\r\n{error}\r\nb3> "));
    }
    assert_eq!(ask(&mut host, "IT"), "IT\r\nIT 10000\r\nb3> ");
}

#[test]
fn a_frame_is_dumped_as_often_as_asked_with_its_number_settings_and_sum() {
    let mut host = Host::new(Brindle);
    ask(&mut host, "IT 20000");
    assert_eq!(ask(&mut host, "exp"), "exp\r\nEXP 00001\r\nDONE 00001\r\nb3> ");
    let first = ask(&mut host, "dmp");
    let (header, values, sum) = dump(&first);
    assert_eq!((header.as_str(), values.len()), ("DMP 00001 20000 O 526", 526));
    assert_eq!(values.iter().sum::<u32>() % 65_536, sum);
    assert!(values[..8].iter().all(|v| *v < 100) && values[8..14].iter().all(|v| (1100..1300).contains(v)));
    assert!(values[200..400].iter().all(|v| *v > 1500), "{values:?}");
    assert_eq!(ask(&mut host, "dmp"), first);
    let truth = host.truth.drain();
    assert_eq!(truth.len(), 1);
    assert_eq!(truth[0].length_s, 0.02);
}

#[test]
fn an_exposure_lasts_its_integration_time_and_what_is_typed_meanwhile_is_lost() {
    let mut host = Host::new(Brindle);
    ask(&mut host, "IT 2000000");
    assert_eq!(host.ask(b"EXP\r", 1.9), b"EXP\r\nEXP 00001\r\n");
    assert_eq!(host.ask(b"ID\r", 0.05), b"");
    assert_eq!(host.listen(1.0), b"DONE 00001\r\nb3> ");
    assert_eq!(host.ask(b"EXP\r", 0.5), b"EXP\r\nEXP 00002\r\n");
    assert_eq!(host.ask(&[3], 5.0), b"^C\r\nb3> ");
    let (header, ..) = dump(&ask(&mut host, "dmp"));
    assert_eq!(header, "DMP 00001 2000000 O 526");
}

#[test]
fn the_shutter_rests_before_the_prompt_comes() {
    let mut host = Host::new(Brindle);
    assert_eq!(host.ask(b"SH C\r", 0.055), b"SH C\r\nSH C\r\n");
    assert_eq!(host.listen(0.01), b"b3> ");
}

/// Identity: 3158 bytes of dump, with echo and prompt, at 5760 bytes a second.
#[test]
fn a_dump_takes_its_time_on_the_line() {
    let mut host = Host::new(Brindle);
    ask(&mut host, "EXP");
    host.device.receive(b"DMP\r", host.now);
    let whole = host.listen(0.5).len();
    let rest = host.listen(1.0).len();
    // A byte more or less by rounding to microseconds.
    assert!((2878..=2881).contains(&whole), "{whole}");
    assert!((0.5..0.6).contains(&((whole + rest) as f64 / 5760.0)), "{}", whole + rest);
}

#[test]
fn faults_damage_the_first_dump_of_their_exposure_only() {
    let clean = |host: &mut Host| dump(&ask(host, "dmp"));
    let mut host = Host::faulty(Brindle, FaultKind::WrongChecksum, &[1]);
    ask(&mut host, "EXP");
    let (_, values, sum) = clean(&mut host);
    assert_ne!(values.iter().sum::<u32>() % 65_536, sum);
    let (_, values, sum) = clean(&mut host);
    assert_eq!(values.iter().sum::<u32>() % 65_536, sum);

    let mut host = Host::faulty(Brindle, FaultKind::LostBytes, &[1]);
    ask(&mut host, "EXP");
    let damaged = ask(&mut host, "dmp").len();
    assert_eq!(damaged + 3, ask(&mut host, "dmp").len());

    let mut host = Host::faulty(Brindle, FaultKind::EarlierAnswer, &[1]);
    ask(&mut host, "EXP");
    assert_eq!(ask(&mut host, "dmp"), "dmp\r\nDONE 00001\r\nb3> ");

    let mut host = Host::faulty(Brindle, FaultKind::LateAnswer, &[1]);
    ask(&mut host, "EXP");
    assert_eq!(host.ask(b"dmp\r", 0.9), b"dmp\r\n");
    assert!(host.listen(1.0).starts_with(b"DMP 00001"));
}

#[test]
fn a_restart_loses_settings_and_frame_and_sends_the_banner() {
    let mut host = Host::faulty(Brindle, FaultKind::Restart, &[1]);
    ask(&mut host, "IT 20000");
    ask(&mut host, "EXP");
    assert_eq!(host.ask(b"dmp\r", 1.1), b"");
    assert_eq!(host.listen(0.2), b"BRINDLE 3 READY\r\nb3> ");
    assert_eq!(ask(&mut host, "IT"), "IT\r\nIT 10000\r\nb3> ");
    assert_eq!(ask(&mut host, "DMP"), "DMP\r\nE3 NO FRAME\r\nb3> ");
    assert!(host.now > START);
}
