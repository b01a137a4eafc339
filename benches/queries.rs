//! Time of queries on a year of one-minute readings: daily figures, a series, one reading with its spectrum; and of computing the
//! daily figures.
//!
//! `cargo bench --bench queries`. Half an hour of the year is measured by the acquisition loop from the simulator, frames included;
//! the rest repeats its last reading with other light and another time, so that rows have their true size. Medians of repeated
//! queries; each opens the database anew.

#[path = "../tests/support/closed_loop.rs"]
mod closed_loop;
mod example_station;

use closed_loop::Loop;
use std::f64::consts::PI;
use std::path::Path;
use std::process::Command;
use std::time::Instant;
use vigilux::archive::Recomputer;
use vigilux::archive::daily::{self, RollUpWriter};
use vigilux::archive::series::series;
use vigilux::clock::{Clock, UtcMicros};
use vigilux::record::{AcquisitionContext, Flag, FlaggedInterval, QuantityValue, Reading};
use vigilux::simulator::settings::Settings;
use vigilux::store::{MadeWith, NewReading, Reader, Store};
use vigilux::summary::Rules;

const DAYS: i64 = 365;
const LOOKS: usize = 21;

fn main() {
    let mut station = Loop::new(&Settings::default(), example_station::STATION, "2026-06-21T10:00:00Z");
    station.run_until("2026-06-21T10:30:00Z");
    let path = station.setup.config.store.path.clone();
    let store = &station.station.store;
    let with_frames = store.latest(1).expect("a reading").pop().expect("a reading");
    let begin = UtcMicros::parse("2025-06-21T10:00:00Z").expect("an instant");
    let started = Instant::now();
    fill(store, &with_frames.reading, with_frames.made_with, begin);
    let readings = store.counts().expect("counts").readings;
    println!("{readings} readings in {:.0} s", started.elapsed().as_secs_f64());

    let rules = Rules::of(&station.setup.config.station);
    let now = station.clock.now().plus_seconds(86_400.0);
    let all = (UtcMicros(0), UtcMicros(i64::MAX));
    let mut writer = RollUpWriter::new("roof", rules.clone());
    let (started, mut longest, mut pieces) = (Instant::now(), 0.0f64, 0);
    loop {
        let piece = Instant::now();
        if !writer.store_next(store, now).expect("a roll-up is stored") {
            break;
        }
        pieces += 1;
        longest = longest.max(piece.elapsed().as_secs_f64());
    }
    println!(
        "all hours and days kept: {:.1} s for {pieces} pieces, the longest {:.1} ms",
        started.elapsed().as_secs_f64(),
        1e3 * longest
    );

    let open = || Reader::open(&path).expect("the database opens");
    look("days of the year, read", 20.0, || {
        let days = daily::days(&open(), &rules, "roof", all.0, all.1).expect("days");
        assert_eq!(days.len() as i64, DAYS + 1);
    });
    look("days of the year, `vigilux daily`", 20.0, || command(&path, &["daily"]));
    let ids: Vec<String> = store.quantities().iter().map(|(id, _)| id.clone()).collect();
    for id in ["ppfd", ids.last().map_or("cct", String::as_str)] {
        look(&format!("1 000 points of the year, {id}, read"), 150.0, || {
            let found = series(&open(), "roof", id, all, 1000).expect("a curve");
            assert_eq!((found.points.len(), found.of_hours), (1000, true));
        });
    }
    look("1 000 points of the year, `vigilux series ppfd`", 150.0, || command(&path, &["series", "ppfd", "--csv"]));
    look("a reading with its spectrum, nothing at hand", 5.0, || one(&open(), &mut Recomputer::new(), 7));
    let (reader, mut again) = (open(), Recomputer::new());
    let mut id = 0;
    look("a reading with its spectrum, asked one after the other", 5.0, || {
        id = id % 29 + 1;
        one(&reader, &mut again, id);
    });
    let span = FlaggedInterval {
        id: 0,
        from: begin,
        until: None,
        instrument: None,
        pixel: None,
        flag: Flag::Servicing,
        unaffected: vec![],
        text: "a year".into(),
    };
    let started = Instant::now();
    store.add_flagged_interval(&span).expect("a span is stored");
    let taken = 1e3 * started.elapsed().as_secs_f64();
    println!("{:<58} {taken:>8.2} ms (at most 200 ms)", "a doubt about all of it, which drops every hour and day");
    let mut id = 31;
    look("a reading of the year by its number", 5.0, || {
        id = (id + 104_729) % readings + 1;
        reader.reading(id).expect("a reading").expect("a reading");
    });
}

/// A year of readings a minute apart, of which only light and time differ.
fn fill(store: &Store, like: &Reading, made_with: MadeWith, begin: UtcMicros) {
    let mut reading = like.clone();
    let values = like.values.clone();
    for minute in 0..DAYS * 1440 {
        let t = begin.plus_seconds(60.0 * minute as f64);
        let day = (minute % 1440) as f64 / 1440.0;
        let light = (2.0 * PI * day).cos().max(0.001) * (1.0 + 0.2 * (minute as f64 * 0.37).sin());
        reading.time_mid = t;
        (reading.time_start, reading.time_end) = (t.plus_seconds(-1.0), t.plus_seconds(1.0));
        for (value, like) in reading.values.iter_mut().zip(&values) {
            if let (QuantityValue::Value { value, .. }, QuantityValue::Value { value: v, .. }) = (value, like) {
                *value = v * light;
            }
        }
        store
            .commit_reading(&NewReading {
                reading: &reading,
                made_with,
                about: AcquisitionContext::default(),
                frames: &[],
                events: &[],
                saved_states: &[],
            })
            .expect("a reading is stored");
    }
}

fn one(reader: &Reader, again: &mut Recomputer, id: i64) {
    let stored = reader.reading(id).expect("a reading").expect("a reading");
    let reduced = again.spectrum(reader, &stored).expect("made again");
    assert!(reduced.is_some_and(|r| r.irradiance.len() == 2048));
}

fn command(path: &Path, arguments: &[&str]) {
    let out = Command::new(env!("CARGO_BIN_EXE_vigilux"))
        .args(arguments)
        .arg("--database")
        .arg(path)
        .output()
        .expect("the program runs");
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
}

/// Prints the median of repeated queries beside the bound.
fn look(what: &str, at_most_ms: f64, mut ask: impl FnMut()) {
    let mut times: Vec<f64> = (0..LOOKS)
        .map(|_| {
            let started = Instant::now();
            ask();
            1e3 * started.elapsed().as_secs_f64()
        })
        .collect();
    times.sort_by(f64::total_cmp);
    println!("{what:<58} {:>8.2} ms (at most {at_most_ms} ms)", times[LOOKS / 2]);
}
