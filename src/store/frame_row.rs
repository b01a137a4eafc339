//! Encodes frames as rows: metadata as JSON text, sums as one standard `pco` file, a checksum over both. Pure.
//!
//! Other programs can decode a frame without this one: `sums` is a standalone file of the public `pco` format (u32), and `detail`
//! is a JSON object with
//!
//! - `integration_s` \[s\] and `temperature_c` \[°C, null without a sensor\], the same for all exposures;
//! - `shutter`: "open" or "closed";
//! - `stamps`: \[\[start in microseconds since 1970 UTC, CRC-32 of the block that the instrument sent\], ...\], one per exposure;
//! - `light_variation`: largest relative change of the signal between two exposures \[1\];
//! - `ripple`: where lamps ripple within the exposures, the standard deviation of single exposures in 32 equal ranges of pixels
//!   \[counts\]; otherwise absent;
//! - `clipped`: \[\[first, last\], ...\], inclusive, of pixels above the saturation limit, or with a spike in an exposure of the sum;
//! - `rejected`: stamps of exposures that were left out of the sums because of a spike; absent without any;
//! - `pixels`: number of sums; `sums_crc32`: CRC-32 of the sums as little-endian u32.
//!
//! Invariants: decoding returns the encoded frame bit for bit; damaged bytes give an error, never a panic or a large allocation.
//! Therefore the checksum of the bytes is verified before they are interpreted, and the checksum of the sums after decoding.

use crate::clock::UtcMicros;
use crate::record::mains_ripple::RIPPLE_RANGES;
use crate::record::{Frame, PixelRanges, Shutter, Stamp};
use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress_into};
use serde::{Deserialize, Serialize};

/// Maximum number of pixels of a frame: pixel numbers have 16 bits.
pub const MAX_PIXELS: usize = 65_536;
/// Maximum number of exposures in a frame: a day of exposures at the shortest integration times in use.
pub const MAX_EXPOSURES: usize = 1 << 20;

/// An encoded frame.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FrameRow {
    /// JSON text with all fields except the sums.
    pub detail: String,
    /// The sums: a standalone `pco` file of u32.
    pub sums: Vec<u8>,
    /// CRC-32 of the bytes of `detail` followed by `sums`.
    pub crc32: u32,
}

/// The reason why a frame cannot be encoded or decoded.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("expected {expected}, but found {found}")]
pub struct FrameRowError {
    /// The expected value.
    pub expected: String,
    /// The value found.
    pub found: String,
}

fn wrong<T>(expected: impl Into<String>, found: impl ToString) -> Result<T, FrameRowError> {
    Err(FrameRowError { expected: expected.into(), found: found.to_string() })
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Detail {
    integration_s: f64,
    temperature_c: Option<f64>,
    shutter: ShutterName,
    stamps: Vec<(i64, u32)>,
    light_variation: f32,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    ripple: Vec<f32>,
    clipped: Vec<(u16, u16)>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    rejected: Vec<(i64, u32)>,
    pixels: usize,
    sums_crc32: u32,
}

#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum ShutterName {
    Open,
    Closed,
}

impl FrameRow {
    /// Encodes a frame.
    pub fn encode(frame: &Frame) -> Result<Self, FrameRowError> {
        check_frame(frame)?;
        let detail = Detail {
            integration_s: frame.integration_s,
            temperature_c: frame.temperature_c.filter(|t| t.is_finite()),
            shutter: match frame.shutter {
                Shutter::Open => ShutterName::Open,
                Shutter::Closed => ShutterName::Closed,
            },
            stamps: frame.stamps.iter().map(|s| (s.start.0, s.crc32)).collect(),
            light_variation: frame.light_variation,
            ripple: frame.ripple.clone(),
            clipped: frame.clipped.0.clone(),
            rejected: frame.rejected.iter().map(|s| (s.start.0, s.crc32)).collect(),
            pixels: frame.sums.len(),
            sums_crc32: crc32_of(&frame.sums),
        };
        let detail = serde_json::to_string(&detail).map_err(|e| FrameRowError {
            expected: "metadata that can be written as JSON".into(),
            found: e.to_string(),
        })?;
        let sums = simple_compress(&frame.sums, &ChunkConfig::default())
            .map_err(|e| FrameRowError { expected: "sums that can be encoded".into(), found: e.to_string() })?;
        let crc32 = crc32_of_bytes(&detail, &sums);
        Ok(Self { detail, sums, crc32 })
    }

