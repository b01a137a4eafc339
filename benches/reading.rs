//! One reading of 2048 pixels, stage by stage, in memory that is used again as the daemon and a recomputation use it.
//!
//! *Reduce*: two rungs with matched darks and the model's offsets, to irradiance with variance and everything modes are
//! mixed from. *Evaluate*: every quantity of the registry with its uncertainty. *Reckon*: both, with times, sun, flags and
//! verdicts; not in it are the decoding of stored frames and the store.

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
use vigilux::config::{LimitsConfig, Station, StationKind};
use vigilux::quality::DarkUse;
use vigilux::quantities;
use vigilux::record::{Detector, Exposure, Frame, PixelRanges, Shutter};
use vigilux::reduction::{self, DarkFor, DarkModel, LibraryDark, RungInput, Setting, reduce, reduce_with};
use vigilux::station::reckon::{Circumstances, Reckoner, Taking};
use vigilux::sun::Place;

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
    let library: Vec<Frame> = [0.01, 0.1, 1.0, 5.0].iter().map(|t| frame(*t, false, 4)).collect();
    let library: Vec<LibraryDark<'_>> =
        library.iter().map(|frame| LibraryDark { frame, temperature_c: 25.0 }).collect();
    let model = DarkModel::fit(&library, &calibration.noise, &calibration.linearity).expect("a library of four");
    let calibration = Arc::new(calibration);
    let limits = LimitsConfig {
        low_sun_deg: 15.0,
        uncertainty: Vec::new(),
        lamp_rating_ppfd: None,
        dark_offset_counts: 10.0,
        dark_rate_relative: 0.5,
        wavelength_drift_nm: 0.1,
        wavelength_apply: false,
        wavelength_growth_nm_per_year: 0.05,
        response_drift_relative: 0.07,
        response_growth_per_year: 0.02,
    };
    let mut reckoner = Reckoner::new("bench", station(), limits, Arc::clone(&calibration), detector);
    let (scale, matrix) = reckoner.axis(Some(27.0), 0.0);
    let dark = |dark| DarkFor::Matched { dark, model: Some(&model) };
    let rungs =
        [RungInput { frame: &short, dark: dark(&short_dark) }, RungInput { frame: &long, dark: dark(&long_dark) }];
    let setting = Setting {
        calibration: &calibration,
        scale: &scale,
        temperature_c: Some(27.0),
        sun_elevation_deg: Some(60.0),
        aged: Default::default(),
    };
    let (mut reducing, mut evaluating) = (reduction::Workspace::default(), quantities::Workspace::default());
    let reduced = reduce(&rungs, &setting);
    c.bench_function("reduce two rungs", |b| {
        b.iter(|| {
            let reduced = reduce_with(&mut reducing, black_box(&rungs), &setting);
            reducing.recycle(black_box(reduced));
        });
    });
    c.bench_function("reduce one rung", |b| {
        b.iter(|| {
            let reduced = reduce_with(&mut reducing, black_box(&rungs[..1]), &setting);
            reducing.recycle(black_box(reduced));
        });
    });
    c.bench_function("evaluate with uncertainty", |b| {
        b.iter(|| {
            quantities::evaluate_with(
                &mut evaluating,
                &matrix,
                &reduced.irradiance,
                black_box(&reduced.variance),
                &reduced.errors,
            )
        });
    });
    c.bench_function("reduce and evaluate two rungs with uncertainty", |b| {
        b.iter(|| {
            let reduced = reduce_with(&mut reducing, black_box(&rungs), &setting);
            black_box(quantities::evaluate_with(
                &mut evaluating,
                &matrix,
                &reduced.irradiance,
                &reduced.variance,
                &reduced.errors,
            ));
            reducing.recycle(reduced);
        });
    });
    let takings = rungs.map(|r| Taking {
        frame: r.frame,
        dark: Some(r.dark),
        dark_use: DarkUse::default(),
        dark_time: None,
        flicker: false,
    });
    let about = Circumstances { single_shot: true, unsteady_share: 0.05, fill: 0.7, ..Circumstances::default() };
    c.bench_function("reckon two rungs: reduce, evaluate, sun, flags and verdicts", |b| {
        b.iter(|| {
            let reckoned = reckoner.reckon(black_box(&takings), &[], &about);
            reckoner.recycle(black_box(reckoned));
        });
    });
}

fn station() -> Station {
    Station {
        name: "Larkfield roof".into(),
        kind: StationKind::Roof,
        place: Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 300.0 },
        time_zone: chrono_tz::Tz::UTC,
        day_starts_at_s: 0,
        mains_hz: 0.0,
    }
}

criterion_group!(benches, reading);
criterion_main!(benches);
