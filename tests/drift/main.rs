//! Drift that the monitors must detect and flag back: stepped weeks under a changing sky.
//!
//! With `--nocapture` every test prints its rows of the table in docs/measurements.md. Takes about three minutes on two cores.

#[path = "../support/closed_loop.rs"]
mod closed_loop;

#[path = "../support/mod.rs"]
mod support;

mod campaign;
mod cover;
mod lamps;
mod measured;
mod pixels;
mod quiet;
mod response;
mod scale;
