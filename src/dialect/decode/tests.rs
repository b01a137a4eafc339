//! Tests of matching: complete, incomplete and invalid answers, and random bytes.

use super::*;
use crate::dialect::tag::{Probe, Probes};
use crate::dialect::words::{Spelling, Words};
use proptest::prelude::*;

fn words() -> Words {
    let exact = |text: &str| Spelling::Exact(text.into());
    Words(vec![
        ("shutter".into(), vec![("open".into(), exact("OPEN")), ("closed".into(), exact("CLOS"))]),
        ("lid".into(), vec![("open".into(), Spelling::Number(1.0)), ("closed".into(), Spelling::Number(0.0))]),
        ("shielded".into(), vec![("none".into(), exact("NONE"))]),
    ])
}

fn probes() -> Probes {
    let probe = |send: &str, answer: &str| Probe { send: send.into(), answer: answer.into() };
    Probes { digits: [probe("A?", "1"), probe("B?", "1999.0")], count: 2, separator: ";".into() }
}

fn parse(template: &Template, end: &[u8], frame_values: usize, bytes: &[u8]) -> Parsed {
    let (words, probes, values) = (words(), probes(), Values::default());
    let context = Context {
        words: &words,
        probes: Some(&probes),
        tag: 2,
        attempt: 1,
        values: &values,
        shutter: true,
        identity: false,
        frame_values,
    };
    answer(&Expected { template: Some(template), end, ..Expected::default() }, &context, bytes)
}

fn text(template: &str, bytes: &[u8]) -> Parsed {
    parse(&Template::text(template).unwrap(), b"\n", 2, bytes)
}

fn bytes(template: &str, bytes: &[u8]) -> Parsed {
    parse(&Template::bytes(template).unwrap(), b"", 2, bytes)
}

fn refused(parsed: Parsed) -> String {
    match parsed.state {
        State::Malformed(malformed) => malformed.to_string(),
        other => panic!("{other:?}"),
    }
}

/// Published: IEEE 488.2 separates answers by `;`; SCPI-1999 error texts are quoted and may contain one.
#[test]
fn a_line_is_split_at_its_fixed_text_only() {
    let line = b"1;1999.0; 0.1;-222,\"Data out of range;:SENS:APER 99\"\r\nrest";
    let parsed = text("{tag};{integration:real};{error_code:dec},\"{error_text}\"", line);
    assert_eq!(parsed.state, State::Done(line.len() - 4));
    assert_eq!((parsed.values.number("integration"), parsed.values.number("error_code")), (Some(0.1), Some(-222.0)));
    assert_eq!(parsed.values.text("error_text"), "Data out of range;:SENS:APER 99");
}

/// An answer truncated anywhere is incomplete, never invalid and never complete.
#[test]
fn an_answer_truncated_anywhere_is_incomplete() {
    let template = "{tag};{integration:real};{shutter};{counts:block}";
    let answer = b"1;1999.0;0.1;OPEN;#14\n;#1\r\n";
    for cut in 0..answer.len() {
        let parsed = text(template, &answer[..cut]);
        assert!(matches!(parsed.state, State::More(_)), "cut at {cut}: {parsed:?}");
        assert_eq!(parsed.begun, cut >= 21, "cut at {cut}");
    }
    let parsed = text(template, answer);
    assert_eq!(parsed.state, State::Done(answer.len()));
    assert_eq!(parsed.values.counts.values, [0x0a3b, 0x2331]);
    assert_eq!(parsed.values.counts.payload, b"\n;#1");
}

/// An invalid answer is recognised as early as possible.
#[test]
fn an_invalid_answer_says_what_was_expected_and_found() {
    let template = "{tag};{integration:real};{counts:block}";
    for (answer, word) in [
        (&b"1;1999.0;0.1;#15"[..], "one of 5 bytes"),
        (b"1;1999.0;0.1;#9999999999", "one of 999999999 bytes"),
        (b"1;1999.0;0.1;#0", "#0"),
        (b"1;1999.0;0.1;#1x", "#1x"),
        (b"1;1999.0;0.1;123,124", "123,124"),
        (b"1;1999.0;0.1\n", "0.1\\n"),
        (b"1;1;", "expected `1;1999.0;`"),
        (b"\x00\x01", "\\x00"),
        (b"1;1999.0;0.1;#14abcde\n", "`e\\n`"),
        (b"1;1999.0;0.1;#14abcd\r;", "\\r"),
        (b"1;1999.0;ten;", "a number"),
    ] {
        let error = refused(text(template, answer));
        assert!(error.contains(word), "{}: {error}", shown(answer));
    }
    assert!(refused(text("{integration:real};x", &[b'7'; MAX_TEXT + 2])).contains("at most"));
    assert!(refused(text("{integration:real};x", b"caf\xe9")).contains("printable"));
    assert!(refused(text("{shutter}", b"AJAR\n")).contains("shutter as `OPEN` or `CLOS`"));
    assert!(refused(text("A {frame:dec} B {frame:dec}", b"A 17 B 18\n")).contains("frame 17 again"));
    assert!(text("{shutter}", b"AJ").state == State::More(3));
}

