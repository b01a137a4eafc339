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
use vigilux::clock::UtcMicros;
use vigilux::record::DarkReference;
use vigilux::record::{
    AcquisitionContext, Bracket, DarkProvenance, Detector, Flags, Frame, PixelRanges, QuantityValue, Reading, Shutter,
    Stamp, Verdict,
};
use vigilux::store::{FrameRecord, MadeWith, NewInstrument, NewReading, SavedState, Store};

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
        light_variation: 0.01,
        ripple: Vec::new(),
        rejected: Vec::new(),
    };
    (frame, bits / 8.0)
}

fn main() {
    let folder = std::env::args().skip(1).find(|a| !a.starts_with('-'));
    let folder = match folder {
        Some(folder) => tempfile::tempdir_in(folder).expect("a folder that can be written"),
        None => tempfile::tempdir().expect("a folder for temporary files"),
    };
    println!("{READINGS} readings with one frame each, one transaction a reading");
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
        let frames = [FrameRecord { frame, dark: DarkReference::None, dark_provenance: DarkProvenance::default() }];
        let tracker = SavedState {
            instrument: 1,
            name: "exposure".into(),
            json: format!("{{\"t\":{k}}}"),
            time: reading.time_mid,
        };
        let saved_states = if with_tracker { std::slice::from_ref(&tracker) } else { &[] };
        let new = NewReading {
            reading: &reading,
            made_with,
            about: AcquisitionContext::default(),
            frames: &frames,
            events: &[],
            saved_states,
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
        shielded: PixelRanges(vec![(0, 15)]),
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
        exposures: vec![Bracket { integration_s: 0.1, exposures: 4 }],
        peak_level: rng.random(),
        signal_to_noise: Some(rng.random()),
        stray_floor: Some(rng.random()),
        lamps: None,
        dark_age: Some(600.0),
        flags: Flags::NONE,
        values: (0..quantities)
            .map(|_| QuantityValue::Value { value: rng.random(), uncertainty: rng.random(), verdict: Verdict::Good })
            .collect(),
        quantity_flags: vec![],
        uv_index_stray_share: None,
        window: vec![],
    }
}
