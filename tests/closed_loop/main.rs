//! The whole road against known truth, in stepped time: what is called good must be right, and most readings must be good.

#[path = "../support/closed_loop.rs"]
mod closed_loop;

mod again;
mod broken_off;
mod coverage;
mod days;
mod doubts;
mod faults;
mod jumps;
mod lamps;
mod nights;
mod recompute;
mod roof;
