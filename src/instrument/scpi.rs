//! The built-in dialect `scpi`: IEEE 488.2 and SCPI-1999 commands, as data.
//!
//! Commands have their short forms, which every SCPI instrument accepts, and start with a colon, so that they do not depend on
//! the preceding command of the message.

use super::dialect::{Dialect, Keyword, Probe, Setting, Text};

const fn text(words: &'static str) -> Text {
    Text::Borrowed(words)
}

const fn keyword(words: &'static str) -> Keyword {
    Keyword(text(words))
}

const fn setting(set: &'static str, query: &'static str) -> Setting {
    Setting { set: text(set), query: text(query) }
}

/// The built-in dialect.
pub static SCPI: Dialect = Dialect {
    name: text("scpi"),
    tag: [
        Probe { query: text("*OPC?"), answer: text("1") },
        Probe { query: text(":SYST:VERS?"), answer: text("1999.0") },
    ],
    identify: text("*IDN?"),
    clear_errors: text("*CLS"),
    abort: text(":ABOR"),
    next_error: text(":SYST:ERR?"),
    pixels: text(":SENS:DET:SIZE?"),
    full_scale: text(":SENS:DET:FSC?"),
    shielded: text(":SENS:DET:MASK?"),
    shielded_none: keyword("NONE"),
    aperture: setting(":SENS:APER {}", ":SENS:APER?"),
    aperture_min: text(":SENS:APER? MIN"),
    aperture_max: text(":SENS:APER? MAX"),
    shutter: setting(":INP:SHUT {}", ":INP:SHUT?"),
    shutter_open: keyword("OPEN"),
    shutter_closed: keyword("CLOSed"),
    hardware_missing: -241,
    out_of_range: -222,
    temperature: text(":MEAS:TEMP?"),
    not_a_number: 9.9e37,
    format: setting(":FORM {}", ":FORM?"),
    format_u16: keyword("UINTeger,16"),
    format_u32: keyword("UINTeger,32"),
    byte_order: setting(":FORM:BORD {}", ":FORM:BORD?"),
    big_endian: keyword("NORMal"),
    read: text(":READ?"),
    fetch: text(":FETC?"),
    checksum: text(":FETC:CRC?"),
};
