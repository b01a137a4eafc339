//! The whole acquisition loop against known truth, in stepped time: good values must be right, and most readings must be good.

#[path = "../support/closed_loop.rs"]
mod closed_loop;

mod budget;
mod coverage;
mod daily;
mod dialects;
mod faults;
mod flagged_intervals;
mod interrupted;
mod jumps;
mod lamps;
mod lamps_and_sun;
mod low_sun;
mod nights;
mod recompute;
mod recomputed_bits;
mod roof;
mod stray_light;
mod wrong_blocks;
mod wrong_darks;
