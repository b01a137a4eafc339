//! Whole parts of the program against each other, through the wire.

mod covering;
mod daemon;
mod demo;
mod exports;
mod printed;
mod safekeeping;
mod session;
mod site;
mod terminal;
mod unkind;
mod virtual_spectrometer;
mod visa;
