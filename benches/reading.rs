//! One reading of 2048 pixels: two rungs with matched darks to all quantities with uncertainty and verdicts.

#![allow(missing_docs, reason = "the macro of the benchmark library makes a public function without any")]

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use vigilux::bench::certificate::certificate;
use vigilux::bench::settings::Settings;
use vigilux::bench::world::Bench;
use vigilux::calibration::file;
use vigilux::clock::UtcMicros;
use vigilux::quantities::{self, Matrix, Mode, SourceRule};
use vigilux::record::{Detector, Exposure, Frame, PixelRanges, Shutter};
use vigilux::reduction::{DarkFor, RungInput, Scale, Setting, reduce};

fn reading(c: &mut Criterion) {
    let settings = Settings::default();
    let text = certificate(&settings).expect("the default bench has a certificate");
    let calibration = file::parse(Path::new("certificate.toml"), &text).expect("which is read back");
    let start = UtcMicros::parse("2026-06-21T10:00:00Z").expect("an instant");
    let mut bench = Bench::new(&settings, start).expect("the default bench");
    let noon = start.plus_seconds(3600.0);
    let mut frame = |t: f64, open: bool, n: usize| {
        let exposures: Vec<Exposure> = (0..n)
            .map(|k| {
                let start = noon.plus_seconds(k as f64);
                let (counts, _) = bench.expose(start, t, open);
                let shutter = if open { Shutter::Open } else { Shutter::Closed };
                Exposure { start, integration_s: t, shutter, temperature_c: Some(25.0), counts, crc32: 0, rereads: 0 }
            })
            .collect();
        Frame::of(&exposures, |counts| counts > 62_258).expect("exposures that are alike")
    };
    let (short, long) = (frame(0.0068, true, 2), frame(0.464, true, 1));
    let (short_dark, long_dark) = (frame(0.0068, false, 8), frame(0.464, false, 8));
    let detector = Detector {
        pixels: 2048,
        full_scale: 65_535,
        masked: PixelRanges(vec![(0, 7), (2040, 2047)]),
        integration_min_s: 1e-3,
        integration_max_s: 60.0,
        has_shutter: true,
        transfer_s: 0.36,
    };
    let scale = Arc::new(Scale::new(&calibration, &detector, 0));
    let matrix = Matrix::build(&scale.wavelength_nm, scale.valid_nm, SourceRule::Sun);
    let rungs = [
        RungInput { frame: &short, dark: DarkFor::Matched { dark: &short_dark, model: None } },
        RungInput { frame: &long, dark: DarkFor::Matched { dark: &long_dark, model: None } },
    ];
    let setting =
        Setting { calibration: &calibration, scale: &scale, temperature_c: Some(25.0), sun_elevation_deg: Some(60.0) };
    let evaluated = || {
        let reduced = reduce(black_box(&rungs), &setting);
        let modes: Vec<Mode> = reduced.modes.iter().map(|m| Mode { name: m.name, column: &m.column }).collect();
        quantities::evaluate(&matrix, &reduced.irradiance, &reduced.variance, &modes)
    };
    assert!(evaluated().iter().all(|o| o.value.is_ok()), "every quantity has a value");
    c.bench_function("reduce, two rungs of 2048 pixels", |b| b.iter(|| reduce(black_box(&rungs), &setting)));
    c.bench_function("reduce and evaluate with uncertainty", |b| b.iter(evaluated));
    let one = [rungs[0]];
    c.bench_function("reduce and evaluate one rung with uncertainty", |b| {
        b.iter(|| {
            let reduced = reduce(black_box(&one), &setting);
            let modes: Vec<Mode> = reduced.modes.iter().map(|m| Mode { name: m.name, column: &m.column }).collect();
            quantities::evaluate(&matrix, &reduced.irradiance, &reduced.variance, &modes)
        })
    });
}

criterion_group!(benches, reading);
criterion_main!(benches);
