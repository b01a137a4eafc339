//! How long one reading's quantities take: 2048 samples, every quantity, with uncertainty.

#![expect(missing_docs, reason = "the macros of the harness write functions without")]

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use vigilux::quantities::{Matrix, Mode, SourceRule, Workspace, evaluate, evaluate_with, values, values_of_many};
use vigilux::spectrum::errors::Errors;

fn quantities(c: &mut Criterion) {
    let axis: Vec<f64> = (0..2048).map(f64::from).map(|p| 280.0 + 0.39 * p - 6.7e-6 * p * p).collect();
    let light: Vec<f64> = axis.iter().map(|x| (x / 120.0).sin().abs() + 0.01).collect();
    let variance: Vec<f64> = light.iter().map(|e| 1e-6 * e).collect();
    let modes: Vec<Mode> =
        ["scale", "shape", "floor", "dark", "shift"].into_iter().map(|name| Mode { name, column: &variance }).collect();
    let m = Matrix::build(&axis, (280.0, 1050.0), SourceRule::Sun);

    c.bench_function("build the matrix, 2048 samples", |b| {
        b.iter(|| Matrix::build(black_box(&axis), (280.0, 1050.0), SourceRule::Sun));
    });
    let mut work = Workspace::default();
    let named: Vec<(&'static str, &[f64])> = modes.iter().map(|mode| (mode.name, mode.column)).collect();
    let errors = Errors::of_columns(&light, &named);
    c.bench_function("evaluate one reading, 2048 samples, 5 modes", |b| {
        b.iter(|| {
            let outcomes = evaluate_with(&mut work, &m, &light, black_box(&variance), black_box(&errors));
            work.recycle(black_box(outcomes));
        });
    });
    c.bench_function("evaluate one reading in fresh memory", |b| {
        b.iter(|| evaluate(&m, black_box(&light), black_box(&variance), black_box(&modes)));
    });
    c.bench_function("values of one spectrum", |b| b.iter(|| values(&m, black_box(&light))));
    let many: Vec<&[f64]> = (0..8).map(|_| light.as_slice()).collect();
    c.bench_function("values of eight spectra", |b| b.iter(|| values_of_many(&m, black_box(&many))));
}

criterion_group!(benches, quantities);
criterion_main!(benches);
