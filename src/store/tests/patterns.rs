//! Patterns: what frames are told by outlives restarts and damage, and whatever else is lost is named.

use super::*;

/// A dark of 1000 pixels with a fixed pattern and a little of its own.
fn dark(k: u32) -> Dark {
    let start = NOON.plus_seconds(f64::from(k));
    let sums = (0..1000u32).map(|i| 8 * (1200 + (i * i * 37) % 61) + (i * 7 + k * 13) % 17).collect();
    let stamps = (0..8).map(|e| Stamp { start: UtcMicros(start.0 + e), crc32: k ^ e as u32 }).collect();
    let clipped = PixelRanges::default();
    let frame = Frame { sums, stamps, clipped, integration_s: 0.01, shutter: Shutter::Closed, ..frame(start, 1) };
    Dark { id: 0, source: DarkSource::Shutter, frame }
}

/// Stores darks `from..to` and answers their rows and the forms they have.
fn store_darks(s: &Station, store: &Store, numbers: std::ops::Range<u32>) -> Vec<(i64, u8)> {
    let form = |id: i64| s.shell().query_row("SELECT detail FROM dark WHERE id = ?1", [id], |r| r.get::<_, Vec<u8>>(0));
    let store = |k| store.add_dark(s.made_with.instrument, &dark(k)).unwrap();
    numbers.map(store).map(|id| (id, form(id).unwrap()[0])).collect()
}

/// Identity: from when its pattern is stored, frames are coded beside it, also after a restart; all come back as they were.
#[test]
fn frames_are_told_by_patterns_and_come_back() {
    let Station { folder, store, made_with } = Station::new();
    let s = Station { folder, store, made_with };
    let forms: Vec<u8> = store_darks(&s, &s.store, 0..6).iter().map(|d| d.1).collect();
    // 32 exposures make the offset: four darks of eight.
    assert_eq!(forms, [1, 1, 1, 1, 2, 2]);
    let Station { folder, store, made_with } = s;
    drop(store);
    let store = Store::open_daemon(&folder.path().join("v.db"), &QUANTITIES).unwrap();
    let s = Station { folder, store, made_with };
    assert_eq!(store_darks(&s, &s.store, 6..8), [(7, 2), (8, 2)]);
    let reader = Reader::open(&s.path()).unwrap();
    for k in 0..8 {
        let found = reader.dark(i64::from(k) + 1).unwrap().unwrap();
        assert_eq!(found.frame, dark(k).frame, "dark {k}");
    }
    assert_eq!(reader.pattern_faults().unwrap(), (1, vec![]));
}

/// Identity: one damaged row of a pattern costs no frame and is named; with both, the frames that need it say so and
/// the others are read.
#[test]
fn a_pattern_is_there_while_one_of_its_rows_is() {
    let s = Station::new();
    store_darks(&s, &s.store, 0..5);
    s.shell().execute("UPDATE pattern SET numbers = zeroblob(length(numbers))", []).unwrap();
    let reader = Reader::open(&s.path()).unwrap();
    assert_eq!(reader.dark(5).unwrap().unwrap().frame, dark(4).frame);
    let (patterns, faults) = reader.pattern_faults().unwrap();
    assert_eq!((patterns, faults.len()), (1, 1));
    assert!(faults[0].starts_with("pattern 1: expected a whole pattern, but found a checksum of "), "{faults:?}");
    s.shell().execute("DELETE FROM pattern_copy", []).unwrap();
    let reader = Reader::open(&s.path()).unwrap();
    let why = reader.dark(5).unwrap_err().to_string();
    let wanted = "dark 5: expected pattern 1 in `pattern` or `pattern_copy`, but found neither is whole: no such row";
    assert_eq!(why, wanted);
    assert_eq!(reader.dark(4).unwrap().unwrap().frame, dark(3).frame);
    assert_eq!(reader.pattern_faults().unwrap().1.len(), 2);
}
