//! The built program against the virtual spectrometer, over a serial line.

mod calibration_import;
mod covering;
mod daemon;
mod demo;
mod dialects;
mod exports;
mod new_station;
mod printed;
mod probe;
#[path = "../support/python.rs"]
#[allow(dead_code, reason = "every test binary uses a part of it")]
mod python;
mod raw_frames;
mod safekeeping;
mod service;
mod session;
mod several;
mod site;
mod terminal;
mod unkind;
mod virtual_spectrometer;
mod visa;
