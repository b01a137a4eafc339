//! How close coded frames come to the entropy of their noise, as stations of each kind code them: 1.16 at most.
//!
//! Three stations run on the daemon's own road for two days of one-minute readings: a roof and a glasshouse under a clear sky, with lamps in
//! the glasshouse, and an ageing lamp. What is measured is what their databases have of the second day; the first shows what learning
//! costs. No frame is coded with a pattern that was made of it, since a pattern serves only what comes after it. A twin without noise
//! says how much noise every pixel had. Times are medians of coding the same frames once more.
//!
//! The bytes are those of the coded sums and of how they are predicted; times, checksums and what clipped are left out, as
//! they are of the entropy. Patterns are rows of their own and told apart.

use crate::closed_loop::Loop;
use std::collections::BTreeMap;
use std::time::Instant;
use vigilux::clock::UtcMicros;
use vigilux::record::Frame;
use vigilux::simulator::scenes::SceneKind;
use vigilux::simulator::settings::Settings;
use vigilux::simulator::simulated_station::SimulatedStation;
use vigilux::store::Reader;
use vigilux::store::codec::{self, learning::Learner};

const AT_MOST: f64 = 1.16;
const START: &str = "2026-04-21T00:00:00Z";
const DAY_H: f64 = 24.0;

/// A frame as a station took it.
struct Taken {
    frame: Frame,
    /// What it shows.
    light: &'static str,
    /// Whether it is a dark.
    dark: bool,
    /// Entropy of its noise [bytes].
    entropy: f64,
    /// Bytes it takes in the database.
    stored: usize,
    /// When, since the station began.
    hours: f64,
}

/// Sums over frames.
#[derive(Default)]
struct Row {
    bytes: f64,
    plain: f64,
    entropy: f64,
    encode_us: Vec<f64>,
    decode_us: Vec<f64>,
    ratios: Vec<f64>,
}

impl Row {
    fn add(&mut self, other: &Self) {
        self.bytes += other.bytes;
        self.plain += other.plain;
        self.entropy += other.entropy;
        self.encode_us.extend(&other.encode_us);
        self.decode_us.extend(&other.decode_us);
        self.ratios.extend(&other.ratios);
    }
    fn ratio(&self) -> f64 {
        self.bytes / self.entropy
    }
    fn print(&self, name: &str) {
        let n = self.ratios.len() as f64;
        println!(
            "{name:>26} {n:>6} {:>9.0} {:>9.0} {:>7.3} {:>7.3} {:>9.3} {:>9.0} {:>9.0}",
            self.entropy / n,
            self.bytes / n,
            self.ratio(),
            median(&self.ratios),
            self.plain / self.entropy,
            median(&self.encode_us),
            median(&self.decode_us)
        );
    }
}

