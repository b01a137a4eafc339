//! The command line: see `vigilux --help`.
fn main() {}
