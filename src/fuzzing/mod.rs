//! What a fuzzer calls: one function per parser, which panics if the parser breaks one of its promises.
//!
//! The targets in `fuzz/` call these functions with bytes that a fuzzer found, the tests of this module with mutated examples.
//! Depends on the parsers; used by nothing else. Invariant: a function returns for every input of a correct parser; it returns
//! whether the input was accepted.

#[cfg(test)]
mod tests;

use crate::clock::UtcMicros;
use crate::dialect::context::Context;
use crate::dialect::decode::{self, Expected, State};
use crate::dialect::template::Template;
use crate::dialect::values::Values;
use crate::dialect::words::Words;
use crate::reduction::DarkModel;
use crate::spectrum::csv;
use crate::store::frame_row::FrameRow;
use crate::{calibration, config, dialect};
use std::path::Path;

/// Number of values of the largest frame that is asked for.
const LARGEST_FRAME: usize = 256;

/// The matching of answers. The first two bytes are the expected numbers of fields and of payload bytes.
///
/// Promises: no more is consumed than was received; what is complete stays the same when more follows, and is incomplete with any
/// byte less; a refusal says what was found.
pub fn answer(data: &[u8]) -> bool {
    let [fields, length] = data.first_chunk().copied().unwrap_or_default();
    let bytes = data.get(2..).unwrap_or_default();
    let (count, values) = (usize::from(fields % 8), usize::from(length) % LARGEST_FRAME);
    let fields: Vec<String> = (0..count).map(|n| format!("{{field{n}}}")).collect();
    let line = fields.join(";");
    let block = [fields, vec!["{counts:block}".to_owned()]].concat().join(";");
    let accepted = [line, block].map(|template| matches(&template, values, bytes));
    accepted[0] || accepted[1]
}

/// Whether bytes begin with an answer of a template.
fn matches(template: &str, values: usize, bytes: &[u8]) -> bool {
    let Ok(template) = Template::text(template) else { return false };
    let (words, known) = (Words::default(), Values::default());
    let context = Context {
        words: &words,
        probes: None,
        tag: 0,
        attempt: 1,
        values: &known,
        shutter: false,
        identity: false,
        frame_values: values,
    };
    let expected = Expected { template: Some(&template), end: b"\n", ..Expected::default() };
    let parsed = decode::answer(&expected, &context, bytes);
    match &parsed.state {
        State::Malformed(refusal) => {
            assert!(!refusal.expected.is_empty() && !refusal.found.is_empty(), "{refusal}");
            false
        }
        State::More(need) => {
            assert!(*need > bytes.len(), "an incomplete answer needs more bytes");
            false
        }
        State::Done(used) => {
            assert!(*used <= bytes.len() && bytes[*used - 1] == b'\n', "a line ends with a line feed");
            assert_eq!(decode::answer(&expected, &context, &bytes[..*used]), parsed, "what follows does not change it");
            for cut in 0..*used {
                let part = decode::answer(&expected, &context, &bytes[..cut]).state;
                assert!(matches!(part, State::More(_)), "{cut} of {used} bytes of a good answer are its beginning");
            }
            true
        }
    }
}

/// Dialect files. Promises: no panic; an accepted text is accepted again with the same meaning.
pub fn dialect(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else { return false };
    match dialect::load::parse(Path::new("fuzzed.toml"), text) {
        Ok(loaded) => {
            assert_eq!(dialect::load::parse(Path::new("fuzzed.toml"), text).ok(), Some(loaded));
            true
        }
        Err(diagnostics) => {
            assert!(!diagnostics.0.is_empty(), "a refusal says why");
            false
        }
    }
}

