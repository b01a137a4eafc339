//! The acquisition loop with the example dialects, against the simulated instruments of their manual pages.

use crate::closed_loop::{Loop, assert_good_within, share};
use crate::roof::STATION;
use vigilux::simulator::scenes::SkyKind;
use vigilux::simulator::{AppliesTo, DeviceKind, FaultKind, FaultRule};

fn station(kind: DeviceKind, name: &str, start: &str) -> Loop {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/config/dialects/examples");
    let config = STATION.replace("link =", &format!("dialect = \"{folder}/{name}.toml\"\nlink ="));
    let mut bench = kind.settings().expect("the settings of the kind");
    bench.scene.sky = SkyKind::Clear;
    Loop::of(kind, &bench, &config, start)
}

/// Two hours of a clear morning: nearly every minute is a reading, and good values are right.
#[test]
fn readings_by_the_example_dialects_are_right() {
    for (kind, name) in
        [(DeviceKind::Brindle, "brindle"), (DeviceKind::Karnaby, "karnaby"), (DeviceKind::Quern, "quern")]
    {
        let mut station = station(kind, name, "2026-06-21T07:00:00Z");
        station.run_until("2026-06-21T09:00:00Z");
        let rows: Vec<_> = station.rows.iter().skip(30).collect();
        assert!(rows.len() >= 80, "{name}: only {} readings", rows.len());
        let errors = assert_good_within(&rows, "ppfd", |truth| 0.10 * truth);
        assert!(errors.len() * 10 >= rows.len() * 8, "{name}: only {} of {} are good", errors.len(), rows.len());
    }
}

/// The free-running instrument has no shutter, so there are no darks by day: its readings are stored, and none is good.
#[test]
fn a_free_running_instrument_without_darks_gives_no_good_value() {
    let mut station = station(DeviceKind::Wisp, "wisp", "2026-06-21T07:00:00Z");
    station.run_until("2026-06-21T07:30:00Z");
    assert!(station.rows.len() >= 25, "only {} readings", station.rows.len());
    assert!(station.rows.iter().all(|row| !row.is_good("ppfd")));
}

/// Faults of the line in a fiftieth of the answers: readings go on, and good values are right.
#[test]
fn faults_of_the_line_never_make_a_good_value_wrong() {
    for (kind, name) in
        [(DeviceKind::Brindle, "brindle"), (DeviceKind::Karnaby, "karnaby"), (DeviceKind::Quern, "quern")]
    {
        let mut station = station(kind, name, "2026-06-21T08:00:00Z");
        let kinds = [
            FaultKind::NoAnswer,
            FaultKind::FlippedBit,
            FaultKind::LostBytes,
            FaultKind::EarlierAnswer,
            FaultKind::Restart,
        ];
        let rule = |kind| FaultRule { applies_to: AppliesTo::Any, seconds: 2.0, ..FaultRule::often(kind, 0.002) };
        station.handle.with(|simulated| simulated.set_faults(kinds.map(rule).to_vec()));
        station.run_until("2026-06-21T09:00:00Z");
        let rows: Vec<_> = station.rows.iter().skip(25).collect();
        assert!(rows.len() >= 25, "{name}: only {} readings", rows.len());
        assert_good_within(&rows, "ppfd", |truth| 0.10 * truth);
        assert!(share(&rows, |row| row.value("ppfd").is_some()) > 0.8, "{name}");
    }
}
