//! The command line: one file a command.

pub mod compute;

/// How a command fails, as its exit status tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Failure {
    /// Wrong usage, invalid configuration or input: exit status 2.
    Usage(String),
    /// What was asked could not be done: exit status 1.
    Failed(String),
}
