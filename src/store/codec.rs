//! Frames as bytes: lossless, checked, and safe to read whatever became of them.
//!
//! The sums are one standalone file of the `pco` numeric codec (u32), so that other programs can read them; everything
//! else of a frame is a small *detail* block. What must stay true: decoding damaged bytes is an error, never a panic
//! and never a large allocation. So both checksums over the coded bytes hold before the codec sees them.
//!
//! Detail block, little-endian, numbers as LEB128 where marked *v*: form (1 byte, 1), shutter (1 byte: 0 open,
//! 1 closed), spread (f32), pixels *v*, CRC-32 of the coded sums (u32), number of stamps *v*, first start in µs
//! (i64), for each stamp the distance from the one before in µs (*v*, zigzag; 0 for the first) and its CRC-32 (u32),
//! number of clipped ranges *v*, for each the gap from the last one's end *v* and its length − 1 *v*, and last the
//! CRC-32 of all before it (u32).

use crate::clock::UtcMicros;
use crate::record::{Frame, PixelRanges, Shutter, Stamp};
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

/// The most pixels a frame may have: pixel numbers are 16 bits wide.
pub const MAX_PIXELS: usize = 65_536;
/// The most exposures a frame may sum: a day of them at the shortest times in use.
pub const MAX_EXPOSURES: usize = 1 << 20;

const FORM: u8 = 1;

/// A frame's two blobs and the checksum of its sums as little-endian bytes.
#[derive(Clone, Debug, PartialEq)]
pub struct Coded {
    /// Everything but sums, integration time and temperature.
    pub detail: Vec<u8>,
    /// The sums, coded.
    pub sums: Vec<u8>,
    /// CRC-32 of the sums, decoded, as little-endian bytes.
    pub crc32: u32,
}

/// Why a frame cannot be coded or decoded.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("expected {expected}, but found {found}")]
pub struct CodecError {
    /// What would have been right.
    pub expected: String,
    /// What is there.
    pub found: String,
}

fn wrong<T>(expected: impl Into<String>, found: impl ToString) -> Result<T, CodecError> {
    Err(CodecError { expected: expected.into(), found: found.to_string() })
}

/// The settings the sums are coded with.
///
/// First differences suit a lit spectrum (1.17 to 1.21 of the entropy of its noise, 90 µs to code), none suit the dark
/// (1.05 to 1.06, 40 µs): the smaller mean step from pixel to pixel or from the mean decides. The codec's own search finds
/// the same at 230 µs; convolved differences gain 1 to 2 % under bright light and take twice the time to read.
fn settings(sums: &[u32]) -> ChunkConfig {
    let mean = sums.iter().map(|&s| f64::from(s)).sum::<f64>() / sums.len() as f64;
    let from_mean: f64 = sums.iter().map(|&s| (f64::from(s) - mean).abs()).sum();
    let from_neighbour: f64 = sums.windows(2).map(|w| f64::from(w[0].abs_diff(w[1]))).sum();
    let delta = if from_neighbour < from_mean { DeltaSpec::TryConsecutive(1) } else { DeltaSpec::NoOp };
    ChunkConfig::default().with_mode_spec(ModeSpec::Classic).with_delta_spec(delta)
}

/// CRC-32 of numbers as little-endian bytes.
pub fn crc32_of(sums: &[u32]) -> u32 {
    // Many at a time: a checksum of four bytes costs nearly as much as one of a kilobyte.
    const AT_ONCE: usize = 256;
    let mut hasher = crc32fast::Hasher::new();
    let mut bytes = [0; 4 * AT_ONCE];
    for some in sums.chunks(AT_ONCE) {
        for (to, s) in bytes.as_chunks_mut().0.iter_mut().zip(some) {
            *to = s.to_le_bytes();
        }
        hasher.update(&bytes[..4 * some.len()]);
    }
    hasher.finalize()
}

