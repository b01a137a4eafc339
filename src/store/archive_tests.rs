//! What makes a reading again is kept whole, and a database of version 1 is brought forward with everything in it.

use super::tests::*;
use super::*;
use crate::calibration::file;
use crate::clock::UtcMicros;
use rusqlite::{Connection, params};

/// A database as version 1 made it: four readings of two hours, the first two of an older computation.
fn version_1(path: &Path) {
    let mut c = Connection::open(path).unwrap();
    c.pragma_update(None, "page_size", PAGE_SIZE).unwrap();
    c.pragma_update(None, "application_id", schema::APPLICATION_ID).unwrap();
    let _: String = c.query_row("PRAGMA journal_mode=WAL", [], |r| r.get(0)).unwrap();
    schema::migrate(&mut c, &schema::MIGRATIONS[..1], path).unwrap();
    schema::add_quantities(&mut c, &QUANTITIES).unwrap();
    c.execute_batch(
        "INSERT INTO instrument VALUES (1, 'roof head', 'VB-0001', 'a', 64, 65535, '[[0,3],[60,63]]', 0.001, 60.0, 1, 0.36, 0);
         INSERT INTO calibration VALUES (1, 1, 'lab-7', '[calibration]', '', '0.1.0', 0);
         INSERT INTO configuration VALUES (1, 'version = 1', '', '0.1.0', 0);
         INSERT INTO computation VALUES (1, 'old', '', '0.1.0', 0, 1), (2, 'new', '', '0.1.0', 0, 2);",
    )
    .unwrap();
    for id in 1..=4i64 {
        let mid = NOON.plus_seconds(1700.0 * (id - 1) as f64).0;
        let computation = if id <= 2 { 1 } else { 2 };
        c.execute(
            "INSERT INTO reading(id, time_start, time_mid, time_end, instrument, configuration, exposures, peak_level, flags)
             VALUES (?1, ?2, ?2, ?2, 1, 1, '[[0.1,4]]', 0.5, 4096)",
            params![id, mid],
        )
        .unwrap();
        if id != 2 && id != 3 {
            let hour = query::hour_of(UtcMicros(mid));
            c.execute("INSERT INTO hour VALUES (?1, ?2)", params![id, hour]).unwrap();
        }
        c.execute(
            "INSERT INTO value(id, calibration, flags, ppfd, ppfd_uncertainty, ppfd_verdict)
             VALUES (?1, 1, 4096, ?2, 1.0, 1)",
            params![computation << 40 | id, id as f64 * 10.0],
        )
        .unwrap();
        let coded = codec::encode(&frame(UtcMicros(mid), id as u32)).unwrap();
        c.execute(
            "INSERT INTO frame(id, integration, temperature, exposures, detail, sums, crc32)
             VALUES (?1, ?2, ?3, 4, ?4, ?5, ?6)",
            params![
                id * 16,
                frame(UtcMicros(mid), id as u32).integration_s,
                frame(UtcMicros(mid), id as u32).temperature_c,
                coded.detail,
                coded.sums,
                coded.crc32
            ],
        )
        .unwrap();
    }
}

/// Regression: the script of version 1 as it was released, then everything since. Values, frames and computations stay
/// as they were; what version 1 did not keep is known to be unknown.
#[test]
fn a_database_of_version_1_is_brought_forward_with_everything_in_it() {
    let folder = folder();
    let path = folder.path().join("v.db");
    version_1(&path);
    assert!(Reader::open(&path).unwrap_err().to_string().contains("found version 1"));
    let store = Store::open_daemon(&path, &QUANTITIES).unwrap();
    let readings = store.latest(10).unwrap();
    let values: Vec<(f64, i64)> =
        readings.iter().map(|r| (r.reading.values[0].value().unwrap(), r.made_with.computation)).collect();
    assert_eq!(values, [(10.0, 1), (20.0, 1), (30.0, 2), (40.0, 2)]);
    for stored in &readings {
        assert_eq!((stored.about, stored.flags_when_taken.names()), (None, vec!["warming"]));
        let id = stored.reading.id;
        let want = FrameRecord {
            frame: frame(stored.reading.time_mid, id as u32),
            dark: crate::record::DarkReference::None,
            dark_provenance: None,
        };
        assert_eq!(store.frames(id).unwrap(), [want]);
    }
    let runs: Vec<(i64, i64, i64)> =
        store.rows("", "SELECT * FROM active_values", [], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).unwrap();
    assert_eq!(runs, [(1, 1, 1), (1, 3, 2)]);
    // The next reading goes on with a run of its own.
    let mid = NOON.plus_seconds(7000.0);
    let made_with = MadeWith {
        instrument: 1,
        calibration: Some(1),
        configuration: 1,
        computation: store.register_computation("newest", mid).unwrap(),
    };
    let r = reading(mid);
    let new =
        NewReading { reading: &r, made_with, about: about(r.peak_level), frames: &[], events: &[], saved_states: &[] };
    assert_eq!(store.commit_reading(&new).unwrap(), 5);
    assert_eq!(store.latest(1).unwrap()[0].made_with.computation, made_with.computation);
    assert_eq!(store.latest(2).unwrap()[0].made_with.computation, 2);
    assert_eq!(store.integrity_faults().unwrap(), Vec::<String>::new());
}

/// Identity: a calibration with its stray-light matrix comes out of the database alone as it was read from its files.
#[test]
fn a_stored_calibration_needs_no_file_beside_it() {
    let s = Station::new();
    let side = 300;
    let matrix: Vec<f64> =
        (0..side * side).map(|k| if k % (side + 1) == 0 { 1.0 } else { -1e-5 / (1.0 + (k % 97) as f64) }).collect();
    let rows: Vec<String> =
        matrix.chunks(side).map(|r| r.iter().map(f64::to_string).collect::<Vec<_>>().join(",")).collect();
    std::fs::write(s.folder.path().join("stray.csv"), rows.join("\n")).unwrap();
    let text = include_str!("../../config/calibration/example.toml");
    let head = "[stray_light]\n";
    assert!(text.contains(head));
    let text = text.replace(head, "[stray_light]\nmatrix = \"stray.csv\"\n");
    let path = s.folder.path().join("calibration.toml");
    let calibration = file::parse(&path, &text).unwrap();
    let register = |matrix| s.store.register_calibration(1, &calibration.id, &calibration.text, matrix, NOON).unwrap();
    // An older program left only the text.
    let row = register(None);
    assert_eq!(s.store.stray_matrix(row).unwrap(), None);
    let found = file::parse_record(&calibration.text, None).unwrap_err().to_string();
    assert!(found.contains("expected its stray-light matrix kept with it, but found only the name"), "{found}");
    for _ in 0..2 {
        assert_eq!(register(calibration.stray_light.matrix.as_deref()), row);
    }
    let reader = Reader::open(&s.path()).unwrap();
    let stored = reader.calibration(row).unwrap().unwrap();
    let kept = reader.stray_matrix(row).unwrap();
    assert_eq!(file::parse_record(&stored.text, kept).unwrap(), calibration);
    let count: i64 = s.shell().query_row("SELECT count(*) FROM stray_matrix_row", [], |r| r.get(0)).unwrap();
    assert_eq!(count, side as i64, "kept once");
    s.shell().execute("DELETE FROM stray_matrix_row WHERE id & 65535 = 7", []).unwrap();
    let error = reader.stray_matrix(row).unwrap_err().to_string();
    assert_eq!(error, "stray_matrix 1: expected 90000 numbers, but found 89700");
}
