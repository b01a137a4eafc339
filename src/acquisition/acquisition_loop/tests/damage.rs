//! Damaged rows in the database: they are set aside with an event each, and measuring goes on.

use super::*;

/// Neither the newest dark model nor saved state, values or readings that are damaged stop measuring.
#[test]
fn measuring_goes_on_without_damaged_rows() {
    for (sql, named) in [
        ("INSERT INTO dark_model(instrument, fitted_at, blob, crc32) VALUES (1, 0, x'00ff', 5)", "dark_model 1: "),
        ("INSERT INTO dark_model(instrument, fitted_at, blob, crc32) VALUES (1, 0, x'', 0)", "dark_model 1: "),
        ("INSERT INTO lamp_shapes(instrument, learned_at, blob, crc32) VALUES (1, 0, x'00ff', 5)", "lamp_shapes 1: "),
        (
            "INSERT INTO dark(instrument, time, source, detail, sums, crc32) VALUES (1, 1782043200000000, 'shutter', '{}', x'00', 5)",
            "dark 1: ",
        ),
        (
            "UPDATE saved_state SET json = '{\"short_s\":' WHERE name = 'exposure'",
            "saved_state `exposure` of instrument 1: ",
        ),
        (
            "UPDATE saved_state SET json = CAST(x'ff' AS TEXT) WHERE name = 'warm_up'",
            "saved_state `warm_up` of instrument 1: ",
        ),
        ("UPDATE value SET reasons = '{' WHERE reading = 3", "value "),
        ("UPDATE reading SET exposures = '[[' WHERE id = 3", "reading 3: "),
        ("UPDATE event SET text = CAST(x'ff' AS TEXT) WHERE kind = 'started'", "event 1: "),
    ] {
        let mut fixture = Fixture::new("shutter", "");
        fixture.run_minutes(3);
        assert_eq!(fixture.seen.stored.len(), 3, "{sql}");
        let shell = rusqlite::Connection::open(fixture.daemon.store.path()).unwrap();
        assert_eq!(shell.execute(sql, []).unwrap(), 1, "{sql}");
        // As after a restart; the daily figures, which read events, come with the first reading of the next day.
        fixture.acquisition = AcquisitionLoop::new(&fixture.daemon.loops[0], fixture.stop.clone());
        fixture.acquisition.ticks.last = fixture.clock.now();
        let _seen = fixture.daemon.store.latest_events(10).unwrap();
        fixture.run_minutes(6);
        assert_eq!((fixture.seen.stored.len(), fixture.gaps()), (6, vec![]), "{sql}");
        let events = fixture.daemon.store.latest_events(100).unwrap();
        let said: Vec<&str> = events.iter().filter(|e| e.kind == EventKind::Storage).map(|e| e.text.as_str()).collect();
        let want = format!("damaged and set aside; measuring continues without it: {named}");
        assert!(said.len() == 1 && said[0].starts_with(&want), "{sql}: {said:?}");
    }
}