/// Every binary type is decoded with its byte order; counts of signed or broken numbers are refused.
#[test]
fn binary_fields_are_decoded_with_type_and_order() {
    let value = |template: &str, data: &[u8]| {
        let parsed = bytes(template, data);
        assert_eq!(parsed.state, State::Done(data.len()), "{template}");
        parsed.values.number("x")
    };
    assert_eq!(value("{x:i8}", &[0xff]), Some(-1.0));
    assert_eq!(value("{x:i16le}", &[0xfe, 0xff]), Some(-2.0));
    assert_eq!(value("{x:u24be}", &[1, 2, 3]), Some(66_051.0));
    assert_eq!(value("{x:u32ws}", &[0x30, 0x34, 0x00, 0x01]), Some(77_876.0));
    assert_eq!(value("{x:i32be}", &[0xff, 0xff, 0xff, 0xfe]), Some(-2.0));
    assert_eq!(value("{x:f32le}", &1.5_f32.to_le_bytes()), Some(1.5));
    assert_eq!(value("{x:bcd2 scale=0.01}", &[0x03, 0x12]), Some(3.12));
    assert_eq!(value("{x:i16be scale=0.1 none=-32768}", &[0x80, 0x00]), None);
    assert_eq!(value("AA {x:u8} {skip:2} 'OK'", &[0xaa, 7, 0, 0, b'O', b'K']), Some(7.0));
    assert!(refused(bytes("{x:bcd2}", &[0x0a, 0])).contains("binary-coded"));
    assert!(refused(bytes("{x:f32be}", &f32::NAN.to_be_bytes())).contains("finite"));
    assert_eq!(bytes("{lid:u8}", &[1]).values.text("lid"), "open");
    assert!(refused(bytes("{lid:u8}", &[2])).contains("lid as `1` or `0`"));
    assert_eq!(bytes("{counts:u16le}", &[1, 0, 2, 0]).values.counts.values, [1, 2]);
    assert!(refused(bytes("{length:u8} {counts:u16le}", &[5, 1, 0, 2, 0])).contains("length 4"));
    assert_eq!(bytes("{counts:u16be} {peek FF}", &[0, 1, 0, 2, 0xff, 9]).state, State::Done(4));
}

/// Numbers as text may be separated by blanks and line ends.
#[test]
fn counts_as_text_are_separated_or_of_fixed_length() {
    let parsed = text("DMP {counts:dec5}\r\nSUM {checksum:hex4}", b"DMP 00041\r\n01240\r\nSUM 3F2A\r\n");
    assert_eq!(parsed.state, State::Done(28));
    assert_eq!((parsed.values.text("checksum"), parsed.values.counts.values), ("16170".into(), vec![41, 1240]));
    let parsed = text("{counts:dec},end", b"7,65535,end\n");
    assert_eq!((parsed.values.counts.values, parsed.state), (vec![7, 65_535], State::Done(12)));
    assert!(refused(text("{counts:dec}", b"-7 8\n")).contains("a number"));
    assert_eq!(text("{counts:hex2}", b"0aFF\n").values.counts.values, [10, 255]);
}

/// An answer of several lines is incomplete between them.
#[test]
fn an_answer_of_several_lines_waits_for_all_of_them() {
    let answer = b"EXP 00017\r\nDONE 00017\r\n";
    let template = Template::text("EXP {frame:dec}\r\nDONE {frame:dec}").unwrap();
    for cut in 0..answer.len() {
        let parsed = parse(&template, b"\r\n", 0, &answer[..cut]);
        assert!(matches!(parsed.state, State::More(_)), "cut at {cut}: {parsed:?}");
    }
    assert_eq!(parse(&template, b"\r\n", 0, answer).state, State::Done(answer.len()));
    assert!(refused(parse(&template, b"\r\n", 0, b"EXP 00017\r\nDONE 00018\r\n")).contains("frame 17 again"));
}

