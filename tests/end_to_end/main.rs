//! Whole parts of the program against each other, through the wire.

mod session;
mod visa;
