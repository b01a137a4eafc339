//! Loops over many samples, compiled also for wide vector units and dispatched at run time.
//!
//! Invariants:
//! - The vector width changes only how many samples are processed at a time: no operations are fused and no order changes, so
//!   the results have the same bits on every machine.
//! - Every function called by a [`Loops`] is inlined; a function that is not runs with the baseline instruction set.

pub use pulp::NullaryFnOnce as Loops;
use std::sync::LazyLock;

/// Detected once: detection takes as long as processing a reading.
static MACHINE: LazyLock<pulp::Arch> = LazyLock::new(pulp::Arch::new);

/// Runs loops with the widest vectors of this machine. The body of a closure would be compiled for the baseline only.
#[inline]
pub fn run<L: Loops>(loops: L) -> L::Output {
    MACHINE.dispatch(loops)
}
