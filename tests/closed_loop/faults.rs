//! Faults of line and instrument: retries, gaps with causes, flags, and no wrong value that is called good.

use crate::closed_loop::{Loop, Row, assert_good_within, share, why_not_good};
use crate::roof::{STATION, uv_allowed};
use vigilux::fault::GapCause;
use vigilux::record::{EventKind, Flag};
use vigilux::simulator::faults::{AppliesTo, FaultRule, PixelFault};
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::settings::Settings;

fn rule(kind: &str, probability: f64) -> FaultRule {
    toml::from_str(&format!("kind = \"{kind}\"\nprobability = {probability}")).expect("a rule")
}

fn noon(faults: Vec<FaultRule>, pixel_faults: Vec<PixelFault>) -> Loop {
    let mut bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    bench.warm_up.minutes = 0.0;
    bench.fault = faults;
    bench.pixel_fault = pixel_faults;
    let config = STATION.replace("link = \"/dev/null\"", "link = \"/dev/null\"\nwarm_up_min = 0");
    let mut station = Loop::new(&bench, &config, "2026-06-21T09:00:00Z");
    station.run_until("2026-06-21T12:00:00Z");
    station
}

fn nothing_wrong(station: &Loop) {
    let rows: Vec<&Row> = station.rows.iter().collect();
    assert_good_within(&rows, "ppfd", |truth| 0.02 * truth);
    assert_good_within(&rows, "illuminance", |truth| 0.02 * truth);
    assert_good_within(&rows, "uv_index", uv_allowed);
}

/// Every kind of line fault, often and together; each tick is a reading or a gap, and no good value is wrong.
#[test]
fn every_tick_under_line_faults_is_a_reading_or_a_gap_and_no_good_value_is_wrong() {
    let kinds = [
        "late_answer",
        "pieces",
        "no_answer",
        "doubled_answer",
        "short_block",
        "long_block",
        "flipped_bit",
        "noise_before",
        "restart",
        "error_queue_fills",
        "hang_up",
    ];
    let mut all: Vec<FaultRule> = kinds.iter().map(|k| rule(k, 0.02)).collect();
    all.iter_mut().for_each(|r| r.applies_to = AppliesTo::Any);
    let station = noon(all, Vec::new());
    nothing_wrong(&station);
    let mut ticks: std::collections::BTreeSet<i64> =
        station.rows.iter().map(|r| r.reading.time_start.0.div_euclid(60_000_000)).collect();
    for e in station.events.iter().filter(|e| matches!(e.kind, EventKind::Gap(_))) {
        let until = e.until.expect("a gap is a span");
        ticks.extend((e.time.0.div_euclid(60_000_000)..=until.0.div_euclid(60_000_000)).collect::<Vec<_>>());
    }
    let first = vigilux::clock::UtcMicros::parse("2026-06-21T09:01:00Z").expect("an instant").0 / 60_000_000;
    let last = vigilux::clock::UtcMicros::parse("2026-06-21T11:58:00Z").expect("an instant").0 / 60_000_000;
    let missing: Vec<i64> = (first..=last).filter(|m| !ticks.contains(m)).collect();
    assert!(missing.is_empty(), "minutes without reading or gap: {missing:?}");
    assert!(station.rows.iter().any(|r| r.has(Flag::LinkFault)), "reads again are said");
    println!("{} readings, {} gap events", station.rows.len(), station.events.len());
}

/// A line that hangs up for half a minute in every second reading, at any exposure of light or dark. What was exposed before
/// becomes a partial reading, flagged and right; only a reading without any exposure is a gap.
#[test]
fn light_that_was_taken_is_kept_whatever_breaks_after_it() {
    let mut hangs = rule("hang_up", 0.06);
    hangs.seconds = 20.0;
    let station = noon(vec![hangs], Vec::new());
    nothing_wrong(&station);
    let gaps: Vec<&str> =
        station.events.iter().filter(|e| matches!(e.kind, EventKind::Gap(_))).map(|e| &e.text[..]).collect();
    let kept: Vec<&Row> = station.rows.iter().filter(|r| r.has(Flag::LinkFault)).collect();
    println!("{} readings, {} of them broken off, {} gaps: {gaps:?}", station.rows.len(), kept.len(), gaps.len());
    assert!(kept.len() > 10, "{}", kept.len());
    assert!(share(&kept, |r| r.is_good("ppfd")) > 0.9, "{}", why_not_good(&kept, "ppfd"));
    let exposures = |r: &Row| r.reading.exposures.iter().map(|e| e.exposures).sum::<u32>();
    assert!(kept.iter().any(|r| exposures(r) < 3), "none was broken off in the light");
    assert!(kept.iter().any(|r| exposures(r) >= 3), "none was broken off in its darks");
}

