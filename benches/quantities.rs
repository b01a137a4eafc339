//! How long one reading's quantities take: 2048 samples, every quantity, with and without uncertainty.

#![expect(missing_docs, reason = "the macros of the harness write functions without")]

use criterion::{Criterion, criterion_group, criterion_main};
use std::hint::black_box;
use vigilux::quantities::{Matrix, Quantity, SourceRule, evaluate, values};
use vigilux::spectrum::errors::Errors;

fn quantities(c: &mut Criterion) {
    let axis: Vec<f64> = (0..2048).map(f64::from).map(|p| 280.0 + 0.39 * p - 6.7e-6 * p * p).collect();
    let light: Vec<f64> = axis.iter().map(|x| (x / 120.0).sin().abs() + 0.01).collect();
    let variance: Vec<f64> = light.iter().map(|e| 1e-6 * e).collect();
    let components: Vec<(&'static str, &[f64])> =
        ["scale", "shape", "floor", "dark", "shift"].into_iter().map(|name| (name, &variance[..])).collect();
    let errors = Errors::of_columns(&light, &components);
    let build =
        |wanted: fn(&Quantity) -> bool| Matrix::build_of(black_box(&axis), (280.0, 1050.0), SourceRule::Sun, wanted);
    let (all, plain) = (build(|_| true), build(|q| !q.recipe.is_rendering()));

    c.bench_function("build the matrix", |b| b.iter(|| build(|_| true)));
    c.bench_function("values", |b| b.iter(|| values(&all, black_box(&light))));
    c.bench_function("values without colour rendering", |b| b.iter(|| values(&plain, black_box(&light))));
    c.bench_function("evaluate with 5 correlated components", |b| {
        b.iter(|| evaluate(&all, &light, black_box(&variance), black_box(&errors)));
    });
    c.bench_function("evaluate without colour rendering", |b| {
        b.iter(|| evaluate(&plain, &light, black_box(&variance), black_box(&errors)));
    });
}

criterion_group!(benches, quantities);
criterion_main!(benches);