/// Codes a frame.
pub fn encode(frame: &Frame) -> Result<Coded, CodecError> {
    if frame.sums.is_empty() || frame.sums.len() > MAX_PIXELS {
        return wrong(format!("1 to {MAX_PIXELS} pixels"), frame.sums.len());
    }
    if frame.stamps.is_empty() || frame.stamps.len() > MAX_EXPOSURES {
        return wrong(format!("1 to {MAX_EXPOSURES} exposures"), frame.stamps.len());
    }
    if !frame.integration_s.is_finite() {
        return wrong("a finite integration time", frame.integration_s);
    }
    let sums = simple_compress(&frame.sums, &settings(&frame.sums))
        .map_err(|e| CodecError { expected: "sums that can be coded".into(), found: e.to_string() })?;
    let mut out = vec![FORM, u8::from(frame.shutter == Shutter::Closed)];
    out.extend(frame.spread.to_le_bytes());
    put(&mut out, frame.sums.len() as u64);
    out.extend(crc32fast::hash(&sums).to_le_bytes());
    put(&mut out, frame.stamps.len() as u64);
    let mut last = frame.start().0;
    out.extend(last.to_le_bytes());
    for stamp in &frame.stamps {
        let step = stamp.start.0.wrapping_sub(last);
        put(&mut out, ((step << 1) ^ (step >> 63)) as u64);
        out.extend(stamp.crc32.to_le_bytes());
        last = stamp.start.0;
    }
    put(&mut out, frame.clipped.0.len() as u64);
    let mut end = 0u64;
    for &(a, b) in &frame.clipped.0 {
        let (a, b) = (u64::from(a), u64::from(b));
        if a < end || b < a {
            return wrong("ascending clipped ranges", format!("{a} to {b} after {end}"));
        }
        put(&mut out, a - end);
        put(&mut out, b - a);
        end = b + 1;
    }
    out.extend(crc32fast::hash(&out).to_le_bytes());
    Ok(Coded { detail: out, sums, crc32: crc32_of(&frame.sums) })
}

/// Decodes a frame; the integration time [s] and temperature [°C] are columns of their own.
pub fn decode(coded: &Coded, integration_s: f64, temperature_c: Option<f64>) -> Result<Frame, CodecError> {
    let Some((body, sum)) = coded.detail.split_last_chunk::<4>() else {
        return wrong("a detail block", format!("{} bytes", coded.detail.len()));
    };
    let (want, got) = (u32::from_le_bytes(*sum), crc32fast::hash(body));
    if want != got {
        return wrong(format!("a detail block with checksum {want:08x}"), format!("{got:08x}"));
    }
    let mut input = Input(body);
    match input.byte()? {
        FORM => {}
        other => return wrong(format!("a detail block of form {FORM}"), other),
    }
    let shutter = match input.byte()? {
        0 => Shutter::Open,
        1 => Shutter::Closed,
        other => return wrong("shutter 0 or 1", other),
    };
    let spread = f32::from_le_bytes(input.bytes()?);
    let pixels = input.count(MAX_PIXELS, "pixels")?;
    let want = u32::from_le_bytes(input.bytes()?);
    let count = input.count(MAX_EXPOSURES, "exposures")?;
    let mut time = i64::from_le_bytes(input.bytes()?);
    // Each stamp takes five bytes or more, so a wrong count ends with the block and not with the memory.
    let mut stamps = Vec::with_capacity(count.min(body.len() / 5));
    for _ in 0..count {
        let z = input.number()?;
        time = time.wrapping_add((z >> 1) as i64 ^ -((z & 1) as i64));
        stamps.push(Stamp { start: UtcMicros(time), crc32: u32::from_le_bytes(input.bytes()?) });
    }
    let mut clipped = Vec::new();
    let mut end = 0u64;
    for _ in 0..input.count(MAX_PIXELS, "clipped ranges")? {
        let a = end.saturating_add(input.number()?);
        let b = a.saturating_add(input.number()?);
        if b >= MAX_PIXELS as u64 {
            return wrong("clipped pixels below 65536", b);
        }
        clipped.push((a as u16, b as u16));
        end = b + 1;
    }
    if !input.0.is_empty() {
        return wrong("the end of the detail block", format!("{} more bytes", input.0.len()));
    }
    let got = crc32fast::hash(&coded.sums);
    if want != got {
        return wrong(format!("coded sums with checksum {want:08x}"), format!("{got:08x}"));
    }
    let mut sums = vec![0u32; pixels];
    let progress = simple_decompress_into(&coded.sums, &mut sums)
        .map_err(|e| CodecError { expected: "coded sums".into(), found: e.to_string() })?;
    if progress.n_processed != pixels || !progress.finished {
        return wrong(
            format!("sums of {pixels} pixels"),
            format!("{} and {} to come", progress.n_processed, if progress.finished { "none" } else { "more" }),
        );
    }
    let got = crc32_of(&sums);
    if coded.crc32 != got {
        return wrong(format!("sums with checksum {:08x}", coded.crc32), format!("{got:08x}"));
    }
    Ok(Frame { integration_s, shutter, temperature_c, stamps, sums, clipped: PixelRanges(clipped), spread })
}

/// Appends a number, seven bits a byte, lowest first.
fn put(out: &mut Vec<u8>, mut n: u64) {
    while n >= 0x80 {
        out.push(n as u8 | 0x80);
        n >>= 7;
    }
    out.push(n as u8);
}

/// Bytes still to be read.
struct Input<'a>(&'a [u8]);