    /// The checksum of both parts as they are.
    pub fn checksum(&self) -> u32 {
        crc32_of_bytes(&self.detail, &self.sums)
    }

    /// Decodes a frame.
    pub fn decode(&self) -> Result<Frame, FrameRowError> {
        let found = self.checksum();
        if found != self.crc32 {
            return wrong(format!("detail and sums with checksum {:08x}", self.crc32), format!("{found:08x}"));
        }
        let detail: Detail = serde_json::from_str(&self.detail)
            .map_err(|e| FrameRowError { expected: "the metadata of a frame as JSON".into(), found: e.to_string() })?;
        check_size("pixels", MAX_PIXELS, detail.pixels)?;
        let mut sums = vec![0; detail.pixels];
        let progress = simple_decompress_into(&self.sums, &mut sums)
            .map_err(|e| FrameRowError { expected: "a pco file of u32".into(), found: e.to_string() })?;
        if progress.n_processed != sums.len() || !progress.finished {
            let more = if progress.finished { "" } else { " or more" };
            return wrong(format!("sums of {} pixels", sums.len()), format!("{}{more}", progress.n_processed));
        }
        let found = crc32_of(&sums);
        if found != detail.sums_crc32 {
            return wrong(format!("sums with checksum {:08x}", detail.sums_crc32), format!("{found:08x}"));
        }
        let frame = Frame {
            integration_s: detail.integration_s,
            temperature_c: detail.temperature_c,
            shutter: match detail.shutter {
                ShutterName::Open => Shutter::Open,
                ShutterName::Closed => Shutter::Closed,
            },
            stamps: detail.stamps.iter().map(|(t, crc32)| Stamp { start: UtcMicros(*t), crc32: *crc32 }).collect(),
            sums,
            clipped: PixelRanges(detail.clipped),
            light_variation: detail.light_variation,
            ripple: detail.ripple,
            rejected: detail.rejected.iter().map(|(t, crc32)| Stamp { start: UtcMicros(*t), crc32: *crc32 }).collect(),
        };
        check_frame(&frame)?;
        Ok(frame)
    }

    /// Size of both parts [bytes].
    #[allow(clippy::len_without_is_empty, reason = "a frame is never empty")]
    pub fn len(&self) -> usize {
        self.detail.len() + self.sums.len()
    }
}

fn check_size(what: &str, most: usize, found: usize) -> Result<(), FrameRowError> {
    if found == 0 || found > most {
        return wrong(format!("1 to {most} {what}"), found);
    }
    Ok(())
}

fn check_frame(frame: &Frame) -> Result<(), FrameRowError> {
    check_size("pixels", MAX_PIXELS, frame.sums.len())?;
    check_size("exposures", MAX_EXPOSURES, frame.stamps.len())?;
    if frame.rejected.len() > MAX_EXPOSURES {
        return wrong(format!("at most {MAX_EXPOSURES} rejected exposures"), frame.rejected.len());
    }
    if !frame.integration_s.is_finite() {
        return wrong("a finite integration time", frame.integration_s);
    }
    if !frame.light_variation.is_finite() {
        return wrong("a finite light variation", frame.light_variation);
    }
    if !frame.ripple.iter().all(|r| r.is_finite()) || ![0, RIPPLE_RANGES].contains(&frame.ripple.len()) {
        return wrong(
            format!("a finite ripple of no or {RIPPLE_RANGES} ranges of pixels"),
            format!("{:?}", frame.ripple),
        );
    }
    let mut next = 0;
    for &(first, last) in &frame.clipped.0 {
        if usize::from(first) < next || last < first {
            return wrong("ascending ranges of pixels", format!("{first} to {last} from pixel {next} on"));
        }
        next = usize::from(last) + 1;
    }
    Ok(())
}

/// CRC-32 of the bytes of a row.
fn crc32_of_bytes(detail: &str, sums: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(detail.as_bytes());
    hasher.update(sums);
    hasher.finalize()
}

