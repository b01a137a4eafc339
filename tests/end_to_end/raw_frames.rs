//! A raw frame is read without this program.

use crate::python::interpreter;
use crate::site::{PATIENCE, Site, texts};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

/// Independent: Python's `sqlite3` and `pcodec` (`docs/read_frame.py`) read the counts that `export` writes, of every frame.
#[test]
fn a_script_of_ten_lines_reads_the_frames_that_export_writes() {
    let site = Site::new(240.0, "warm_up_min = 0", "cron = \"0,30 * * * * *\"");
    let bench = site.bench(&[]);
    let mut daemon = site.run();
    while site.reading(&daemon).0 < 3 {}
    daemon.process.signal("TERM");
    assert!(daemon.process.end_within(PATIENCE).success());
    drop(bench);
    let exported = site.output(&["export", "--what", "frames", "--config", "station.toml"]);
    let (csv, complaints) = texts(&exported);
    assert!(exported.status.success(), "{complaints}");

    let mut lines = csv.lines().filter(|line| !line.starts_with('#'));
    let head: Vec<&str> = lines.next().unwrap().split(',').collect();
    let at = |name: &str| head.iter().position(|h| *h == name).unwrap_or_else(|| panic!("no `{name}` in {head:?}"));
    let (reading, bracket, pixel, counts) = (at("reading"), at("bracket"), at("pixel"), at("counts"));
    let mut frames: BTreeMap<(String, String), Vec<String>> = BTreeMap::new();
    for line in lines {
        let cells: Vec<&str> = line.split(',').collect();
        // Commas within the cell `clipped` move the cells after it.
        let (pixel, counts) = (cells.len() - head.len() + pixel, cells.len() - head.len() + counts);
        let frame = frames.entry((cells[reading].to_owned(), cells[bracket].to_owned())).or_default();
        assert_eq!(cells[pixel], frame.len().to_string());
        frame.push(cells[counts].to_owned());
    }
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/read_frame.py");
    assert!(frames.len() >= 3, "{} frames", frames.len());
    for ((reading, bracket), counts) in &frames {
        let mut python = Command::new(interpreter());
        let ran = python.arg(&script).arg(site.path("station.db")).args([reading, bracket]).output().unwrap();
        let (read, complaints) = texts(&ran);
        assert!(ran.status.success(), "{complaints}");
        assert!(counts.len() > 1000 && read.lines().eq(counts), "reading {reading}, bracket {bracket}");
        assert!(complaints.contains(" exposures of ") && complaints.contains(", shutter open"), "{complaints}");
    }
}
