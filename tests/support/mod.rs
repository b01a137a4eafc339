//! What the test binaries share. Each uses a part of it.
#![allow(dead_code, reason = "every test binary compiles this module and uses a part of it")]

pub mod closed_loop;
pub mod python;
