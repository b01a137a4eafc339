//! Darks: which to take, which to use, the test for darkness, and the set in memory.

pub mod choice;
pub mod dark_set;
pub mod darkness;
pub mod plan;

pub use choice::{DarkChoice, DarkWanted, choose};
pub use darkness::{DarkNoise, DarkRejection, judge, looks_dark};
pub use plan::{DarkContext, DarkMetadata, DarkRequest, darkest_below_deg, plan_covered_darks, plan_darks};
