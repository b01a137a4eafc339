//! Mutated examples for every target. `VIGILUX_FUZZ_CASES` asks for more than the default number.

use super::*;
use crate::record::{Frame, PixelRanges, Shutter, Stamp};
use rand::rngs::SmallRng;
use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};

/// Default number of inputs of a target.
const CASES: u64 = 2_000;

/// Difficult pieces: ends of structure, extreme numbers, other alphabets.
const PIECES: [&[u8]; 20] = [
    b"nan",
    b"-inf",
    b"1e400",
    b"-0.0",
    b"1e-320",
    b"[",
    b"]]",
    b"{}",
    b"\"",
    b"\n[",
    b"=",
    b"2026-02-30",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"# ",
    b"\r\n",
    b"#9999999999",
    b"#10",
    b";",
    b"65535",
];

/// One to eight changes of an input: bytes overwritten, removed, doubled, inserted, or the end cut off.
fn mutate(bytes: &mut Vec<u8>, rng: &mut SmallRng) {
    for _ in 0..rng.random_range(1..=8) {
        let from = rng.random_range(0..=bytes.len());
        let to = (from + rng.random_range(1..40)).min(bytes.len());
        match rng.random_range(0..7) {
            0 => bytes.truncate(from),
            1 => drop(bytes.drain(from..to)),
            2 => {
                let piece = bytes[from..to].to_vec();
                drop(bytes.splice(from..from, piece));
            }
            3 => {
                let piece = PIECES.choose(rng).expect("there are pieces");
                drop(bytes.splice(from..from, piece.iter().copied()));
            }
            4 => bytes[from..to].iter_mut().for_each(|byte| *byte = rng.random()),
            _ => bytes[from..to].iter_mut().take(1).for_each(|byte| *byte ^= 1 << rng.random_range(0..8)),
        }
    }
}

/// Calls a target with examples as they are, which it accepts, and with mutated ones.
fn run(target: fn(&[u8]) -> bool, examples: &[Vec<u8>]) {
    for example in examples {
        assert!(target(example), "an example is accepted: {}", example.escape_ascii());
    }
    let cases = std::env::var("VIGILUX_FUZZ_CASES").map_or(CASES, |n| n.parse().expect("a number of inputs"));
    let mut rng = SmallRng::seed_from_u64(20_260_621);
    let mut accepted = 0_u64;
    for _ in 0..cases {
        let mut input = match examples.choose(&mut rng) {
            Some(example) if rng.random_ratio(15, 16) => example.clone(),
            _ => (0..rng.random_range(0..200)).map(|_| rng.random()).collect(),
        };
        mutate(&mut input, &mut rng);
        accepted += u64::from(target(&input));
    }
    println!("{cases} inputs, {accepted} accepted");
    assert!(
        accepted > cases / 1000,
        "only {accepted} of {cases} mutated inputs are accepted: the mutations are too coarse"
    );
}

#[test]
fn answers() {
    let block = |fields: u8, length: u8, text: &str| [&[fields, length], text.as_bytes()].concat();
    run(
        answer,
        &[
            block(1, 0, "Example,Model 7,0042,1.0\r\n"),
            block(2, 4, "0.1;21.5;#18abcdefgh\n"),
            block(3, 8, "1;+2.50E-1;9.91E37;#216ABCDEFGHIJKLMNOP\r\n"),
            block(0, 1, "#12ab\n"),
            block(4, 0, "-222,\"Data out of range; 7\";0;1\n"),
        ],
    );
}

#[test]
fn configurations() {
    let files = [
        include_str!("../../config/roof.toml"),
        include_str!("../../config/glasshouse.toml"),
        include_str!("../../config/lamp.toml"),
    ];
    run(configuration, &files.map(|text| text.as_bytes().to_vec()));
}

#[test]
fn dialects() {
    let files = [
        include_str!("../../config/dialects/scpi.toml"),
        include_str!("../../config/dialects/examples/brindle.toml"),
        include_str!("../../config/dialects/examples/karnaby.toml"),
    ];
    run(dialect, &files.map(|text| text.as_bytes().to_vec()));
}

#[test]
fn calibrations() {
    run(calibration, &[include_bytes!("../../config/calibration/example.toml").to_vec()]);
}

#[test]
fn spectra() {
    let head = csv::HEADER;
    let rows = (0..30).fold(format!("# site: example\n{head}\n"), |t, i| t + &format!("{}.5,{}e-3\n", 300 + 10 * i, i));
    run(spectrum, &[rows.into_bytes(), format!("{head}\r\n280,1\r\n1100,-2.5e-7\r\n\r\n").into_bytes()]);
}

#[test]
fn frames() {
    let frame_of = |pixels: u32, temperature_c| Frame {
        integration_s: 0.25,
        shutter: Shutter::Open,
        temperature_c,
        stamps: vec![Stamp { start: UtcMicros(1_782_043_200_000_000), crc32: 7 }],
        sums: (0..pixels).map(|i| 900 + i * 7919 % 977).collect(),
        clipped: PixelRanges(vec![(3, 9)]),
        light_variation: 0.01,
        ripple: Vec::new(),
        rejected: Vec::new(),
    };
    let encoded = |frame: Frame| {
        let row = FrameRow::encode(&frame).unwrap();
        let length = u16::try_from(row.detail.len()).unwrap().to_le_bytes();
        [&length, row.detail.as_bytes(), &row.sums].concat()
    };
    let model = DarkModel {
        offset: vec![900.0, 901.5, 899.25],
        rate: vec![0.5, 0.75, 12.0],
        reference_c: 20.0,
        offset_per_k: 0.1,
        rate_exponent_per_k: Some(0.09),
        exponent_uncertainty: 0.005,
        covariance: [1.0, -0.1, 0.02],
        temperature_range_c: (5.0, 35.0),
        integration_range_s: (0.01, 5.0),
        newest: UtcMicros(1_782_043_200_000_000),
        darks: 12,
        light_lx: 0.0,
    };
    let model = [&[0, 0][..], &model.encode()].concat();
    run(frame, &[encoded(frame_of(64, Some(21.0))), encoded(frame_of(600, None)), model]);
}
