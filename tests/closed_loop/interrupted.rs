//! A loop that ends in an error starts again, and the readings this cost are on record.

use crate::closed_loop::Loop;
use crate::roof::STATION;
use std::sync::Arc;
use vigilux::acquisition::Observer;
use vigilux::acquisition::supervision::{SupervisedLoop, keep_running};
use vigilux::clock::{Stop, UtcMicros};
use vigilux::fault::GapCause;
use vigilux::instrument::Link;
use vigilux::processing::ProcessedReading;
use vigilux::record::{Event, EventKind, Frame};
use vigilux::simulator::optic::OpticSettings;
use vigilux::simulator::settings::Settings;

/// Requests a stop at the first reading from an instant on.
struct Until(UtcMicros, Stop);

impl Observer for Until {
    fn stored(&mut self, _id: i64, processed: &ProcessedReading, _frames: &[Frame]) {
        if processed.reading.time_start >= self.0 {
            self.1.request();
        }
    }
}

/// While the database refuses three readings with an error other than a full disk, every minute ends in a reading or in a gap
/// that names the error; afterwards the loop continues by itself.
#[test]
fn every_minute_around_an_error_is_a_reading_or_a_gap_that_names_it() {
    let bench = Settings { optic: OpticSettings::perfect(), ..Settings::default() };
    let station = Loop::new(&bench, STATION, "2026-06-21T09:00:00Z");
    let at = |t: &str| UtcMicros::parse(t).expect("an instant");
    let (from, to) = (at("2026-06-21T09:10:00Z"), at("2026-06-21T09:13:00Z"));
    let shell = rusqlite::Connection::open(station.station.store.path()).expect("the database");
    let refuse = format!(
        "CREATE TRIGGER refuse BEFORE INSERT ON reading WHEN NEW.time_start BETWEEN {} AND {} \
         BEGIN SELECT RAISE(ABORT, 'refused for a test'); END",
        from.0, to.0
    );
    shell.execute_batch(&refuse).expect("a trigger");
    let mut context = station.station.loops[0].clone();
    let (handle, clock) = (station.handle.clone(), Arc::clone(&station.clock));
    context.link = Arc::new(move |_: &Stop| -> Box<dyn Link> { Box::new(handle.link(&clock)) });
    let stop = Stop::new();
    let supervised = SupervisedLoop { context, observer: Box::new(Until(at("2026-06-21T09:25:00Z"), stop.clone())) };
    keep_running(supervised, &stop).expect("it ends when it is asked to");
    let readings = station.station.store.latest(1000).expect("readings");
    let mut minutes: Vec<i64> =
        readings.iter().map(|r| (r.reading.time_start.0 - from.0).div_euclid(60_000_000)).collect();
    let gaps: Vec<Event> = station.station.store.latest_events(1000).expect("events");
    let named = |e: &&Event| e.kind == EventKind::Gap(GapCause::Stopped) && e.text.contains("refused for a test");
    assert!(gaps.iter().any(|e| named(&e)), "{gaps:?}");
    for gap in gaps.iter().filter(|e| matches!(e.kind, EventKind::Gap(_))) {
        let until = gap.until.expect("a gap is a span");
        let mut tick = gap.time.0;
        while tick <= until.0 {
            minutes.push((tick - from.0).div_euclid(60_000_000));
            tick += 60_000_000;
        }
    }
    minutes.sort_unstable();
    assert!((-8..=14).all(|m| minutes.contains(&m)), "{minutes:?} {gaps:?}");
    let counted: i64 = gaps.iter().filter(named).filter_map(|e| e.text.split(' ').next()?.parse::<i64>().ok()).sum();
    assert!((3..=6).contains(&counted), "{counted}: {gaps:?}");
}
