//! Output of the commands for a station that has measured. Texts are interface.

use crate::site::{Site, texts};
use serde_json::Value;

/// `check --live` identifies the instrument, exposes once and stores nothing; another instrument is invalid input, silence is a
/// failure.
#[test]
fn check_live_meets_the_instrument_and_keeps_nothing() {
    let site = Site::new(1.0, "", "cron = \"0 * * * * *\"");
    let check = ["check", "--config", "station.toml", "--live"];
    let ran = site.output(&check);
    let (_, err) = texts(&ran);
    assert_eq!(ran.status.code(), Some(1), "{err}");
    assert_eq!(err, "south: line: no such device (is it plugged in and switched on?)\n");

    let bench = site.bench(&[]);
    let ran = site.output(&check);
    let (out, err) = texts(&ran);
    assert_eq!((ran.status.code(), err.as_str()), (Some(0), ""), "{out}");
    for line in [
        "answered     south: Vigilux, Virtual-2048, VB-0001, 1.0",
        "             2048 pixels, 276.8 nm to 1052.8 nm, full scale 65535 counts, shutter, 0.001 s to 60 s",
    ] {
        assert!(out.lines().any(|l| l == line), "no line `{line}` in\n{out}");
    }
    assert!(out.contains("             one exposure of 0.001 s: highest count "), "{out}");
    let ran = site.output(&[&check[..], &["--json"]].concat());
    let json: Value = serde_json::from_slice(&ran.stdout).unwrap();
    assert_eq!((&json["valid"], &json["connected"][0]["pixels"]), (&true.into(), &2048.into()), "{json}");
    assert_eq!(json["connected"][0]["identity"][2], "VB-0001", "{json}");
    drop(bench);

    site.put("other.toml", "[identity]\nserial = \"VB-0002\"\n");
    let _other = site.bench(&["--config", "other.toml"]);
    let ran = site.output(&check);
    let (_, err) = texts(&ran);
    assert_eq!(ran.status.code(), Some(2), "{err}");
    let want = "south: expected the instrument of the calibrations, serial number `VB-0001`, but found `VB-0002`\n";
    assert_eq!(err, want);
    assert!(!site.path("station.db").exists(), "no database is made");
}

/// `show` and `export` of a station that has measured, while the daemon measures.
#[test]
fn show_and_export_read_beside_the_daemon() {
    let site = Site::new(240.0, "", "cron = \"0 * * * * *\"");
    let _bench = site.bench(&[]);
    let daemon = site.run();
    let mut last = site.reading(&daemon);
    while last.0 < 3 {
        last = site.reading(&daemon);
    }

    let (out, _) = texts(&site.output(&["show", "--config", "station.toml"]));
    assert!(out.starts_with("Test roof: ") && out.contains(" gaps stored\n\nreading "), "{out}");
    for (start, end) in [
        ("instrument    south, calibration ", ""),
        ("sun           ", ""),
        ("exposures     ", " old"),
        ("flags         ", ""),
        ("quantity ", "verdict"),
        ("ppfd ", ""),
        ("  caution: from UV index 3 on", ""),
        ("uv_index ", ""),
        ("last gap      ", ""),
        ("last event    ", ""),
    ] {
        let line = out.lines().any(|l| l.starts_with(start) && l.ends_with(end));
        assert!(line, "no line `{start}…{end}` in\n{out}");
    }
    let ran = site.output(&["show", "--config", "station.toml", "--last", "2", "--json"]);
    let json: Value = serde_json::from_slice(&ran.stdout).unwrap();
    assert_eq!((&json["station"], json["readings"].as_array().map(Vec::len)), (&"Test roof".into(), Some(2)), "{json}");
    let caution = |group: &str| json["cautions"][group].as_str().unwrap_or_default();
    assert!(caution("ultraviolet").starts_with("from UV index 3 on") && !caution("retina").is_empty(), "{json}");
    let ppfd = &json["readings"][1]["quantities"]["ppfd"];
    assert!(ppfd["value"].is_f64() && ppfd["uncertainty"].is_f64(), "{ppfd}");
    assert_eq!(ppfd["unit"], "umol m-2 s-1", "{ppfd}");

    let (out, _) = texts(&site.output(&["export", "--config", "station.toml", "--format", "csv"]));
    let preamble: Vec<&str> = out.lines().take_while(|l| l.starts_with("# ")).collect();
    for line in [
        concat!("# program: vigilux ", env!("CARGO_PKG_VERSION")),
        "# station: Test roof (roof), 48 deg north, 11 deg east, 0 m, time zone Europe/Berlin",
        "# instrument: south, serial number VB-0001",
        "# time: time_mid is the time of a reading; rows are in the order in which they were stored",
        "# uncertainty: ID_uncertainty is the standard uncertainty (k = 1) in the unit of ID",
        "# unit of ppfd: umol m-2 s-1",
    ] {
        assert!(preamble.contains(&line), "no line `{line}` in\n{}", preamble.join("\n"));
    }
    let rows: Vec<&str> = out.lines().skip(preamble.len()).collect();
    assert!(rows[0].starts_with("id,time_start,time_mid,time_end,instrument,calibration,"), "{}", rows[0]);
    let stored = rows.iter().find(|r| r.starts_with(&format!("{},", last.0))).copied().unwrap_or_default();
    assert_eq!(stored.split(',').nth(2), Some(last.1.to_string().as_str()), "the acknowledged time of {last:?}");
    // Commas within quotes are part of a cell.
    let cells = |row: &str| row.split('"').step_by(2).map(|plain| plain.matches(',').count()).sum::<usize>() + 1;
    assert!(rows.iter().all(|r| cells(r) == cells(rows[0])), "{out}");
    site.reading(&daemon);
}

