//! What the whole-program tests share: a station against a virtual spectrometer in stepped time.

pub mod closed_loop;
