//! `vigilux dark` with a covered head, with light on the head, and while a daemon uses the instrument.

use crate::site::{Site, texts};

const DARK: [&str; 4] = ["dark", "--config", "station.toml", "--covered"];

fn site() -> Site {
    Site::new(600.0, "", "cron = \"0 * * * * *\"")
}

/// Under a cover the whole set of darks is taken and stored as `covered`, and the operator gets instructions.
#[test]
fn a_covered_head_gives_a_whole_library() {
    let site = site();
    let _bench = site.bench(&["--scene", "spectrum", "--spectrum", "dark.csv"]);
    let ran = site.output_in_time(&DARK);
    let (out, err) = texts(&ran);
    assert_eq!(ran.status.code(), Some(0), "{out}{err}");
    let lines: Vec<&str> = out.lines().collect();
    assert!(
        lines[0].starts_with("south (Vigilux,Virtual-2048,VB-0001,1.0): keep the head covered for about "),
        "{out}"
    );
    assert!(lines[1].starts_with("Caution: do not look into the sun or into a lamp. Protect eyes and skin"), "{out}");
    let stored: i64 = site.column("SELECT count(*) FROM dark WHERE source = 'covered'")[0];
    assert!(stored >= 8, "a library is more than {stored} darks");
    let last = lines.last().copied().unwrap_or_default();
    assert!(last.starts_with("You can uncover the head now (2026-06-21T"), "{out}");
    assert!(last.ends_with(&format!("{stored} of {stored} darks were accepted.")), "{out}");
    assert_eq!(site.column::<i64>("SELECT count(*) FROM dark"), [stored]);
    assert_eq!(site.column::<i64>("SELECT count(*) FROM event WHERE kind = 'dark_refused'"), [0]);
    // The daemon finds them when it starts: without a shutter, the first reading already has its dark.
    let times: Vec<f64> = site.column("SELECT DISTINCT integration_time FROM dark ORDER BY 1");
    assert!(times.last().copied().unwrap_or_default() > 20.0 * times[0], "from short to long: {times:?}");
}

/// With light on the head every dark is rejected, the rejection is recorded, and the command fails.
#[test]
fn a_head_that_was_not_covered_is_found_out() {
    let site = site();
    let _bench = site.bench(&[]);
    let ran = site.output_in_time(&DARK);
    let (out, err) = texts(&ran);
    assert_eq!(ran.status.code(), Some(1), "{out}{err}");
    assert_eq!(site.column::<i64>("SELECT count(*) FROM dark"), [0], "{out}{err}");
    let refused: i64 = site.column("SELECT count(*) FROM event WHERE kind = 'dark_refused'")[0];
    assert!(out.contains(&format!("0 of {refused} darks were accepted.")), "{out}");
    let want = format!(
        "{refused} darks were rejected, most likely because light reached the detector; cover the head better and repeat:\n"
    );
    assert!(err.contains(&want), "{err}");
}

/// Without an operator, without an instrument, or while a daemon runs, the command is refused before it does anything.
#[test]
fn it_refuses_what_cannot_be_done() {
    let site = site();
    let ran = site.output_in_time(&DARK);
    let (_, err) = texts(&ran);
    assert_eq!(ran.status.code(), Some(1), "{err}");
    assert!(err.starts_with("no instrument: line: no such device"), "{err}");

    let _bench = site.bench(&[]);
    let ran = site.output_in_time(&DARK[..3]);
    let (_, err) = texts(&ran);
    assert_eq!(ran.status.code(), Some(2), "{err}");
    assert_eq!(err, "expected a terminal to ask for the cover, or --covered\n");

    let daemon = site.run();
    site.reading(&daemon);
    let ran = site.output_in_time(&DARK);
    let (_, err) = texts(&ran);
    assert_eq!(ran.status.code(), Some(1), "{err}");
    let want = format!("expected no other daemon on this database, but process {} holds its lock", daemon.process.id());
    assert!(err.starts_with("no darks were taken (is the daemon running?") && err.contains(&want), "{err}");
    site.reading(&daemon);
}
