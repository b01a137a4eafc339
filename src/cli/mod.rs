//! The command line: one file a command.

pub mod bench;

/// How a command failed.
#[derive(Debug)]
pub enum Failure {
    /// Wrong usage or invalid configuration: exit status 2.
    Usage(String),
    /// It was tried and failed: exit status 1.
    Failed(String),
}