/// `compute` describes the file, and names what cannot be computed and why.
#[test]
fn compute_prints_numbers_with_units_and_absences_with_reasons() {
    let site = Site::new(1.0, "", "cron = \"0 * * * * *\"");
    site.put("lamp.csv", "# lamp: invented\nwavelength_nm,irradiance_w_m2_nm\n380,0.01\n500,0.02\n780,0.01\n");
    let ran = site.output(&["compute", "lamp.csv"]);
    let (out, err) = texts(&ran);
    assert_eq!((ran.status.code(), err.as_str()), (Some(0), ""), "{out}");
    let ran = site.output(&["compute", "lamp.csv", "--json"]);
    let json: Value = serde_json::from_slice(&ran.stdout).unwrap();
    let ppfd = &json["quantities"]["ppfd"];
    assert_eq!(ppfd["unit"], "umol m-2 s-1", "{ppfd}");
    assert!(ppfd["value"].is_f64(), "{ppfd}");
    let uv = &json["quantities"]["uv_index"];
    assert_eq!((&uv["value"], uv["reason"].is_string()), (&Value::Null, true), "{uv}");
    let line = |start: &str, end: &str| out.lines().any(|l| l.trim_start().starts_with(start) && l.ends_with(end));
    let why = "assumed, since the file starts at 280 nm or above; for a lamp's spectrum say --source lamp";
    assert!(out.starts_with(&format!("lamp.csv: 380 to 780 nm\nsource sun: {why}\n\nplants\n")), "{out}");
    assert_eq!((&json["source"], &json["source_reason"]), (&"sun".into(), &why.into()), "{json}");
    assert!(line("ppfd ", "umol m-2 s-1  Photosynthetic photon flux density"), "{out}");
    assert!(line("pfd_far_red ", "-  needs 700 to 800 nm, but the range is 380 to 780 nm"), "{out}");
    assert!(line("uv_index ", "-  needs 290 to 400 nm, but the range is 380 to 780 nm"), "{out}");
}

#[test]
fn values_of_lamps_carry_the_notice_for_lamps() {
    let site = Site::new(240.0, "", "cron = \"0 * * * * *\"");
    let station = std::fs::read_to_string(site.path("station.toml")).unwrap();
    site.put("lamp.toml", &station.replace("kind = \"roof\"", "kind = \"lamp\"\nmains_hz = 0"));
    let bench = site.bench(&[]);
    let daemon = site.run();
    site.reading(&daemon);
    drop((daemon, bench));
    for arguments in [
        &["show"][..],
        &["show", "--json"],
        &["daily"],
        &["daily", "--json"],
        &["daily", "--csv"],
        &["series", "uv_index"],
        &["series", "uv_index", "--json"],
        &["series", "uv_index", "--csv"],
        &["export"],
        &["export", "--what", "spectra"],
    ] {
        let printed = |config: &str| {
            let ran = site.output(&[arguments, &["--config", config]].concat());
            let (out, err) = texts(&ran);
            assert_eq!(ran.status.code(), Some(0), "{arguments:?}: {err}");
            out.split_whitespace().collect::<Vec<_>>().join(" ")
        };
        let (sun, lamp) = (printed("station.toml"), printed("lamp.toml"));
        assert!(sun.contains("from UV index 3 on protection of eyes and skin is advised"), "{arguments:?}: {sun}");
        assert!(!sun.contains("no value means safe"), "{arguments:?}: {sun}");
        assert!(lamp.contains("before a lamp no value means safe; protect eyes and skin"), "{arguments:?}: {lamp}");
        assert!(!lamp.contains("UV index 3"), "{arguments:?}: {lamp}");
    }
}
