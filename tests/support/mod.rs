//! Shared by the test binaries; each uses a part.
#![allow(dead_code, unused_imports, reason = "every test binary compiles this module and uses a part of it")]

pub mod folder;
pub mod measured;
pub mod python;

pub use folder::*;