fn median(numbers: &[f64]) -> f64 {
    let mut numbers = numbers.to_vec();
    numbers.sort_by(f64::total_cmp);
    numbers.get(numbers.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Prints how frames are coded.
pub fn coding() {
    println!("coding frames of the virtual spectrometer, the second day of three stations");
    println!(
        "{:>26} {:>6} {:>9} {:>9} {:>7} {:>7} {:>9} {:>9} {:>9}",
        "light", "frames", "entropy B", "coded B", "ratio", "median", "by itself", "encode us", "decode us"
    );
    let (mut all, mut patterns) = (Row::default(), 0.0);
    let mut first: Vec<(f64, Row)> = [1.0, 3.0, 6.0, DAY_H].map(|hours| (hours, Row::default())).into();
    for (name, kind) in [("roof", SceneKind::Roof), ("glasshouse", SceneKind::Glasshouse), ("lamp", SceneKind::Lamp)] {
        let (taken, of_first_day, of_second_day) = station(name, kind);
        let (mut learner, mut numbers) = (Learner::default(), Vec::new());
        let mut rows: BTreeMap<&str, Row> = BTreeMap::new();
        for Taken { frame, light, dark, entropy, stored, hours } in &taken {
            let begin = Instant::now();
            let coded = if *dark { learner.dark(frame) } else { learner.frame(frame) };
            let encode_us = begin.elapsed().as_secs_f64() * 1e6;
            let (coded, fresh) = coded.expect("a frame");
            let begin = Instant::now();
            let mut pattern = |id: i64| Ok(std::sync::Arc::clone(&numbers[id as usize - 1]));
            let again = codec::decode_with(&coded, frame.integration_s, frame.temperature_c, &mut pattern);
            let decode_us = begin.elapsed().as_secs_f64() * 1e6;
            assert!(again.expect("what was coded") == *frame, "a frame is not what it was");
            if let Some(fresh) = fresh {
                numbers.push(std::sync::Arc::clone(&fresh.numbers));
                learner.stored(numbers.len() as i64, fresh);
            }
            let plain = codec::encode(frame).expect("a frame");
            let bytes = (stored - plain.detail.len()) as f64;
            let (entropy, plain) = (*entropy, plain.sums.len() as f64);
            let row = Row {
                bytes,
                plain,
                entropy,
                encode_us: vec![encode_us],
                decode_us: vec![decode_us],
                ratios: vec![bytes / entropy],
            };
            first.iter_mut().filter(|f| *hours < f.0).for_each(|f| f.1.add(&row));
            if *hours >= DAY_H {
                rows.entry(light).or_default().add(&row);
                all.add(&row);
            }
        }
        rows.iter().for_each(|(light, row)| row.print(&format!("{name}, {light}")));
        patterns += of_second_day.iter().sum::<f64>();
        let kb = |bytes: &[f64]| bytes.iter().fold(0.0, |sum, b| sum + 1e-3 * b);
        println!(
            "{name:>26} learned {} patterns of {:.0} KB on the first day and {} of {:.0} KB on the second",
            of_first_day.len(),
            kb(&of_first_day),
            of_second_day.len(),
            kb(&of_second_day)
        );
    }
    all.print("all");
    for (hours, row) in first {
        println!("{:>26} {hours:>2} h: {:.3}", "the first", row.ratio());
    }
    let with_patterns = (all.bytes + patterns) / all.entropy;
    println!("{:>26} {with_patterns:.3}", "with the day's patterns");
    for (what, ratio) in [("median", median(&all.ratios)), ("all bytes", all.ratio())] {
        let verdict = if ratio <= AT_MOST { "PASS" } else { "over" };
        println!("{what:>26} {ratio:.3} times the entropy, {AT_MOST} at most: {verdict}");
    }
}

/// What a station took in two days, and the bytes of both rows of each pattern it stored on the first and on the second.
fn station(name: &str, kind: SceneKind) -> (Vec<Taken>, Vec<f64>, Vec<f64>) {
    let mains = match kind {
        SceneKind::Glasshouse => "mains_hz = 50",
        SceneKind::Lamp => "mains_hz = 0",
        _ => "",
    };
    let config = format!(
        r#"
version = 1
[station]
name = "Example {name}"
kind = "{name}"
latitude_deg = 48.0
longitude_deg = 11.0
altitude_m = 300
time_zone = "Europe/Berlin"
{mains}
[[instrument]]
name = "one"
link = "in-process"
[instrument.schedule]
cron = "0 * * * * *"
"#
    );
    let mut settings = Settings::default();
    settings.scene.kind = kind;
    let begin = UtcMicros::parse(START).expect("an instant");
    let mut station = Loop::new(&settings, &config, START);
    let path = station.setup.config.store.path.clone();
    let numbers = |sql: &str| -> Vec<f64> {
        let connection = rusqlite::Connection::open(&path).expect("the database opens");
        let mut rows = connection.prepare(sql).expect("tables of frames and patterns");
        let rows = rows.query_map([], |row| row.get(0)).expect("rows");
        rows.collect::<Result<_, _>>().expect("lengths")
    };
    let patterns =
        "SELECT length(p.numbers) + length(c.numbers) FROM pattern p JOIN pattern_copy c USING (id) ORDER BY p.id";
    station.run_hours(DAY_H);
    let of_first_day = numbers(patterns);
    station.run_hours(DAY_H);
    let of_second_day = numbers(patterns).split_off(of_first_day.len());
    let reader = Reader::open(&path).expect("the database opens");
    let mut twin = SimulatedStation::new(&settings, begin).expect("the bench");
    twin.set_noise(false);
    let mut taken = Vec::new();
    let mut stored_bytes = numbers("SELECT length(detail) + length(sums) FROM frame ORDER BY id").into_iter();
    let mut next =
        |frame: Frame, dark, sun| (frame.start(), frame, dark, sun, stored_bytes.next().expect("a row") as usize);
    for stored in reader.readings(begin, begin.plus_seconds(7200.0 * DAY_H)).expect("readings") {
        let reading = stored.expect("a reading").reading;
        let sun = reading.sun_elevation.unwrap_or(f64::NAN);
        taken.extend(reader.frames(reading.id).expect("frames").into_iter().map(|f| next(f.frame, false, sun)));
    }
    let instrument = reader.instruments().expect("instruments")[0].id;
    stored_bytes = numbers("SELECT length(detail) + length(sums) FROM dark ORDER BY time, id").into_iter();
    let mut next = |frame: Frame| (frame.start(), frame, true, f64::NAN, stored_bytes.next().expect("a row") as usize);
    let darks = reader.darks(instrument, UtcMicros(i64::MIN)).expect("darks");
    taken.extend(darks.into_iter().map(|d| next(d.expect("a dark").frame)));
    taken.sort_by_key(|t| t.0);
    let seen = |(_, frame, dark, sun, stored): (UtcMicros, Frame, bool, f64, usize)| {
        let light = match (dark, frame.clipped.is_empty()) {
            (true, _) if frame.integration_s < 0.1 => "short dark",
            (true, _) => "long dark",
            (_, false) => "bracket that clips",
            _ if kind == SceneKind::Lamp => "lit",
            _ if sun > 30.0 => "high sun",
            _ if sun > 10.0 => "middle sun",
            _ if sun > 0.0 => "low sun",
            _ if sun > -8.0 => "twilight",
            _ => "night",
        };
        let entropy = entropy(&mut twin, &frame, !dark);
        let hours = frame.start().seconds_since(begin) / 3600.0;
        Taken { frame, light, dark, entropy, stored, hours }
    };
    (taken.into_iter().map(seen).collect(), of_first_day, of_second_day)
}

/// Entropy of a frame's noise [bytes].
fn entropy(twin: &mut SimulatedStation, frame: &Frame, open: bool) -> f64 {
    let d = twin.settings().detector.clone();
    let n = frame.stamps.len() as f64;
    let offset = twin.expose(frame.start(), 0.0, false).0;
    let mean = twin.expose(frame.start(), frame.integration_s, open).0;
    let bits = |(mean, offset): (u32, u32)| {
        // Where the converter ends there is no noise; its rounding adds a twelfth.
        if mean >= d.full_scale {
            return 0.0;
        }
        let signal = (f64::from(mean) - f64::from(offset)).max(0.0);
        let variance = n * (signal / d.electrons_per_count + d.read_noise_counts.powi(2) + 1.0 / 12.0);
        // Entropy of a rounded normal distribution much wider than one count.
        0.5 * (std::f64::consts::TAU * std::f64::consts::E * variance).log2()
    };
    mean.into_iter().zip(offset).map(bits).sum::<f64>() / 8.0
}
