//! Whole parts of the program against each other, through the wire.

mod daemon;
mod session;
mod terminal;
mod virtual_spectrometer;
mod visa;
