//! The database is sufficient: every reading of several scenes is recomputed from it alone, bit for bit, one by one and by
//! `recompute`.

use crate::closed_loop::Loop;
use crate::lamps::{glasshouse, lit_house};
use crate::nights::without_a_shutter;
use crate::recompute::unchanged;
use crate::roof::STATION;
use std::collections::BTreeSet;
use vigilux::archive::Recomputer;
use vigilux::archive::differences::differences;
use vigilux::clock::UtcMicros;
use vigilux::record::DarkReference;
use vigilux::simulator::scenes::{SceneKind, SkyKind};
use vigilux::simulator::settings::Settings;
use vigilux::store::Reader;

/// Recomputes every stored reading and compares each bit; returns the flags seen and the provenance of darks.
fn all_again(station: &Loop) -> BTreeSet<&'static str> {
    // Another connection that knows nothing but the file.
    let reader = Reader::open(&station.setup.config.store.path).expect("the database opens");
    let mut again = Recomputer::new();
    let mut seen = BTreeSet::new();
    let mut readings = 0;
    for stored in reader.readings(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).expect("readings") {
        let stored = stored.expect("a reading");
        let processed = again.recompute(&reader, &stored).unwrap_or_else(|why| panic!("{why}"));
        let differ = differences(reader.quantities(), stored.as_computed(), &processed.reading);
        assert!(differ.is_empty(), "reading {}:\n{}", stored.reading.id, differ.join("\n"));
        readings += 1;
        seen.extend(stored.reading.flags.names());
        seen.extend(stored.reading.quantity_flags.iter().flat_map(|flags| flags.names()));
        if !stored.reading.window.is_empty() {
            seen.insert("a window");
        }
        let frames = reader.frames(stored.reading.id).expect("frames");
        seen.extend((frames.len() > 1).then_some("bracketing"));
        seen.extend(frames.iter().map(|f| match f.dark {
            DarkReference::Matched { model: None, .. } => "matched",
            DarkReference::Matched { model: Some(_), .. } => "matched beside a model",
            DarkReference::Model(_) => "model",
            DarkReference::None => "no dark",
        }));
    }
    assert_eq!(readings, station.rows.len());
    println!("{readings} readings made again; seen: {seen:?}");
    unchanged(station);
    seen
}

/// Identity: a day under a real optic and broken clouds, with bracketing, warm-up, a restart and a detector that changes.
#[test]
fn a_day_on_the_roof_comes_out_again_bit_for_bit() {
    let mut bench = Settings::default();
    bench.scene.sky = SkyKind::Broken;
    let mut station = Loop::new(&bench, STATION, "2026-06-20T22:00:00Z");
    station.run_until("2026-06-21T13:00:00Z");
    station.handle.with(|bench| bench.set_dark_factor(2.5));
    station.restart();
    station.run_until("2026-06-21T22:00:00Z");
    let seen = all_again(&station);
    for want in ["warming", "bracketing", "matched", "matched beside a model", "low_sun", "unsteady"] {
        assert!(seen.contains(want), "the day has no {want}: {seen:?}");
    }
}

/// Identity: two days with night darks alone, through the dark model.
#[test]
fn days_without_a_shutter_come_out_again_bit_for_bit() {
    let mut station = Loop::new(&without_a_shutter(), STATION, "2026-08-20T18:00:00Z");
    station.run_until("2026-08-21T18:00:00Z");
    let seen = all_again(&station);
    for want in ["model", "no dark", "dark_missing", "dark_modelled"] {
        assert!(seen.contains(want), "the days have no {want}: {seen:?}");
    }
}

/// Identity: windows under lamps with ripple; window statistics are kept, everything else is recomputed.
#[test]
fn windows_in_a_glasshouse_come_out_again_bit_for_bit() {
    let mut station = Loop::new(&lit_house(), &glasshouse("window_s = 40"), "2026-11-10T04:00:00Z");
    station.run_until("2026-11-10T10:00:00Z");
    assert!(all_again(&station).contains("a window"));
}

/// Identity: a lamp that is cycled; before its calibration begins there are frames without values, after its end a flag.
#[test]
fn a_lamp_comes_out_again_bit_for_bit_also_outside_its_calibration() {
    let mut bench = Settings::default();
    bench.scene.kind = SceneKind::Lamp;
    bench.scene.lamp_on_min = 45.0;
    bench.scene.lamp_off_min = 15.0;
    bench.certificate.valid_from = "2026-03-01T01:00:00Z".into();
    bench.certificate.valid_until = "2026-03-01T04:00:00Z".into();
    let config = glasshouse("").replace("\"glasshouse\"", "\"lamp\"").replace("mains_hz = 50", "mains_hz = 0");
    let mut station = Loop::new(&bench, &config, "2026-03-01T00:30:00Z");
    station.run_until("2026-03-01T06:00:00Z");
    let seen = all_again(&station);
    for want in ["calibration_missing", "calibration_expired"] {
        assert!(seen.contains(want), "the night has no {want}: {seen:?}");
    }
}
