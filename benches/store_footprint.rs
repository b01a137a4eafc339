//! What a reading costs on disk: bytes stored, bytes written, time, for page sizes and numbers of quantities; and how
//! close the coded sums come to the entropy of their noise.
//!
//! Run with `cargo bench --bench store_footprint [-- FOLDER]`. "Written" is what the kernel accounts to this process as
//! dirtied 4 KiB blocks (`write_bytes` of /proc/self/io), which every commit flushes: what a card sees, without the file
//! system's own journal. In a memory-backed folder it is zero.

use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, Normal};
use std::path::Path;
use std::time::Instant;
use vigilux::bench::scenes::SceneKind;
use vigilux::bench::settings::Settings;
use vigilux::bench::world::Bench;
use vigilux::clock::UtcMicros;
use vigilux::record::{
    Circumstances, DarkUse, Detector, Flags, Frame, PixelRanges, QuantityValue, Reading, Rung, Shutter, Stamp, Verdict,
};
use vigilux::store::codec::learning::{Learner, Numbers};
use vigilux::store::{DarkReference, FrameRecord, MadeWith, NewInstrument, NewReading, Store, Tracker, codec};

const READINGS: i64 = 2000;
const PIXELS: usize = 2048;
const ELECTRONS_PER_COUNT: f64 = 2.0;
const READ_NOISE: f64 = 6.0;

/// A daylight-like spectrum with shot and read noise, summed over `n` exposures.
fn frame(rng: &mut impl Rng, start: UtcMicros, n: u32, fill: f64) -> (Frame, f64) {
    let mut bits = 0.0;
    let sums = (0..PIXELS)
        .map(|i| {
            let x = i as f64 / PIXELS as f64;
            let hump = (-((x - 0.4) / 0.22).powi(2)).exp() * (1.0 - 0.25 * (-((x - 0.62) / 0.004).powi(2)).exp());
            let mean = 1500.0 + 63_000.0 * fill * hump;
            let sigma = ((mean - 1500.0) / ELECTRONS_PER_COUNT + READ_NOISE * READ_NOISE).max(0.0).sqrt();
            let sigma = sigma * f64::from(n).sqrt();
            // Entropy of a rounded normal distribution much wider than one count.
            bits += (sigma * (std::f64::consts::TAU * std::f64::consts::E).sqrt()).log2();
            // The deviation is positive and finite by construction.
            let noise = Normal::new(0.0, sigma).unwrap();
            (mean * f64::from(n) + noise.sample(rng)).round().max(0.0) as u32
        })
        .collect();
    let stamps = (0..n).map(|k| Stamp { start: start.plus_seconds(0.5 * f64::from(k)), crc32: rng.random() }).collect();
    let frame = Frame {
        integration_s: 0.1,
        shutter: Shutter::Open,
        temperature_c: Some(21.4),
        stamps,
        sums,
        clipped: PixelRanges::default(),
        spread: 0.01,
    };
    (frame, bits / 8.0)
}

fn main() {
    let folder = std::env::args().skip(1).find(|a| !a.starts_with('-'));
    let folder = match folder {
        Some(folder) => tempfile::tempdir_in(folder).expect("a folder that can be written"),
        None => tempfile::tempdir().expect("a folder for temporary files"),
    };
    coding();
    println!("\n{READINGS} readings with one frame each, one transaction a reading");
    println!(
        "{:>6} {:>10} {:>8} {:>9} {:>10} {:>9} {:>10}",
        "page B", "quantities", "tracker", "stored B", "entropy B", "written B", "commit us"
    );
    for page_size in [1024, 2048, 4096, 8192] {
        for (quantities, tracker) in [(19, false), (19, true), (45, false)] {
            let path = folder.path().join(format!("{page_size}-{quantities}-{tracker}.db"));
            measure(&path, page_size, quantities, tracker);
        }
    }
}