#[test]
fn echo_and_prompt_enclose_the_answer() {
    let template = Template::text("IT {integration:dec unit=us}").unwrap();
    let (words, values) = (words(), Values::default());
    let context = Context {
        words: &words,
        probes: None,
        tag: 0,
        attempt: 1,
        values: &values,
        shutter: false,
        identity: false,
        frame_values: 0,
    };
    let expected =
        Expected { echo: b"IT 5\r\n", template: Some(&template), end: b"\r\n", prompt: b"b3> ", whole: false };
    let full = b"IT 5\r\nIT 2000\r\nb3> ";
    for cut in 0..full.len() {
        assert!(matches!(answer(&expected, &context, &full[..cut]).state, State::More(_)), "cut at {cut}");
    }
    let parsed = answer(&expected, &context, full);
    assert_eq!((parsed.state, parsed.values.number("integration")), (State::Done(full.len()), Some(0.002)));
    assert!(refused(answer(&expected, &context, b"IT 6")).contains("the echo"));
}

/// Regression: the cost of the interpreter for one exposure of 2048 pixels, rendered and matched, is below 0.1 ms, so that a
/// reading of two exposures stays below 0.2 ms. The fastest of many, because the machine may be busy.
#[test]
fn a_message_and_a_frame_of_2048_pixels_cost_less_than_a_tenth_of_a_millisecond() {
    let sent = Template::text("{tag};A?;B?;{integration:real}").unwrap();
    let template = Template::text("{tag};{integration:real};{shutter};{counts:block}").unwrap();
    let mut data = b"1;1999.0;0.1;OPEN;#44096".to_vec();
    data.extend((0..4096_u32).map(|i| (i * 31 % 251) as u8));
    data.push(b'\n');
    let (words, probes) = (words(), probes());
    let values = Values::default().with("integration", Value::Number(0.1));
    let context = Context {
        words: &words,
        probes: Some(&probes),
        tag: 2,
        attempt: 1,
        values: &values,
        shutter: true,
        identity: false,
        frame_values: 2048,
    };
    let expected = Expected { template: Some(&template), end: b"\n", ..Expected::default() };
    let once = || {
        let started = std::time::Instant::now();
        let message = crate::dialect::encode::render(&sent, &context).unwrap();
        let parsed = answer(&expected, &context, &data);
        assert_eq!((message.len() > 10, parsed.state), (true, State::Done(data.len())));
        started.elapsed()
    };
    let fastest = (0..300).map(|_| once()).min().unwrap();
    println!("{fastest:?} for a message and a frame");
    assert!(fastest.as_micros() < 100, "{fastest:?}");
}

proptest! {
    /// For random bytes matching returns without panic and consumes at most the available bytes.
    #[test]
    fn random_bytes_never_panic(data in proptest::collection::vec(any::<u8>(), 0..300), count in 0_usize..70_000) {
        for template in ["{a};{b:dec} {c:hex}", "{counts:dec}", "{tag};{counts:block}x", "{counts:dec3}"] {
            let parsed = parse(&Template::text(template).unwrap(), b"\n", count, &data);
            if let State::Done(used) = parsed.state { prop_assert!(used <= data.len()); }
            prop_assert!(parsed.values.counts.values.len() <= data.len());
        }
        for template in ["A5 {a:u8} {b:bcd3} {c:f32ws}", "{counts:u16le}", "{skip:3} {counts:u8} {peek FF}", "{a:text8} {b:i24le}"] {
            let Ok(template) = Template::bytes(template) else { continue };
            let parsed = parse(&template, b"", count, &data);
            if let State::Done(used) = parsed.state { prop_assert!(used <= data.len()); }
        }
    }

    /// The same for bytes that resemble an answer.
    #[test]
    fn bytes_like_an_answer_never_panic(data in "[0-9;#,.\n\r\"A-C]{0,80}", count in 0_usize..6) {
        for template in ["{tag};{a:real};{counts:block}", "{a},\"{b}\";{counts:dec}", "{counts:dec2}\r\n{shutter}"] {
            let parsed = parse(&Template::text(template).unwrap(), b"\n", count, data.as_bytes());
            if let State::Done(used) = parsed.state { prop_assert!(used <= data.len()); }
        }
    }

    /// An encoded block is decoded and consumes exactly its own bytes, for any bytes after it.
    #[test]
    fn an_encoded_block_is_decoded(
        payload in proptest::collection::vec(any::<[u8; 2]>(), 1..300),
        beyond in proptest::collection::vec(any::<u8>(), 0..8),
    ) {
        let (count, payload) = (payload.len(), payload.concat());
        let length = payload.len().to_string();
        let mut data = format!("1;1999.0;#{}{length}", length.len()).into_bytes();
        data.extend(&payload);
        data.push(b'\n');
        let whole = data.len();
        data.extend(&beyond);
        let parsed = parse(&Template::text("{tag};{counts:block}").unwrap(), b"\n", count, &data);
        prop_assert_eq!(parsed.state, State::Done(whole));
        prop_assert_eq!(parsed.values.counts.payload, payload);
    }
}
