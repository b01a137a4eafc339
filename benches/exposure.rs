//! Time of one simulated exposure of 2048 pixels. Bound: 120 µs, so that months of tests stay affordable.
//!
//! Includes the light of scene and head, slit, stray light, dark charge, noise and converter; excludes the wire. Every exposure
//! is a minute after the one before, so that the sky is computed anew each time.

#![allow(missing_docs, reason = "the macro of the benchmark library makes a public function without any")]

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use vigilux::clock::UtcMicros;
use vigilux::simulator::scenes::{SceneKind, SkyKind};
use vigilux::simulator::settings::Settings;
use vigilux::simulator::simulated_station::SimulatedStation;

fn exposure(c: &mut Criterion) {
    let start = UtcMicros::parse("2026-06-21T10:00:00Z").expect("an instant");
    let mut group = c.benchmark_group("exposure");
    let scenes = [
        ("roof, clear", SceneKind::Roof, SkyKind::Clear, true),
        ("roof, broken clouds", SceneKind::Roof, SkyKind::Broken, true),
        ("glasshouse", SceneKind::Glasshouse, SkyKind::Clear, true),
        ("lamp", SceneKind::Lamp, SkyKind::Clear, true),
        ("shutter closed", SceneKind::Roof, SkyKind::Clear, false),
    ];
    for (name, kind, sky, open) in scenes {
        let mut settings = Settings::default();
        settings.scene.kind = kind;
        settings.scene.sky = sky;
        let mut bench = SimulatedStation::new(&settings, start).expect("the default bench");
        let mut at = start;
        group.bench_function(name, |b| {
            b.iter(|| {
                at = at.plus_seconds(60.0);
                black_box(bench.expose(at, 0.0068, open))
            });
        });
    }
    group.finish();
}

criterion_group!(benches, exposure);
criterion_main!(benches);