/// CRC-32 of sums as little-endian bytes.
fn crc32_of(sums: &[u32]) -> u32 {
    let bytes: Vec<u8> = sums.iter().flat_map(|s| s.to_le_bytes()).collect();
    crc32fast::hash(&bytes)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_frame() -> impl Strategy<Value = Frame> {
        let stamps = prop::collection::vec((any::<i64>(), any::<u32>()), 1..9)
            .prop_map(|s| s.into_iter().map(|(t, crc32)| Stamp { start: UtcMicros(t), crc32 }).collect());
        let sums = prop_oneof![
            prop::collection::vec(any::<u32>(), 1..300),
            prop::collection::vec(1000u32..1400, 1..2100),
            prop::collection::vec(Just(7u32), 1..50),
            prop::collection::vec(Just(u32::MAX), 1..50),
            prop::collection::vec((1000u32..9000).prop_map(|s| s.min(4000)), 1..2100),
        ];
        let mask = prop::collection::vec(any::<bool>(), 0..300);
        let ripple = prop_oneof![Just(Vec::new()), prop::collection::vec(-1e4..1e4f32, RIPPLE_RANGES)];
        let rejected = prop::collection::vec((any::<i64>(), any::<u32>()), 0..3)
            .prop_map(|s| s.into_iter().map(|(t, crc32)| Stamp { start: UtcMicros(t), crc32 }).collect());
        let stamps = (stamps, rejected);
        (1e-3..60.0f64, any::<bool>(), prop::option::of(-20.0..60.0f64), stamps, sums, mask, 0.0..1f32, ripple)
            .prop_map(|(integration_s, closed, temperature_c, stamps, sums, mask, light_variation, ripple)| Frame {
                integration_s,
                shutter: if closed { Shutter::Closed } else { Shutter::Open },
                temperature_c,
                stamps: stamps.0,
                sums,
                clipped: PixelRanges::from_mask(&mask),
                light_variation,
                ripple,
                rejected: stamps.1,
            })
    }

    fn small_frame() -> Frame {
        Frame {
            integration_s: 0.1,
            shutter: Shutter::Open,
            temperature_c: None,
            stamps: vec![Stamp { start: UtcMicros(1_782_043_200_000_000), crc32: 0xdead_beef }],
            sums: (0..500u32).map(|i| 1000 + i * 7 % 91).collect(),
            clipped: PixelRanges(vec![(20, 29)]),
            light_variation: 0.25,
            ripple: Vec::new(),
            rejected: Vec::new(),
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        /// Decoding returns the encoded frame.
        #[test]
        fn decoding_returns_the_encoded_frame(frame in any_frame()) {
            prop_assert_eq!(FrameRow::encode(&frame).unwrap().decode().unwrap(), frame);
        }

        /// A changed character or bit, or a truncation anywhere, is an error, never a panic or another frame.
        #[test]
        fn damaged_rows_are_refused(frame in any_frame(), at in any::<prop::sample::Index>(), bit in 0..8u32, which in 0..4) {
            let mut row = FrameRow::encode(&frame).unwrap();
            if which % 2 == 0 {
                // Text from SQLite is valid UTF-8, so the damaged character is ASCII here.
                let at = at.index(row.detail.len());
                let damaged = char::from(row.detail.as_bytes()[at] ^ 1 << bit.min(6));
                if which < 2 { row.detail.replace_range(at..=at, damaged.encode_utf8(&mut [0; 4])) } else { row.detail.truncate(at) }
            } else {
                let at = at.index(row.sums.len());
                if which < 2 { row.sums[at] ^= 1 << bit } else { row.sums.truncate(at) }
            }
            prop_assert!(row.decode().is_err());
        }

        /// Damaged sums with a matching checksum of the row are an error, never a panic.
        #[test]
        fn damaged_sums_with_a_matching_checksum_never_panic(junk in prop::collection::vec(any::<u8>(), 0..200), keep in 0..40usize) {
            let mut row = FrameRow::encode(&small_frame()).unwrap();
            row.sums.truncate(keep);
            row.sums.extend(junk);
            row.crc32 = crc32_of_bytes(&row.detail, &row.sums);
            let error = row.decode().unwrap_err();
            prop_assert!(!error.expected.contains("detail and sums"), "the checksum of the row did not match: {error}");
        }
    }

    /// Metadata with a matching checksum that describes no frame is refused, with what was expected.
    #[test]
    fn invalid_metadata_with_a_matching_checksum_is_refused() {
        let row = FrameRow::encode(&small_frame()).unwrap();
        let crc32 = crc32_of(&small_frame().sums).to_string();
        for (part, replacement, want) in [
            (crc32.as_str(), "1", "expected sums with checksum 00000001, but found "),
            ("\"pixels\":500", "\"pixels\":499", "expected sums of 499 pixels, but found 499 or more"),
            ("\"pixels\":500", "\"pixels\":501", "expected sums of 501 pixels, but found 500"),
            ("\"pixels\":500", "\"pixels\":4000000000", "expected 1 to 65536 pixels, but found 4000000000"),
            ("[[20,29]]", "[[29,20]]", "expected ascending ranges of pixels, but found 29 to 20 from pixel 0 on"),
            ("[[1782043200000000,3735928559]]", "[]", "expected 1 to 1048576 exposures, but found 0"),
            ("\"open\"", "\"ajar\"", "expected the metadata of a frame as JSON, but found unknown variant `ajar`"),
            ("\"integration_s\":0.1,", "", "expected the metadata of a frame as JSON, but found missing field"),
        ] {
            let mut changed_row = FrameRow { detail: row.detail.replace(part, replacement), ..row.clone() };
            assert_ne!(changed_row.detail, row.detail, "{part}");
            changed_row.crc32 = crc32_of_bytes(&changed_row.detail, &changed_row.sums);
            let error = changed_row.decode().unwrap_err().to_string();
            assert!(error.starts_with(want), "{error}");
        }
    }

    /// Regression: names and units of the metadata are unchanged, because other programs read them.
    #[test]
    fn the_metadata_keeps_its_names_and_units() {
        let row = FrameRow::encode(&small_frame()).unwrap();
        let crc32 = crc32_of(&small_frame().sums);
        let want = format!(
            "{{\"integration_s\":0.1,\"temperature_c\":null,\"shutter\":\"open\",\"stamps\":[[1782043200000000,3735928559]],\
             \"light_variation\":0.25,\"clipped\":[[20,29]],\"pixels\":500,\"sums_crc32\":{crc32}}}"
        );
        assert_eq!(row.detail, want);
        let ripple = (0..RIPPLE_RANGES).map(|k| k as f32 * 0.5).collect();
        let row = FrameRow::encode(&Frame { ripple, ..small_frame() }).unwrap();
        assert!(row.detail.contains("\"light_variation\":0.25,\"ripple\":[0.0,0.5,1.0,"), "{}", row.detail);
        let rejected = vec![Stamp { start: UtcMicros(5), crc32: 7 }];
        let row = FrameRow::encode(&Frame { rejected, ..small_frame() }).unwrap();
        assert!(row.detail.contains("\"clipped\":[[20,29]],\"rejected\":[[5,7]],"), "{}", row.detail);
    }

    /// A frame that cannot be encoded is refused, with what was expected.
    #[test]
    fn a_frame_without_pixels_or_exposures_is_refused() {
        let error_of = |frame: Frame| FrameRow::encode(&frame).unwrap_err().to_string();
        let frame = small_frame();
        assert_eq!(error_of(Frame { sums: vec![], ..frame.clone() }), "expected 1 to 65536 pixels, but found 0");
        assert_eq!(error_of(Frame { stamps: vec![], ..frame.clone() }), "expected 1 to 1048576 exposures, but found 0");
        let nan = Frame { integration_s: f64::NAN, ..frame.clone() };
        assert_eq!(error_of(nan), "expected a finite integration time, but found NaN");
        let nan = Frame { light_variation: f32::NAN, ..frame.clone() };
        assert_eq!(error_of(nan), "expected a finite light variation, but found NaN");
        let one = Frame { ripple: vec![1.0], ..frame };
        assert_eq!(error_of(one), "expected a finite ripple of no or 32 ranges of pixels, but found [1.0]");
    }
}
