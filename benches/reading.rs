//! One reading of 2048 pixels, stage by stage, in memory that is used again as the daemon and a recomputation use it.
//!
//! *Reduce*: two brackets with matched darks and the model's offsets, to irradiance with variance and everything modes are
//! mixed from. *Evaluate*: every quantity of the registry with its uncertainty. *Reckon*: both, with times, sun, flags and
//! verdicts; not in it are the decoding of stored frames and the store.

#![allow(missing_docs, reason = "the macro of the benchmark library makes a public function without any")]

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use std::sync::Arc;
use vigilux::config::{DailyConfig, LimitsConfig, Station, StationKind};
use vigilux::darks::FrameWithDark;
use vigilux::processing::pipeline::{AcquisitionContext, Pipeline, mean_time};
use vigilux::quantities::{self, Matrix, Quantity, SourceRule};
use vigilux::record::{DarkProvenance, DarkReference};
use vigilux::reduction::{ReductionContext, reduce};
use vigilux::sun::Place;

mod example_reading;
mod timing;
use example_reading::Noon;
use timing::median;

fn reading(c: &mut Criterion) {
    let noon = Noon::new();
    let (calibration, brackets) = (&noon.calibration, noon.brackets());
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
    let station = station();
    let mut pipeline = Pipeline::new("bench", station.clone(), limits, Arc::clone(calibration), noon.detector.clone());
    let (scale, matrix) = pipeline.axis(Some(27.0), 0.0);
    let setting = ReductionContext { temperature_c: Some(27.0), ..noon.setting(&scale) };
    let reduced = reduce(&brackets, &setting);
    c.bench_function("reduce two brackets", |b| {
        b.iter(|| {
            black_box(reduce(black_box(&brackets), &setting));
        });
    });
    c.bench_function("reduce one bracket", |b| {
        b.iter(|| {
            black_box(reduce(black_box(&brackets[..1]), &setting));
        });
    });
    c.bench_function("evaluate with uncertainty", |b| {
        b.iter(|| {
            black_box(quantities::evaluate(
                &matrix,
                &reduced.irradiance,
                black_box(&reduced.variance),
                &reduced.errors,
            ));
        });
    });
    c.bench_function("reduce and evaluate two brackets with uncertainty", |b| {
        b.iter(|| {
            let reduced = reduce(black_box(&brackets), &setting);
            black_box(quantities::evaluate(&matrix, &reduced.irradiance, &reduced.variance, &reduced.errors));
        });
    });
    let frames_with_darks = brackets.map(|r| FrameWithDark {
        frame: r.frame,
        dark: Some(r.dark),
        dark_time: None,
        dark_light_lx: 0.0,
        reference: DarkReference::None,
        provenance: DarkProvenance::default(),
    });
    let about = AcquisitionContext {
        single_shot: true,
        unsteady_share: 0.05,
        peak_level: 0.7,
        ..AcquisitionContext::default()
    };
    c.bench_function("process two brackets: reduce, evaluate, sun, flags and verdicts", |b| {
        b.iter(|| {
            let sun = station.sun_at(mean_time(frames_with_darks.iter().map(|f| f.frame)));
            black_box(pipeline.process(black_box(&frames_with_darks), &[], sun, &about));
        });
    });
}

/// What a daylight or lamp station is asked for first: photosynthesis, illuminance and colour, ultraviolet, totals.
const MAIN: [&str; 19] = [
    "ppfd",
    "eppfd",
    "par_irradiance",
    "pfd_blue",
    "pfd_green",
    "pfd_red",
    "pfd_far_red",
    "red_far_red_ratio",
    "illuminance",
    "cie_x",
    "cie_y",
    "cct",
    "duv",
    "uva",
    "uvb",
    "erythemal_irradiance",
    "uv_index",
    "irradiance",
    "photon_flux_density",
];

/// Reduction of one bracket and of two, with the quantities and their uncertainty but for the drawn ones.
fn together(_: &mut Criterion) {
    let noon = Noon::new();
    let (brackets, scale) = (noon.brackets(), noon.scale());
    let setting = noon.setting(&scale);
    let build = |wanted: &dyn Fn(&Quantity) -> bool| {
        Matrix::build_of(&scale.wavelength_nm, scale.valid_nm, SourceRule::Sun, wanted)
    };
    assert!(MAIN.iter().all(|id| quantities::index_of(id).is_some()), "quantities that are there");
    println!("one reading of 2048 pixels, reduction and quantities with uncertainty, median [us]");
    for (what, matrix) in [
        ("the 19 main quantities", build(&|q| MAIN.contains(&q.id))),
        ("all but colour rendering", build(&|q| !q.recipe.is_rendering())),
    ] {
        for n in [1, 2] {
            let took_us = 1e6
                * median(|| {
                    let reduced = reduce(black_box(&brackets[2 - n..]), &setting);
                    let (light, variance) = (&reduced.irradiance, &reduced.variance);
                    black_box(quantities::evaluate(&matrix, light, variance, &reduced.errors));
                });
            println!("  {what:26} {n} bracket{} {took_us:7.1}", if n == 1 { " " } else { "s" });
        }
    }
}

fn station() -> Station {
    Station {
        name: "Example roof".into(),
        kind: StationKind::Roof,
        place: Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 300.0 },
        time_zone: vigilux::clock::time_zone("UTC").expect("a zone of the database"),
        day_starts_at_s: 0,
        mains_hz: 0.0,
        ultraviolet_lamps: false,
        lamps_s: vec![],
        lamp_incidence_deg: None,
        glazing: None,
        days: DailyConfig::default(),
    }
}

criterion_group!(benches, together, reading);
criterion_main!(benches);
