//! Loops over many samples, compiled once more for machines with wide vectors.
//!
//! Only how many samples are worked on at a time differs, never what is computed: nothing is fused and no order changes, so
//! both ways give the same bits. What must stay true: whatever a [`Loops`] calls is inlined into it, or it is compiled for
//! every machine after all.

pub use pulp::NullaryFnOnce as Loops;
/// Vectors of one number, for tests.
#[cfg(test)]
pub use pulp::Scalar as OneByOne;
/// Loops over vectors of whatever width the machine has, where the compiler finds none by itself.
pub use pulp::{Simd, WithSimd as Vectors};
use std::sync::LazyLock;

/// Asked of the processor once: asking takes as long as a whole reading.
static MACHINE: LazyLock<pulp::Arch> = LazyLock::new(pulp::Arch::new);

/// Runs loops with the widest vectors of this machine. A closure will not do: its body is compiled apart.
#[inline]
pub fn run<L: Vectors>(loops: L) -> L::Output {
    MACHINE.dispatch(loops)
}
