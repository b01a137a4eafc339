//! What changes between two visits, found in the field and marked back: stepped weeks under a sky that lives.
//!
//! With `--nocapture` every test prints its rows of the table in DEVELOPERS.md. About three minutes on two cores.

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
