//! Randomly damaged files: the program may accept or refuse them and must not panic.

use super::{CALIBRATION, CONFIG, assert_sane, folder_with};
use proptest::prelude::*;
use std::path::Path;
use vigilux::clock::UtcMicros;

/// One change of a file.
#[derive(Clone, Debug)]
enum Change {
    Overwrite(usize, u8),
    Remove(usize, usize),
    Double(usize, usize),
    Insert(usize, &'static str),
}

/// Difficult pieces: kinds of values, ends of structure, extreme numbers.
const PIECES: [&str; 16] = [
    "nan",
    "-inf",
    "1e400",
    "-0.0",
    "[",
    "]]",
    "{ }",
    "\"",
    "\n[",
    "= =",
    "0x1F",
    "2026-02-30",
    "true",
    "\u{feff}",
    "é",
    "# ",
];

fn change() -> impl Strategy<Value = Change> {
    prop_oneof![
        (any::<usize>(), any::<u8>()).prop_map(|(at, byte)| Change::Overwrite(at, byte)),
        (any::<usize>(), 1..40_usize).prop_map(|(at, n)| Change::Remove(at, n)),
        (any::<usize>(), 1..80_usize).prop_map(|(at, n)| Change::Double(at, n)),
        (any::<usize>(), prop::sample::select(&PIECES[..])).prop_map(|(at, piece)| Change::Insert(at, piece)),
    ]
}

fn mangle(text: &str, changes: &[Change]) -> Vec<u8> {
    let mut bytes = text.as_bytes().to_vec();
    for change in changes {
        let place = |at: usize| at % (bytes.len() + 1);
        let end = |at: usize, n: usize| (place(at) + n).min(bytes.len());
        match change {
            Change::Overwrite(at, byte) => {
                let at = place(*at);
                if let Some(slot) = bytes.get_mut(at) {
                    *slot = *byte;
                }
            }
            Change::Remove(at, n) => {
                let range = place(*at)..end(*at, *n);
                bytes.drain(range);
            }
            Change::Double(at, n) => {
                let piece = bytes[place(*at)..end(*at, *n)].to_vec();
                let at = place(*at);
                bytes.splice(at..at, piece);
            }
            Change::Insert(at, piece) => {
                let at = place(*at);
                bytes.splice(at..at, piece.bytes());
            }
        }
    }
    bytes
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4000, failure_persistence: None, ..ProptestConfig::default() })]

    /// No text makes the parsers panic, and every refusal has a message.
    #[test]
    fn the_readers_never_panic(changes in prop::collection::vec(change(), 1..8)) {
        let now = UtcMicros(1_800_000_000_000_000);
        if let Ok(text) = String::from_utf8(mangle(CONFIG, &changes))
            && let Err(diagnostics) = vigilux::config::parse(Path::new("station.toml"), &text, now)
        {
            prop_assert!(!diagnostics.0.is_empty() && diagnostics.0.iter().all(|f| !f.expected.is_empty() && !f.found.is_empty()));
        }
        if let Ok(text) = String::from_utf8(mangle(CALIBRATION, &changes)) {
            match vigilux::calibration::file::parse(Path::new("calibration.toml"), &text) {
                Err(diagnostics) => prop_assert!(!diagnostics.0.is_empty()),
                Ok(c) => {
                    // An accepted value keeps the invariants of its type.
                    let rises = |axis: &[f64]| axis.windows(2).all(|pair| pair[0] < pair[1]);
                    prop_assert!(rises(&c.response.wavelength_nm) && c.valid_from < c.valid_until);
                    prop_assert!(c.response.counts_per_s_per_w_m2_nm.iter().all(|r| *r > 0.0 && r.is_finite()));
                    prop_assert_eq!(c.response.wavelength_nm.len(), c.response.relative_uncertainty.len());
                    prop_assert!(c.wavelength.coefficients.iter().all(|k| k.is_finite()));
                }
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    /// The program accepts or refuses a damaged file with a documented status and changes nothing.
    #[test]
    fn the_program_takes_or_refuses(changes in prop::collection::vec(change(), 1..6), of_config in any::<bool>()) {
        let folder = folder_with(&[], &[]);
        let (name, good) = if of_config { ("station.toml", CONFIG) } else { ("calibration.toml", CALIBRATION) };
        folder.put(name, mangle(good, &changes));
        let before = folder.files();
        assert_sane(&folder.vigilux(&["check", "--config", "station.toml"]));
        prop_assert!(before == folder.files());
    }
}
