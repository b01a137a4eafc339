//! Tests of loading: the built-in file, refusals with their lines, and mangled files.

use super::parse;
use crate::dialect::SCPI;
use proptest::prelude::*;
use std::path::Path;

const SCPI_TEXT: &str = include_str!("../../../config/dialects/scpi.toml");

fn refused(text: &str) -> String {
    parse(Path::new("x.toml"), text).unwrap_err().to_string()
}

#[test]
fn the_built_in_dialect_loads() {
    assert_eq!(SCPI.name, "scpi");
    let loaded = parse(Path::new("config/dialects/scpi.toml"), SCPI_TEXT).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(loaded, **SCPI);
    assert!(loaded.proves_frame() && loaded.echoes_integration() && !loaded.is_protected());
}

/// Every example loads, and states its limitations.
#[test]
fn the_examples_load() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/dialects/examples");
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "toml") {
            let dialect = super::load(&path).unwrap_or_else(|e| panic!("{e}"));
            let missing: Vec<&str> = crate::dialect::limitations::of(&dialect).iter().map(|l| l.missing).collect();
            found.push((dialect.name.clone(), missing));
        }
    }
    found.sort();
    let expected: [(&str, &[&str]); 4] = [
        ("brindle", &[]),
        ("karnaby", &[]),
        ("quern", &["tag of answers"]),
        ("wisp", &["tag of answers", "checksum of frames", "shutter", "temperature", "abort"]),
    ];
    for (name, missing) in expected {
        assert!(found.contains(&(name.to_owned(), missing.to_vec())), "{name} {missing:?} in {found:?}");
    }
}

#[test]
fn a_fault_is_reported_with_its_line_and_key() {
    for (from, to, message) in [
        ("shutter = \"detect\"", "shutter = \"maybe\"", "detector.shutter: expected `yes`, `no` or `detect`"),
        ("{tag};*IDN?", "{tag};{sun}*IDN?", "action.identify[0].send: expected a field that has a value here"),
        ("{maker},{model}", "{maker}{model}", "action.identify[0].expect: expected fixed text behind `maker`"),
        ("{counts:block}\"\nexposes", "{counts:blok}\"\nexposes", "action.expose[0].expect: expected a type: u8"),
        ("CRC-32/ISO-HDLC", "CRC-32/NONE", "checksum.algorithm: expected `sum-8`"),
        ("[checksum]", "[checksum_]", "expected one of the keys"),
        ("exposes = true", "exposes = 1", "expected true or false"),
        ("closed = \"CLOSed\"", "shut = \"CLOSed\"", "words.shutter: expected the words of `closed`"),
        ("{firmware}\"", "{firmwear}\"", "`firmwear`, which nothing uses"),
        ("search = true", "serach = true", "did you mean `search`?"),
        ("version = 1", "version = 2", "dialect.version: expected version 1"),
        ("{if shutter};{shutter}{end};{temperature", "{if shutter};{shutter};{temperature", "expected `{end}`"),
    ] {
        assert!(SCPI_TEXT.contains(from), "{from}");
        let text = SCPI_TEXT.replacen(from, to, 1);
        let error = refused(&text);
        let line = text.lines().position(|line| line.contains(to.lines().next().unwrap())).unwrap() + 1;
        assert!(error.contains(message), "{to}:\n{error}");
        // The states of a word are reported with the head of their table.
        let mut lines = (line - 2..=line).map(|line| format!("x.toml:{line}: "));
        assert!(lines.any(|line| error.contains(&line)), "{to}: no line {line} in\n{error}");
    }
}

#[test]
fn parts_that_do_not_fit_together_are_refused() {
    let without = |action: &str| {
        let start = SCPI_TEXT.find(&format!("[[action.{action}]]")).unwrap();
        let end = SCPI_TEXT[start + 2..].find("[[action").map_or(SCPI_TEXT.len(), |at| at + start + 2);
        refused(&format!("{}{}", &SCPI_TEXT[..start], &SCPI_TEXT[end..]))
    };
    assert!(without("expose").contains("steps `[[action.expose]]`"));
    assert!(without("identify").contains("steps `[[action.identify]]`, or a section `[identity]`"));
    assert!(without("describe").contains("detector.values: expected the key, or the field `pixels`"));
    assert!(without("detect_shutter").contains("because `detector.shutter` is `detect`"));
    assert!(without("set").contains("sends the field `integration`"));
    assert!(without("confirm").contains("`checksum`"));
    assert!(refused("").contains("dialect.version"));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]
    /// A file with characters replaced, inserted or left out loads or is refused with a line of the file.
    #[test]
    fn a_mangled_file_loads_or_is_refused(edits in proptest::collection::vec((0_usize..6000, 0_usize..3, "[ -~\n]"), 1..4)) {
        let mut text: Vec<char> = SCPI_TEXT.chars().collect();
        for (at, kind, with) in edits {
            let at = at % text.len();
            let with = with.chars().next().unwrap();
            match kind {
                0 => text[at] = with,
                1 => text.insert(at, with),
                _ => { text.remove(at); }
            }
        }
        let text: String = text.into_iter().collect();
        if let Err(diagnostics) = parse(Path::new("x.toml"), &text) {
            let lines = text.lines().count();
            prop_assert!(!diagnostics.0.is_empty());
            // A missing key has no line; every other fault has one.
            prop_assert!(diagnostics.0.iter().all(|d| d.line.is_none_or(|line| (1..=lines + 1).contains(&line))));
        }
    }
}
