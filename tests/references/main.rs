//! The quantities against published figures and independent code.
//!
//! The pinned Python libraries are run once; see references.py for which and how. Tolerances stand beside each comparison
//! with their reason.

#[path = "../support/mod.rs"]
mod support;

mod bandwidth;
mod checkpoints;
mod clear_sky;
mod colours;
mod daily;
mod data;
mod fixed_frames;
mod lamps;
mod low_sun;
mod moon;
mod published;
mod solar;
mod tables;
mod uncertainty;
