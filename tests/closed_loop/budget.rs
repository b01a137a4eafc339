//! Uncertainty budgets of stored readings.

use crate::closed_loop::{Loop, index};
use crate::roof::STATION;
use std::process::Command;
use vigilux::archive::Recomputer;
use vigilux::archive::budget::budget;
use vigilux::clock::UtcMicros;
use vigilux::quantities::registry;
use vigilux::simulator::settings::Settings;
use vigilux::store::Reader;

/// Rounding of two dozen squares.
const ROUNDING: f64 = 1e-12;

fn station() -> Loop {
    let mut station = Loop::new(&Settings::default(), STATION, "2026-06-21T09:00:00Z");
    station.run_until("2026-06-21T09:06:00Z");
    station
}

/// Identity: the root sum of squares of the components is the stored uncertainty, to the bit as recomputed, for every quantity whose
/// uncertainty is a sum; a drawn one has no components.
#[test]
fn the_components_of_a_budget_add_up_to_the_stored_uncertainty() {
    let station = station();
    let reader = Reader::open(&station.setup.config.store.path).expect("the database opens");
    let mut recomputer = Recomputer::new();
    let mut summed = 0;
    for stored in reader.readings(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).expect("readings").map(|r| r.expect("one"))
    {
        for (q, quantity) in registry().iter().enumerate() {
            let found = budget(&mut recomputer, &reader, &stored, q).expect("it is recomputed");
            let Some(found) = found else {
                assert_eq!(stored.reading.values[q].value(), None, "{}", quantity.id);
                continue;
            };
            assert_eq!(found.stored, Some(found.recomputed), "{}", quantity.id);
            assert_eq!(found.components.is_empty(), quantity.recipe.is_drawn(), "{}", quantity.id);
            if !found.components.is_empty() {
                let sum = found.components.iter().map(|c| c.contribution.powi(2)).sum::<f64>().sqrt();
                assert!((sum / found.recomputed - 1.0).abs() < ROUNDING, "{}: {sum}", quantity.id);
                summed += 1;
            }
        }
    }
    assert!(summed > 100, "{summed} budgets");
}

/// The built program prints the budget of a stored reading as text and as JSON, and refuses what is not there.
#[test]
fn the_program_prints_a_budget() {
    let station = station();
    let path = station.setup.config.store.path.clone();
    let show = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_vigilux"));
        command.args(["show", "--database"]).arg(&path).args(arguments);
        let ran = command.output().expect("the program runs");
        (
            ran.status.code(),
            String::from_utf8(ran.stdout).expect("UTF-8"),
            String::from_utf8(ran.stderr).expect("UTF-8"),
        )
    };
    let (status, text, complaint) = show(&["--budget", "uv_index", "--id", "2"]);
    println!("{text}");
    assert_eq!((status, complaint.as_str()), (Some(0), ""));
    for part in ["uv_index, reading 2 of 2026-06-21T09:0", "response_scale", "levelling", "0.2000 degrees", "as stored"]
    {
        assert!(text.contains(part), "no `{part}` in\n{text}");
    }
    let (_, json, _) = show(&["--budget", "ppfd", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&json).expect("JSON");
    let row = station.rows.last().expect("a reading");
    assert_eq!(json["reading"], station.rows.len());
    assert_eq!(json["uncertainty"].as_f64(), row.uncertainty("ppfd"));
    assert_eq!(json["value"].as_f64(), row.reading.values[index("ppfd")].value());
    let components = json["components"].as_array().expect("a list");
    let variance: f64 = components.iter().map(|c| c["contribution"].as_f64().expect("a number").powi(2)).sum();
    assert!((variance.sqrt() / row.uncertainty("ppfd").expect("an uncertainty") - 1.0).abs() < ROUNDING);
    let scale = components.iter().find(|c| c["component"] == "wavelength").expect("the scale's shift");
    let (u, sensitivity) = (scale["u"].as_f64().expect("u"), scale["sensitivity"].as_f64().expect("a sensitivity"));
    assert!((u * sensitivity.abs() / scale["contribution"].as_f64().expect("a number") - 1.0).abs() < ROUNDING);
    let shares: f64 = components.iter().map(|c| c["percent_of_variance"].as_f64().expect("a share")).sum();
    assert!((shares - 100.0).abs() < 1e-6, "{shares}");
    let (_, drawn, _) = show(&["--budget", "cri_ra"]);
    assert!(drawn.contains("drawn"), "{drawn}");
    for (arguments, part) in [
        (&["--budget", "brightness"][..], "--budget: expected the identifier of a quantity"),
        (&["--budget", "ppfd", "--id", "999"][..], "--id: expected the number of a stored reading, but found 999"),
    ] {
        let (status, _, complaint) = show(arguments);
        assert!(status == Some(2) && complaint.contains(part), "{complaint}");
    }
}
