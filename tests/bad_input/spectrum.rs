//! Invalid spectrum files.

use super::assert_sane;
use crate::support::Folder;

const HEADER: &str = "wavelength_nm,irradiance_w_m2_nm\n";

/// Each refusal names file, line, rule and the value found; nothing is created.
#[test]
fn each_wrong_spectrum_is_refused_with_its_line() {
    let cases: &[(&str, &[&str])] = &[
        ("400,1\n500,bright\n600,1\n", &["s.csv:3:", "`bright`"]),
        ("400,1\n600,1\n500,1\n", &["s.csv:4:", "500", "600"]),
        ("400,1\n400,1\n", &["s.csv:3:", "400"]),
        ("400,1\n", &["s.csv", "row"]),
        ("", &["s.csv", "row"]),
        ("400,1\n500,NaN\n600,1\n", &["s.csv:3:", "NaN"]),
        ("400,1\n500,inf\n600,1\n", &["s.csv:3:", "inf"]),
        ("400,1\n500\n600,1\n", &["s.csv:3:"]),
        ("400,1\n500,1,1\n600,1\n", &["s.csv:3:"]),
        ("400,1\n500,1\n2e7,1\n", &["s.csv:4: expected a wavelength from 100 to 5000 nm, but found 20000000 nm"]),
        ("0.4,1\n0.5,1\n", &["s.csv:2: expected a wavelength from 100 to 5000 nm, but found 0.4 nm"]),
    ];
    for (rows, words) in cases {
        let folder = Folder::new();
        folder.put("s.csv", format!("{HEADER}{rows}"));
        let before = folder.files();
        let ran = folder.vigilux(&["compute", "s.csv"]);
        assert_eq!(ran.status(), Some(2), "{rows:?}: {ran}");
        for word in *words {
            assert!(ran.stderr().contains(word), "{rows:?} without `{word}`: {ran}");
        }
        assert!(ran.stderr().contains("expected") && ran.stdout().is_empty(), "{ran}");
        assert!(before == folder.files(), "files changed: {ran}");
    }
}

/// All wrong lines of a file are reported together.
#[test]
fn all_wrong_lines_are_said_in_one_go() {
    let folder = Folder::new();
    folder.put("s.csv", format!("{HEADER}400,1\n500,x\n450,1\n600,y\n"));
    let ran = folder.vigilux(&["compute", "s.csv"]);
    assert_eq!(ran.status(), Some(2), "{ran}");
    for line in ["s.csv:3:", "s.csv:4:", "s.csv:5:"] {
        assert!(ran.stderr().contains(line), "no `{line}`: {ran}");
    }
}

/// A missing file, another header, a folder and bytes that are no text are refused.
#[test]
fn what_is_no_spectrum_is_refused() {
    let folder = Folder::new();
    folder.put("header.csv", "nm,W\n400,1\n500,1\n");
    folder.put("bytes.csv", [0xff, 0xfe, 0x00, 0x0a]);
    folder.put("empty.csv", "");
    for name in ["none.csv", "header.csv", "bytes.csv", "empty.csv", "."] {
        let ran = folder.vigilux(&["compute", name]);
        assert_sane(&ran);
        assert_eq!(ran.status(), Some(2), "{ran}");
        assert!(ran.stderr().contains(name) && ran.stdout().is_empty(), "{ran}");
    }
}
