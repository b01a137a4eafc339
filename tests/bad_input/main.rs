//! Invalid files: the program reports every fault with place and rule, exits with status 2, starts nothing, creates nothing and
//! never panics.

#[path = "../support/mod.rs"]
mod support;

mod calibration;
mod configuration;
mod mangled;
mod spectrum;

use support::{Folder, Ran};

/// A valid configuration and calibration.
pub const CONFIG: &str = include_str!("good.toml");
/// See [`CONFIG`].
pub const CALIBRATION: &str = include_str!("good_calibration.toml");

/// A folder with the two files; each pair replaces the first text by the second.
pub fn folder_with(config: &[(&str, &str)], calibration: &[(&str, &str)]) -> Folder {
    let folder = Folder::new();
    folder.put("station.toml", changed(CONFIG, config));
    folder.put("calibration.toml", changed(CALIBRATION, calibration));
    folder
}

/// The text with each first text replaced by the second.
pub fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    changes.iter().fold(text.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "the good file has no `{from}`");
        text.replacen(from, to, 1)
    })
}

/// Runs `check`, which must refuse with exactly these lines and leave the folder as it was.
pub fn assert_refused(folder: &Folder, want: &[&str]) {
    let before = folder.files();
    let ran = folder.vigilux(&["check", "--config", "station.toml"]);
    assert_eq!(ran.status(), Some(2), "{ran}");
    assert_eq!(ran.complaints(), want, "{ran}");
    assert_eq!(ran.stdout(), "", "{ran}");
    assert!(before == folder.files(), "files changed: {ran}");
}

/// Neither a panic nor a signal, and only the documented exit statuses.
pub fn assert_sane(ran: &Ran) {
    assert!(matches!(ran.status(), Some(0 | 2)), "{ran}");
    assert!(!ran.stderr().contains("panicked"), "{ran}");
}

/// The valid files are accepted, so every refusal here has the reason it names.
#[test]
fn the_good_files_are_good() {
    let folder = folder_with(&[], &[]);
    let before = folder.files();
    let ran = folder.vigilux(&["check", "--config", "station.toml"]);
    assert_eq!(ran.status(), Some(0), "{ran}");
    assert!(before == folder.files(), "files changed: {ran}");
}

/// Wrong usage and failure have different exit statuses.
#[test]
fn wrong_usage_ends_with_status_2() {
    let folder = Folder::new();
    for arguments in [&["chekc"][..], &["check"], &["check", "--config"], &["check", "--config", "a", "--no-such-flag"]]
    {
        let ran = folder.vigilux(arguments);
        assert_eq!(ran.status(), Some(2), "{ran}");
    }
    let ran = folder.vigilux(&["--version"]);
    assert_eq!(ran.stdout(), format!("vigilux {}\n", env!("CARGO_PKG_VERSION")), "{ran}");
}