/// The configuration. Promises: no panic; an accepted text is kept, has an instrument, and is accepted again with the same meaning.
pub fn configuration(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else { return false };
    let now = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z
    match config::parse(Path::new("fuzzed.toml"), text, now) {
        Ok(parsed) => {
            assert_eq!(parsed.text, text);
            assert!(!parsed.instruments.is_empty(), "a station has an instrument");
            let again = config::parse(Path::new("fuzzed.toml"), &parsed.text, now);
            assert_eq!(again.map(|c| format!("{c:?}")).ok(), Some(format!("{parsed:?}")));
            true
        }
        Err(diagnostics) => {
            assert!(!diagnostics.to_string().is_empty(), "a refusal has a reason");
            false
        }
    }
}

/// The calibration file. Promises: no panic; the wavelengths, responses and coefficients of an accepted one are usable numbers.
pub fn calibration(data: &[u8]) -> bool {
    let Ok(text) = std::str::from_utf8(data) else { return false };
    match calibration::file::parse_stored(text, None) {
        Ok(parsed) => {
            let response = &parsed.response;
            assert!(response.wavelength_nm.is_sorted_by(|a, b| a < b), "wavelengths of the response rise");
            assert!(response.wavelength_nm.iter().all(|nm| (100.0..=5000.0).contains(nm)));
            assert!(parsed.wavelength.coefficients.iter().all(|c| c.is_finite()));
            assert!(parsed.valid_from < parsed.valid_until);
            assert!(parsed.noise.electrons_per_count > 0.0 && parsed.noise.electrons_per_count.is_finite());
            true
        }
        Err(diagnostics) => {
            assert!(!diagnostics.to_string().is_empty(), "a refusal has a reason");
            false
        }
    }
}

/// The spectrum file. Promises: no panic; an accepted file has finite numbers on a rising axis within its bounds, and is read the same
/// after it is written.
pub fn spectrum(data: &[u8]) -> bool {
    match csv::read("fuzzed.csv", data) {
        Ok(file) => {
            let axis = &file.spectrum.wavelength_nm;
            assert!((2..=csv::MOST_ROWS).contains(&axis.len()) && axis.len() == file.spectrum.irradiance.len());
            assert!(axis.is_sorted_by(|a, b| a < b) && axis.iter().all(|nm| csv::WAVELENGTHS_NM.contains(nm)));
            assert!(file.spectrum.irradiance.iter().all(|e| e.is_finite()));
            let written = csv::write(&file.spectrum, &[]);
            assert_eq!(csv::read("written.csv", written.as_bytes()).map(|f| f.spectrum), Ok(file.spectrum));
            true
        }
        Err(refused) => {
            assert!(!refused.faults.is_empty() && !refused.to_string().is_empty(), "a refusal has a reason");
            false
        }
    }
}

/// The blobs of frames and dark models. The first two bytes (little-endian) are the length of the metadata; the sums follow it.
///
/// Promises: no panic and no large allocation, also where the checksum matches; what is accepted is encoded and decoded again to the
/// same.
pub fn frame(data: &[u8]) -> bool {
    let length = usize::from(u16::from_le_bytes(data.first_chunk().copied().unwrap_or_default()));
    let rest = data.get(2..).unwrap_or_default();
    let (detail, sums) = rest.split_at(length.min(rest.len()));
    let detail = String::from_utf8_lossy(detail).into_owned();
    let mut row = FrameRow { detail, sums: sums.to_vec(), crc32: 0 };
    let decoded = row.decode();
    row.crc32 = row.checksum();
    let sealed = row.decode();
    if row.crc32 != 0 {
        assert!(decoded.is_err(), "a wrong checksum is refused");
    }
    if let Ok(frame) = &sealed {
        let again = FrameRow::encode(frame).and_then(|row| row.decode());
        assert_eq!(again.as_ref(), Ok(frame), "a decoded frame can be stored again");
    }
    let model = DarkModel::decode(rest);
    if let Ok(model) = &model {
        let again = DarkModel::decode(&model.encode()).map(|model| model.encode());
        assert_eq!(again, Ok(model.encode()), "a decoded model can be stored again");
    }
    sealed.is_ok() || model.is_ok()
}
