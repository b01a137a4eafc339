use super::super::example_archive::archive;
use super::*;
use serde_json::json;

fn view<'a>(archive: &'a Archive, readings: &'a [StoredReading]) -> View<'a> {
    View { archive, readings, event: None, gap: None, now: UtcMicros::parse("2026-06-21T12:02:35.5Z").unwrap() }
}

#[test]
fn the_newest_reading_is_shown_with_units_uncertainty_and_verdicts() {
    let (_folder, archive) = archive(true);
    let readings = archive.reader.latest(2).unwrap();
    let text = view(&archive, &readings).text().unwrap();
    for want in [
        "a station without a known name: 3 readings, 0 darks, 0 gaps stored",
        "       2  2026-06-21 12:01:00 UTC    -3.2°              -0.1 suspect  warming low_sun",
        "reading 3     2026-06-21 12:02:00 UTC, 35 s ago",
        "instrument    roof, head, calibration lab-7",
        "exposures     4 × 50 ms, 1 × 5 s, peak level 0.50, detector 0.0 °C, dark 60 s old",
        "flags         warming low_sun",
        "plants",
        "ppfd                                 -0.1 ± 1.0          µmol m⁻² s⁻¹  suspect warming",
        "key values doubtful: ppfd (warming); the other 0 of 1 good",
        "  in the window              1.5 to 2.5, deviation 0.2",
        "cct                                     -                K             null: too little \"light\", it says",
        "last gap      none",
    ] {
        assert!(text.lines().any(|l| l == want), "no line `{want}` in\n{text}");
    }
    assert!(!text.contains("caution"), "the database has no ultraviolet quantity");
    let empty = view(&archive, &[]).text().unwrap();
    assert!(empty.contains("no reading yet"), "{empty}");
}

/// A note can neither move the cursor nor begin a line that looks like another part of the output.
#[test]
fn control_characters_of_stored_text_are_shown_escaped() {
    let (_folder, archive) = archive(false);
    let readings = archive.reader.latest(1).unwrap();
    let note = Event {
        time: UtcMicros::parse("2026-06-21T12:02:00Z").unwrap(),
        until: None,
        instrument: Some("roof\u{7}".into()),
        kind: crate::record::EventKind::Note(crate::record::NoteClass::Other),
        text: "wiped\u{1b}[2J\nreading 9     2026".into(),
    };
    let text = View { event: Some(&note), ..view(&archive, &readings) }.text().unwrap();
    let want = "last event    2026-06-21 12:02:00 UTC, roof\\u{7}: note (other): wiped\\u{1b}[2J\\nreading 9     2026";
    assert!(text.lines().any(|l| l == want), "{text}");
}

#[test]
fn json_carries_the_columns_with_units_and_flags_by_name() {
    let (_folder, archive) = archive(false);
    let readings = archive.reader.latest(1).unwrap();
    let json = view(&archive, &readings).json().unwrap();
    let r = &json["readings"][0];
    assert_eq!((&r["id"], &r["time_mid"]), (&json!(3), &json!("2026-06-21T12:02:00Z")));
    assert_eq!(r["flags"], json!(["warming", "low_sun"]));
    assert_eq!(r["verdicts"], "key values doubtful: ppfd (warming); the other 0 of 1 good");
    assert_eq!(
        r["quantities"]["ppfd"],
        json!({ "value": -0.125, "uncertainty": 0.5, "verdict": "suspect", "unit": "umol m-2 s-1", "flags": ["warming"] })
    );
    assert_eq!(
        r["quantities"]["cct"],
        json!({ "value": null, "unit": "K", "reason": "too little \"light\", it says" })
    );
    assert_eq!(r["exposures"][1], json!({ "integration_s": 5.0, "exposures": 1 }));
    assert_eq!(json["cautions"], json!({}));
}