impl Input<'_> {
    fn bytes<const N: usize>(&mut self) -> Result<[u8; N], CodecError> {
        let Some((head, rest)) = self.0.split_first_chunk::<N>() else {
            return wrong(format!("{N} more bytes in the detail block"), self.0.len());
        };
        self.0 = rest;
        Ok(*head)
    }
    fn byte(&mut self) -> Result<u8, CodecError> {
        Ok(self.bytes::<1>()?[0])
    }
    fn number(&mut self) -> Result<u64, CodecError> {
        let mut n = 0u64;
        for shift in (0..64).step_by(7) {
            let byte = self.byte()?;
            n |= u64::from(byte & 0x7f) << shift;
            if byte & 0x80 == 0 {
                return Ok(n);
            }
        }
        wrong("a number of at most ten bytes", "a longer one")
    }
    fn count(&mut self, limit: usize, what: &str) -> Result<usize, CodecError> {
        let n = self.number()?;
        if n > limit as u64 {
            return wrong(format!("at most {limit} {what}"), n);
        }
        Ok(n as usize)
    }
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
        ];
        let mask = prop::collection::vec(any::<bool>(), 0..300);
        (1e-3..60.0f64, any::<bool>(), prop::option::of(-20.0..60.0f64), stamps, sums, mask, 0.0..1f32).prop_map(
            |(integration_s, closed, temperature_c, stamps, sums, mask, spread)| Frame {
                integration_s,
                shutter: if closed { Shutter::Closed } else { Shutter::Open },
                temperature_c,
                stamps,
                sums,
                clipped: PixelRanges::from_mask(&mask),
                spread,
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        /// Identity: any frame comes back as it was.
        #[test]
        fn a_frame_survives_its_bytes(frame in any_frame()) {
            let coded = encode(&frame).unwrap();
            prop_assert_eq!(decode(&coded, frame.integration_s, frame.temperature_c).unwrap(), frame);
        }

        /// Identity: one flipped bit or a cut anywhere is an error, never a panic and never another frame.
        #[test]
        fn damaged_bytes_are_refused(frame in any_frame(), at in any::<prop::sample::Index>(), bit in 0..8u32, which in 0..4) {
            let mut coded = encode(&frame).unwrap();
            let blob = if which % 2 == 0 { &mut coded.detail } else { &mut coded.sums };
            let at = at.index(blob.len());
            if which < 2 { blob[at] ^= 1 << bit } else { blob.truncate(at) }
            prop_assert!(decode(&coded, frame.integration_s, frame.temperature_c).is_err());
        }

        /// Identity: damage that passes the checksums (a hand that recomputes them) is an error or a frame of at most
        /// the stated size, never a panic.
        #[test]
        fn forged_sums_never_panic(junk in prop::collection::vec(any::<u8>(), 0..200), keep in 0..40usize) {
            let frame = Frame {
                integration_s: 0.1, shutter: Shutter::Open, temperature_c: None,
                stamps: vec![Stamp { start: UtcMicros(0), crc32: 1 }],
                sums: (0..500u32).map(|i| 1000 + i * 7 % 91).collect(),
                clipped: PixelRanges::default(), spread: 0.0,
            };
            let mut coded = encode(&frame).unwrap();
            coded.sums.truncate(keep);
            coded.sums.extend(junk);
            // The checksum of the coded sums stands behind form, shutter, spread and a two-byte pixel count.
            let crc = crc32fast::hash(&coded.sums).to_le_bytes();
            coded.detail[8..12].copy_from_slice(&crc);
            let body = coded.detail.len() - 4;
            let crc = crc32fast::hash(&coded.detail[..body]).to_le_bytes();
            coded.detail[body..].copy_from_slice(&crc);
            let error = decode(&coded, 0.1, None).unwrap_err();
            prop_assert!(!error.expected.contains("coded sums with checksum"), "forgery was not complete: {error}");
        }
    }

    /// Identity: what cannot be a frame is refused with what was expected.
    #[test]
    fn a_frame_without_pixels_or_exposures_is_refused() {
        let frame = Frame {
            integration_s: 0.1,
            shutter: Shutter::Open,
            temperature_c: None,
            stamps: vec![Stamp { start: UtcMicros(0), crc32: 1 }],
            sums: vec![1, 2],
            clipped: PixelRanges::default(),
            spread: 0.0,
        };
        let none = Frame { sums: vec![], ..frame.clone() };
        assert_eq!(encode(&none).unwrap_err().to_string(), "expected 1 to 65536 pixels, but found 0");
        let none = Frame { stamps: vec![], ..frame.clone() };
        assert_eq!(encode(&none).unwrap_err().to_string(), "expected 1 to 1048576 exposures, but found 0");
        let nan = Frame { integration_s: f64::NAN, ..frame };
        assert_eq!(encode(&nan).unwrap_err().to_string(), "expected a finite integration time, but found NaN");
    }
}