/// A repeated frame is detected, and every quantity of it is bad.
#[test]
fn a_stuck_frame_is_bad() {
    let station = noon(vec![rule("repeated_frame", 0.2)], Vec::new());
    let stuck: Vec<&Row> = station.rows.iter().filter(|r| r.has(Flag::RepeatedFrame)).collect();
    assert!(stuck.len() > 10, "{}", stuck.len());
    assert!(stuck.iter().all(|r| !r.is_good("ppfd") && !r.is_good("uv_index")));
    nothing_wrong(&station);
}

/// A shutter that stays open lights the darks; one that stays closed darkens the light. Both are detected.
#[test]
fn a_shutter_that_lies_is_found_out() {
    for kind in ["shutter_stuck_open", "shutter_stuck_closed"] {
        let mut lasting = rule(kind, 0.0);
        lasting.from = Some(vigilux::clock::UtcMicros::parse("2026-06-21T10:00:00Z").expect("an instant"));
        let station = noon(vec![lasting], Vec::new());
        let after: Vec<&Row> =
            station.rows.iter().filter(|r| r.reading.time_mid.to_string().as_str() > "2026-06-21T10:31").collect();
        assert!(
            after.len() > 50 && share(&after, |r| r.has(Flag::ShutterFault)) > 0.9,
            "{kind}: {:?}",
            after.first().map(|r| r.reading.flags)
        );
        assert!(after.iter().all(|r| !r.has(Flag::ShutterFault) || !r.is_good("ppfd")));
        nothing_wrong(&station);
    }
}

/// Another instrument on the line is not read: gaps `instrument_identity`, and readings again once the configured one is back.
#[test]
fn another_instrument_on_the_line_is_never_read() {
    let mut other = rule("other_serial", 0.0);
    other.from = Some(vigilux::clock::UtcMicros::parse("2026-06-21T10:00:00Z").expect("an instant"));
    other.until = Some(vigilux::clock::UtcMicros::parse("2026-06-21T11:00:00Z").expect("an instant"));
    let station = noon(vec![other], Vec::new());
    let during = |t: &str| ("2026-06-21T10:00".."2026-06-21T11:00").contains(&t);
    assert!(station.rows.iter().all(|r| !during(r.reading.time_start.to_string().as_str())));
    assert!(station.events.iter().any(|e| e.kind == EventKind::Gap(GapCause::InstrumentIdentity)));
    assert!(station.rows.iter().any(|r| r.reading.time_start.to_string().as_str() > "2026-06-21T11:02"));
}

/// Pixels that turn dead or hot are flagged for the quantities they affect, and no good value is wrong.
#[test]
fn a_pixel_that_turns_is_flagged_where_it_matters() {
    let fault = |text: &str| -> PixelFault {
        toml::from_str(&format!("from = \"2026-06-21T10:00:00Z\"\n{text}")).expect("a pixel fault")
    };
    let later = |r: &&Row| r.reading.time_mid.to_string().as_str() > "2026-06-21T10:05";
    // 305 to 315 nm carries most of the ultraviolet index.
    let dead = noon(Vec::new(), vec![fault("pixel = 80\ndead = true")]);
    nothing_wrong(&dead);
    let after: Vec<&Row> = dead.rows.iter().filter(later).collect();
    assert!(
        share(&after, |r| r.is_good("ppfd") && !r.has(Flag::Saturated)) > 0.9,
        "one dead pixel in the ultraviolet is nothing to PPFD"
    );
    // A pixel whose dark current fills it: the darks know it, and its neighbours do not matter.
    let hot = noon(Vec::new(), vec![fault("pixel = 80\nhot_counts_per_s = 30000.0")]);
    nothing_wrong(&hot);
    let after: Vec<&Row> = hot.rows.iter().filter(later).collect();
    assert!(
        share(&after, |r| r.is_good("ppfd")) > 0.9,
        "{} {:?}",
        why_not_good(&after, "ppfd"),
        hot.events.iter().map(|e| &e.text).take(4).collect::<Vec<_>>()
    );
}