/// How close the coded frames of the virtual spectrometer come to the entropy of their noise, once it is known: 1.16 at most.
///
/// An instrument of each kind first learns as the daemon's does: 8 short and 8 long darks, then an hour of minutes of each light. The
/// bytes are those of the sums and of how they are predicted; patterns are counted apart.
fn coding() {
    const HOUR: u32 = 60;
    println!("coding a frame of the virtual spectrometer, {PIXELS} pixels, {EXPOSURES} exposures, 15 frames a row");
    println!(
        "{:>22} {:>9} {:>9} {:>7} {:>12} {:>13} {:>9} {:>9}",
        "light", "entropy B", "coded B", "ratio", "by itself", "with detail", "encode us", "decode us"
    );
    let (mut all, mut patterns) = (Vec::new(), 0);
    for (kind, lights) in [
        (
            SceneKind::Roof,
            &[
                ("roof, high sun", "2026-06-21T10:00:00Z", 0.0065, true),
                ("roof, ultraviolet rung", "2026-06-21T10:00:00Z", 0.45, true),
                ("roof, afternoon", "2026-06-21T15:00:00Z", 0.01, true),
                ("roof, low sun", "2026-06-21T18:00:00Z", 0.1, true),
                ("dark, 7 ms", "2026-06-21T20:00:00Z", SHORT_S, false),
                ("dark, 10 s", "2026-06-21T20:00:00Z", LONG_S, false),
            ][..],
        ),
        (SceneKind::Glasshouse, &[("glasshouse", "2026-06-21T10:00:00Z", 0.02, true)]),
        (SceneKind::Lamp, &[("lamp", "2026-06-21T10:00:00Z", 0.1, true)]),
    ] {
        let mut instrument = Instrument::new(kind);
        for (name, start, length_s, open) in lights {
            let start = UtcMicros::parse(start).expect("an instant");
            let minute = |k: u32| start.plus_seconds(60.0 * f64::from(k));
            let clips = *length_s > 0.2;
            for k in 0..if *open { HOUR } else { 0 } {
                let frame = instrument.frame(minute(k), *length_s, *open, clips).0;
                instrument.learn(&frame, false);
            }
            let frames: Vec<_> =
                (HOUR..HOUR + 15).map(|k| instrument.frame(minute(k), *length_s, *open, clips)).collect();
            let n = frames.len() as f64;
            let basis = instrument.learner.basis();
            let begin = Instant::now();
            let coded: Vec<_> =
                frames.iter().map(|f| codec::encode_with(&f.0, basis, !open).expect("a frame")).collect();
            let encode = begin.elapsed().as_secs_f64() / n * 1e6;
            let begin = Instant::now();
            for (c, (frame, _)) in coded.iter().zip(&frames) {
                let mut pattern = |id: i64| Ok(instrument.patterns[id as usize - 1].clone());
                let decoded = codec::decode_with(c, frame.integration_s, frame.temperature_c, &mut pattern);
                assert!(decoded.expect("what was coded").sums == frame.sums, "a frame is not what it was");
            }
            let decode = begin.elapsed().as_secs_f64() / n * 1e6;
            let plain: Vec<_> = frames.iter().map(|f| codec::encode(&f.0).expect("a frame")).collect();
            let entropy = frames.iter().map(|f| f.1).sum::<f64>();
            let bytes: Vec<usize> = coded.iter().zip(&plain).map(|(c, p)| c.len() - p.detail.len()).collect();
            let sum = bytes.iter().sum::<usize>() as f64;
            println!(
                "{name:>22} {:>9.0} {:>9.0} {:>7.3} {:>12.3} {:>13.3} {encode:>9.0} {decode:>9.0}",
                entropy / n,
                sum / n,
                sum / entropy,
                plain.iter().map(|p| p.sums.len()).sum::<usize>() as f64 / entropy,
                coded.iter().map(codec::Coded::len).sum::<usize>() as f64 / entropy
            );
            all.extend(frames.iter().zip(&bytes).map(|(f, b)| *b as f64 / f.1));
        }
        patterns += instrument.patterns.len();
    }
    all.sort_by(f64::total_cmp);
    println!("{:>22} {:>27.3}, 1.16 at most; {patterns} patterns were learned", "median", all[all.len() / 2]);
}

