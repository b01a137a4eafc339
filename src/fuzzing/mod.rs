//! What a fuzzer calls: one function per parser, which panics if the parser breaks one of its promises.
//!
//! The targets in `fuzz/` call these functions with bytes that a fuzzer found, the tests of this module with mutated examples.
//! Depends on the parsers; used by nothing else. Invariant: a function returns for every input of a correct parser; it returns
//! whether the input was accepted.

#[cfg(test)]
mod tests;

use crate::clock::UtcMicros;
use crate::instrument::answer::{self, Step};
use crate::reduction::DarkModel;
use crate::spectrum::csv;
use crate::store::frame_row::FrameRow;
use crate::{calibration, config};
use std::path::Path;

/// Largest block that is asked for [bytes].
const LARGEST_BLOCK: usize = 512;

/// The parsers of answers. The first two bytes are the expected numbers of fields and of payload bytes.
///
/// Promises: no more is consumed than was received; what is complete stays the same when more follows, and is incomplete or refused
/// with any byte less; a refusal says what was found.
pub fn answer(data: &[u8]) -> bool {
    let [fields, length] = data.first_chunk().copied().unwrap_or_default();
    let bytes = data.get(2..).unwrap_or_default();
    let (count, length) = (usize::from(fields % 8), usize::from(length) * 2 % LARGEST_BLOCK);
    let line = answer::text(bytes);
    let block = answer::block(bytes, count, length);
    if let Ok(Step::Done { value, used }) = &line {
        assert!(*used <= bytes.len() && bytes[*used - 1] == b'\n', "a line ends with a line feed");
        assert_eq!(answer::text(&bytes[..*used]), line, "what follows a line does not change it");
        assert!(!matches!(answer::text(&bytes[..*used - 1]), Ok(Step::Done { .. })), "half a line is not complete");
        for field in value.iter() {
            field_of(field);
        }
    }
    if let Ok(Step::Done { value, used }) = &block {
        assert!(*used <= bytes.len() && value.payload.len() == length && value.fields.len() == count);
        assert_eq!(answer::block(&bytes[..*used], count, length), block, "what follows a block does not change it");
        for cut in 0..*used {
            let part = answer::block(&bytes[..cut], count, length);
            assert!(matches!(part, Ok(Step::More)), "{cut} of {used} bytes of a good answer are its beginning");
        }
    }
    for refusal in [line.as_ref().err(), block.as_ref().err()].into_iter().flatten() {
        assert!(!refusal.expected.is_empty() && !refusal.found.is_empty(), "{refusal}");
    }
    matches!(line, Ok(Step::Done { .. })) || matches!(block, Ok(Step::Done { .. }))
}

/// The parsers of fields. Promise: an accepted number is finite and within the range asked for.
fn field_of(field: &str) {
    assert!(answer::number(field).is_ok_and(f64::is_finite) || answer::number(field).is_err());
    assert!(answer::whole(field, 3, 4000).map_or(true, |n| (3..=4000).contains(&n)));
    assert!(answer::seconds(field).map_or(true, |s| s > 0.0 && s <= 86_400.0));
    let temperature = answer::temperature(field, 9.9e37);
    assert!(temperature.map_or(true, |t| t.is_none_or(|t| (-100.0..=200.0).contains(&t))));
    // Any text is an error or an entry of the error queue.
    let _ = answer::error(field);
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