const EXPOSURES: u32 = 4;
const SHORT_S: f64 = 0.0065;
const LONG_S: f64 = 10.0;

/// A virtual spectrometer, its twin without noise, and what was learned of it.
struct Instrument {
    noisy: Bench,
    twin: Bench,
    offset: Vec<u32>,
    learner: Learner,
    patterns: Vec<Numbers>,
}

impl Instrument {
    fn new(kind: SceneKind) -> Self {
        let mut settings = Settings::default();
        settings.scene.kind = kind;
        let start = UtcMicros::parse("2026-06-21T06:00:00Z").expect("an instant");
        let bench = || Bench::new(&settings, start).expect("the default bench");
        let (noisy, mut twin) = (bench(), bench());
        twin.set_noise(false);
        let offset = twin.expose(start.plus_seconds(7200.0), 0.0, false).0;
        let mut new = Self { noisy, twin, offset, learner: Learner::default(), patterns: Vec::new() };
        for (k, length_s) in [SHORT_S; 8].into_iter().chain([LONG_S; 8]).enumerate() {
            let dark = new.frame(start.plus_seconds(7200.0 + 60.0 * k as f64), length_s, false, false).0;
            new.learn(&dark, true);
        }
        new
    }

    fn learn(&mut self, frame: &Frame, dark: bool) {
        let learned = if dark { self.learner.dark(frame) } else { self.learner.frame(frame) };
        if let Some(fresh) = learned.expect("a frame").1 {
            self.patterns.push(fresh.numbers.clone());
            self.learner.stored(self.patterns.len() as i64, fresh);
        }
    }

    /// A frame and the entropy of its noise in bytes, from the twin; of half the length, and so on, while it must not clip.
    fn frame(&mut self, start: UtcMicros, length_s: f64, open: bool, may_clip: bool) -> (Frame, f64) {
        let d = self.twin.settings().detector.clone();
        let (mut sums, mut variance) = (vec![0; PIXELS], vec![0.0; PIXELS]);
        for k in 0..EXPOSURES {
            let at = start.plus_seconds(f64::from(k) * (length_s + 0.36));
            let mean = self.twin.expose(at, length_s, open).0;
            for (i, counts) in self.noisy.expose(at, length_s, open).0.into_iter().enumerate() {
                sums[i] += counts;
                // Where the converter ends there is no noise; its rounding adds a twelfth.
                if mean[i] < d.full_scale {
                    let signal = f64::from(mean[i]) - f64::from(self.offset[i]);
                    variance[i] += signal.max(0.0) / d.electrons_per_count + d.read_noise_counts.powi(2) + 1.0 / 12.0;
                }
            }
        }
        let limit = 0.95 * f64::from(EXPOSURES * d.full_scale);
        let clipped = PixelRanges::from_mask(&sums.iter().map(|s| f64::from(*s) >= limit).collect::<Vec<_>>());
        if !may_clip && !clipped.is_empty() {
            return self.frame(start, length_s / 2.0, open, may_clip);
        }
        // Entropy of a rounded normal distribution much wider than one count.
        let bits =
            |v: &f64| if *v > 0.0 { 0.5 * (std::f64::consts::TAU * std::f64::consts::E * v).log2() } else { 0.0 };
        let bytes = variance.iter().map(bits).sum::<f64>() / 8.0;
        let stamps = (0..EXPOSURES).map(|k| Stamp { start: start.plus_seconds(f64::from(k)), crc32: k * 0x0e37_79b9 });
        let frame = Frame {
            integration_s: length_s,
            shutter: if open { Shutter::Open } else { Shutter::Closed },
            temperature_c: Some(21.4),
            stamps: stamps.collect(),
            sums,
            clipped,
            spread: 0.01,
        };
        (frame, bytes)
    }
}

fn measure(path: &Path, page_size: u32, quantities: usize, with_tracker: bool) {
    let names: Vec<String> = (0..quantities).map(|k| format!("quantity_{k}")).collect();
    let columns: Vec<(&str, &str)> = names.iter().map(|n| (n.as_str(), "1")).collect();
    let store = Store::open_daemon_with_page_size(path, &columns, page_size).expect("a new database");
    let made_with = register(&store);
    let mut rng = rand_pcg::Pcg64::seed_from_u64(2);
    let length = |p: &Path| std::fs::metadata(p).map_or(0, |m| m.len());
    let (mut entropy, mut took) = (0.0, 0.0);
    let written_before = write_bytes();
    let before = length(path);
    for k in 0..READINGS {
        let mid = UtcMicros(1_782_043_200_000_000 + k * 60_000_000);
        let (frame, bytes) = frame(&mut rng, mid, 4, 0.05 + 0.7 * (k as f64 / 300.0).sin().powi(2));
        entropy += bytes;
        let reading = reading(mid, quantities, &mut rng);
        let frames = [FrameRecord { frame, dark: DarkReference::None, dark_use: Some(DarkUse::default()) }];
        let tracker =
            Tracker { instrument: 1, name: "exposure".into(), json: format!("{{\"t\":{k}}}"), time: reading.time_mid };
        let trackers = if with_tracker { std::slice::from_ref(&tracker) } else { &[] };
        let new = NewReading {
            reading: &reading,
            made_with,
            about: Circumstances::default(),
            frames: &frames,
            events: &[],
            trackers,
        };
        let start = Instant::now();
        store.commit_reading(&new).expect("room on the disk");
        took += start.elapsed().as_secs_f64();
    }
    // Folds the log back.
    drop(store);
    let written = write_bytes() - written_before;
    let n = READINGS as f64;
    println!(
        "{page_size:>6} {quantities:>10} {with_tracker:>8} {:>9.0} {:>10.0} {:>9.0} {:>10.0}",
        (length(path) - before) as f64 / n,
        entropy / n,
        written as f64 / n,
        took / n * 1e6
    );
}

/// Bytes this process has caused to be written to a device.
fn write_bytes() -> u64 {
    let text = std::fs::read_to_string("/proc/self/io").unwrap_or_default();
    text.lines().find_map(|l| l.strip_prefix("write_bytes: ")?.parse().ok()).unwrap_or(0)
}

fn register(store: &Store) -> MadeWith {
    let now = UtcMicros(0);
    let detector = Detector {
        pixels: PIXELS,
        full_scale: 65_535,
        masked: PixelRanges(vec![(0, 15)]),
        integration_min_s: 0.001,
        integration_max_s: 60.0,
        has_shutter: true,
        transfer_s: 0.36,
    };
    let new = NewInstrument { name: "bench", serial: "1", identity: "", detector: &detector };
    let instrument = store.register_instrument(&new, now).expect("a row");
    MadeWith {
        instrument,
        calibration: Some(store.register_calibration(instrument, "c", "c", None, now).expect("a row")),
        configuration: store.register_configuration("c", now).expect("a row"),
        computation: store.register_computation("c", now).expect("a row"),
    }
}

fn reading(mid: UtcMicros, quantities: usize, rng: &mut impl Rng) -> Reading {
    Reading {
        id: 0,
        time_start: mid,
        time_mid: mid.plus_seconds(1.0),
        time_end: mid.plus_seconds(2.0),
        instrument: "bench".into(),
        sun_elevation: Some(rng.random()),
        sun_azimuth: Some(rng.random()),
        relative_air_mass: Some(rng.random()),
        detector_temperature: Some(21.4),
        exposures: vec![Rung { integration_s: 0.1, exposures: 4 }],
        fill: rng.random(),
        signal_to_noise: Some(rng.random()),
        stray_floor: Some(rng.random()),
        dark_age: Some(600.0),
        flags: Flags::NONE,
        values: (0..quantities)
            .map(|_| QuantityValue::Value { value: rng.random(), uncertainty: rng.random(), verdict: Verdict::Good })
            .collect(),
        window: vec![],
    }
}
