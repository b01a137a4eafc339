//! Frames as bytes: lossless, checked, and safe to read whatever became of them.
//!
//! The sums are coded by the `pco` numeric codec and some integer arithmetic, so that other programs can read them; everything
//! else of a frame is a small *detail* block. What must stay true: decoding damaged bytes is an error, never a panic
//! and never a large allocation. So both checksums over the coded bytes hold before the codec sees them, and the checksum of
//! the sums after all: a frame decoded with a wrong pattern is an error too.
//!
//! Detail block, little-endian, numbers as LEB128 where marked *v* (zigzag where marked *z*): form (1 byte), shutter (1 byte:
//! 0 open, 1 closed), spread (f32), pixels *v*, CRC-32 of the coded sums (u32), number of stamps *v*, first start in µs
//! (i64), for each stamp the distance from the one before in µs (*z*; 0 for the first) and its CRC-32 (u32),
//! number of clipped ranges *v*, for each the gap from the last one's end *v* and its length − 1 *v*, in form 2 how it is
//! predicted, and last the CRC-32 of all before it (u32).
//!
//! In form 1 the coded sums are one standalone file of `pco` (u32). In form 2 they are what is left of the sums beside a prediction
//! from patterns, rows of the table `pattern` ([`told`]). Form 2 is chosen where it is shorter.

pub mod learning;
pub mod leftover;
pub mod prediction;
mod told;

use crate::clock::UtcMicros;
use crate::record::{Frame, PixelRanges, Shutter, Stamp};
use learning::{Basis, Numbers};
use pco::data_types::Number;
use pco::standalone::{simple_compress, simple_decompress_into};
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

/// The most pixels a frame may have: pixel numbers are 16 bits wide.
pub const MAX_PIXELS: usize = 65_536;
/// The most exposures a frame may sum: a day of them at the shortest times in use.
pub const MAX_EXPOSURES: usize = 1 << 20;

/// Sums as they are.
const PLAIN: u8 = 1;
/// Sums beside a prediction.
const PREDICTED: u8 = 2;

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

impl Coded {
    /// Whether it is read without any pattern.
    fn is_by_itself(&self) -> bool {
        self.detail.first() == Some(&PLAIN)
    }

    /// Bytes of both blobs.
    #[allow(clippy::len_without_is_empty, reason = "a frame is never empty")]
    pub fn len(&self) -> usize {
        self.detail.len() + self.sums.len()
    }
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
    let (from_mean, from_neighbour) = roughness(sums);
    let delta = if from_neighbour < from_mean { DeltaSpec::TryConsecutive(1) } else { DeltaSpec::NoOp };
    ChunkConfig::default().with_mode_spec(ModeSpec::Classic).with_delta_spec(delta)
}

/// How far the sums are from their mean and from their neighbours, added up [counts].
fn roughness(sums: &[u32]) -> (f64, f64) {
    let mean = sums.iter().map(|&s| f64::from(s)).sum::<f64>() / sums.len() as f64;
    let from_mean: f64 = sums.iter().map(|&s| (f64::from(s) - mean).abs()).sum();
    let from_neighbour: f64 = sums.windows(2).map(|w| f64::from(w[0].abs_diff(w[1]))).sum();
    (from_mean, from_neighbour)
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

/// Codes a frame by itself.
pub fn encode(frame: &Frame) -> Result<Coded, CodecError> {
    check(frame)?;
    let sums = simple_compress(&frame.sums, &settings(&frame.sums))
        .map_err(|e| CodecError { expected: "sums that can be coded".into(), found: e.to_string() })?;
    wrapped(frame, sums, PLAIN, &[])
}

/// Codes a frame beside what is known of its instrument, or by itself where that is shorter; `dark`: no light is in it.
pub fn encode_with(frame: &Frame, basis: &Basis, dark: bool) -> Result<Coded, CodecError> {
    check(frame)?;
    let Some(with) = told::write(frame, basis, dark)? else { return encode(frame) };
    // What is clearly shorter than by itself need not be tried against it.
    if 8 * with.len() < bits_by_itself(&frame.sums) {
        return Ok(with);
    }
    let plain = encode(frame)?;
    Ok(if with.len() < plain.len() { with } else { plain })
}

/// Bits that sums coded by themselves take at the least, roughly: the digits of their differences and two more, or one where they read
/// the most any does; told by every fourth pixel.
fn bits_by_itself(sums: &[u32]) -> usize {
    const EVERY: usize = 4;
    let mean = (sums.iter().map(|&s| u64::from(s)).sum::<u64>() / sums.len() as u64) as u32;
    let most = sums.iter().copied().max().unwrap_or(0);
    let bits = |sum: u32, other: u32| if sum == most { 1 } else { 34 - sum.abs_diff(other).leading_zeros() as usize };
    let some = || sums.iter().enumerate().step_by(EVERY);
    let from_mean: usize = some().map(|(_, s)| bits(*s, mean)).sum();
    let from_neighbour: usize = some().map(|(i, s)| bits(*s, sums[i.saturating_sub(1)])).sum();
    from_mean.min(from_neighbour) * sums.len() / sums.len().div_ceil(EVERY)
}

fn check(frame: &Frame) -> Result<(), CodecError> {
    if frame.sums.is_empty() || frame.sums.len() > MAX_PIXELS {
        return wrong(format!("1 to {MAX_PIXELS} pixels"), frame.sums.len());
    }
    if frame.stamps.is_empty() || frame.stamps.len() > MAX_EXPOSURES {
        return wrong(format!("1 to {MAX_EXPOSURES} exposures"), frame.stamps.len());
    }
    if !frame.integration_s.is_finite() {
        return wrong("a finite integration time", frame.integration_s);
    }
    Ok(())
}

/// A frame whose numbers are coded, with how they were made.
fn wrapped(frame: &Frame, sums: Vec<u8>, form: u8, how: &[u8]) -> Result<Coded, CodecError> {
    let mut out = vec![form, u8::from(frame.shutter == Shutter::Closed)];
    out.extend(frame.spread.to_le_bytes());
    put(&mut out, frame.sums.len() as u64);
    out.extend(crc32fast::hash(&sums).to_le_bytes());
    put(&mut out, frame.stamps.len() as u64);
    let mut last = frame.start().0;
    out.extend(last.to_le_bytes());
    for stamp in &frame.stamps {
        let step = stamp.start.0.wrapping_sub(last);
        put(&mut out, zigzag(step));
        out.extend(stamp.crc32.to_le_bytes());
        last = stamp.start.0;
    }
    put_ranges(&mut out, &frame.clipped)?;
    out.extend(how);
    out.extend(crc32fast::hash(&out).to_le_bytes());
    Ok(Coded { detail: out, sums, crc32: crc32_of(&frame.sums) })
}

/// Appends how many ranges there are, and for each the gap from the last one's end and its length − 1.
fn put_ranges(out: &mut Vec<u8>, ranges: &PixelRanges) -> Result<(), CodecError> {
    put(out, ranges.0.len() as u64);
    let mut end = 0u64;
    for &(a, b) in &ranges.0 {
        let (a, b) = (u64::from(a), u64::from(b));
        if a < end || b < a {
            return wrong("ascending ranges of pixels", format!("{a} to {b} after {end}"));
        }
        put(out, a - end);
        put(out, b - a);
        end = b + 1;
    }
    Ok(())
}

/// Decodes a frame that was coded by itself; the integration time [s] and temperature [°C] are columns of their own.
pub fn decode(coded: &Coded, integration_s: f64, temperature_c: Option<f64>) -> Result<Frame, CodecError> {
    decode_with(coded, integration_s, temperature_c, &mut |id| {
        wrong("a frame that was coded by itself", format!("one that needs pattern {id}"))
    })
}

/// Decodes a frame, with whoever has the patterns by their rows.
pub fn decode_with(
    coded: &Coded,
    integration_s: f64,
    temperature_c: Option<f64>,
    patterns: &mut dyn FnMut(i64) -> Result<Numbers, CodecError>,
) -> Result<Frame, CodecError> {
    let Some((body, sum)) = coded.detail.split_last_chunk::<4>() else {
        return wrong("a detail block", format!("{} bytes", coded.detail.len()));
    };
    let (want, got) = (u32::from_le_bytes(*sum), crc32fast::hash(body));
    if want != got {
        return wrong(format!("a detail block with checksum {want:08x}"), format!("{got:08x}"));
    }
    let mut input = Input(body);
    let form = input.byte()?;
    if ![PLAIN, PREDICTED].contains(&form) {
        return wrong(format!("a detail block of form {PLAIN} or {PREDICTED}"), form);
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
        time = time.wrapping_add(input.signed()?);
        stamps.push(Stamp { start: UtcMicros(time), crc32: u32::from_le_bytes(input.bytes()?) });
    }
    let clipped = input.ranges()?;
    let how = if form == PREDICTED { Some(told::how(&mut input, pixels)?) } else { None };
    if !input.0.is_empty() {
        return wrong("the end of the detail block", format!("{} more bytes", input.0.len()));
    }
    let got = crc32fast::hash(&coded.sums);
    if want != got {
        return wrong(format!("coded sums with checksum {want:08x}"), format!("{got:08x}"));
    }
    let sums = match how {
        Some(how) => told::read(&how, &coded.sums, pixels, patterns)?,
        None => {
            let mut sums = vec![0; pixels];
            decompress(&coded.sums, &mut sums)?;
            sums
        }
    };
    let got = crc32_of(&sums);
    if coded.crc32 != got {
        return wrong(format!("sums with checksum {:08x}", coded.crc32), format!("{got:08x}"));
    }
    Ok(Frame { integration_s, shutter, temperature_c, stamps, sums, clipped, spread })
}

/// Reads a `pco` file of as many numbers as there is room for.
fn decompress<T: Number>(coded: &[u8], numbers: &mut [T]) -> Result<(), CodecError> {
    let progress = simple_decompress_into(coded, numbers)
        .map_err(|e| CodecError { expected: "coded sums".into(), found: e.to_string() })?;
    if progress.n_processed != numbers.len() || !progress.finished {
        let more = if progress.finished { "none" } else { "more" };
        return wrong(
            format!("sums of {} pixels", numbers.len()),
            format!("{} and {more} to come", progress.n_processed),
        );
    }
    Ok(())
}

fn zigzag(n: i64) -> u64 {
    ((n << 1) ^ (n >> 63)) as u64
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
    fn signed(&mut self) -> Result<i64, CodecError> {
        let z = self.number()?;
        Ok((z >> 1) as i64 ^ -((z & 1) as i64))
    }
    fn u32(&mut self) -> Result<u32, CodecError> {
        let n = self.number()?;
        u32::try_from(n).map_err(|_| CodecError { expected: "a number below 2^32".into(), found: n.to_string() })
    }
    fn ranges(&mut self) -> Result<PixelRanges, CodecError> {
        let mut ranges = Vec::new();
        let mut end = 0u64;
        for _ in 0..self.count(MAX_PIXELS, "ranges of pixels")? {
            let a = end.saturating_add(self.number()?);
            let b = a.saturating_add(self.number()?);
            if b >= MAX_PIXELS as u64 {
                return wrong("pixels below 65536", b);
            }
            ranges.push((a as u16, b as u16));
            end = b + 1;
        }
        Ok(PixelRanges(ranges))
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
    use super::learning::{Fresh, Pattern, Role};
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

        /// Identity: any frame comes back beside any patterns, and is never longer than by itself by more than a twentieth; one
        /// flipped bit is an error.
        #[test]
        fn a_frame_survives_its_prediction(frame in any_frame(), seed in any::<u64>(), size in 0..31u32, dark in any::<bool>(),
                at in any::<prop::sample::Index>(), bit in 0..8u32) {
            let mut mix = seed;
            let mut pattern = |id, role| {
                let numbers = frame.sums.iter().map(|s| {
                    mix = mix.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    (mix >> 33) as i32 >> size ^ (*s >> (seed % 32)) as i32
                });
                Pattern { id, fresh: Fresh { role, integration_s: 0.1, numbers: numbers.collect() } }
            };
            let mut basis = Basis::default();
            for (id, role) in [(3, Role::Dark), (400, Role::Light), (7, Role::Light), (8, Role::Clipped), (9, Role::Clipped)] {
                basis.put(pattern(id, role));
            }
            let coded = encode_with(&frame, &basis, dark).unwrap();
            let plain = encode(&frame).unwrap();
            prop_assert!(coded.len() <= plain.len() + plain.len() / 20 + 8, "{} and {}", coded.len(), plain.len());
            let mut get = |id: i64| Ok(basis.all().find(|p| p.id == id).unwrap().fresh.numbers.clone());
            prop_assert_eq!(&decode_with(&coded, frame.integration_s, frame.temperature_c, &mut get).unwrap(), &frame);
            let mut damaged = coded.clone();
            let blob = if dark { &mut damaged.detail } else { &mut damaged.sums };
            let at = at.index(blob.len());
            blob[at] ^= 1 << bit;
            prop_assert!(decode_with(&damaged, frame.integration_s, frame.temperature_c, &mut get).is_err());
        }

        /// Identity: a forged way of predicting is an error, never a panic.
        #[test]
        fn a_forged_prediction_never_panics(junk in prop::collection::vec(any::<u8>(), 0..80), keep in 0..12usize) {
            let (frame, basis) = patterned();
            let mut coded = encode_with(&frame, &basis, true).unwrap();
            prop_assert_eq!(coded.detail[0], PREDICTED);
            let how = encode(&frame).unwrap().detail.len() - 4;
            coded.detail.truncate(how + keep);
            coded.detail.extend(junk);
            coded.detail.extend(crc32fast::hash(&coded.detail).to_le_bytes());
            let mut get = |_| Ok(basis.all().next().unwrap().fresh.numbers.clone());
            if let Ok(same) = decode_with(&coded, frame.integration_s, frame.temperature_c, &mut get) {
                prop_assert_eq!(same.sums, frame.sums);
            }
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

    /// A frame that is nearly a pattern, and the pattern.
    fn patterned() -> (Frame, Basis) {
        let offset: Vec<i32> = (0..500_i32).map(|i| 16 * (1200 + (i * i * 37) % 61)).collect();
        let frame = Frame {
            integration_s: 0.1,
            shutter: Shutter::Closed,
            temperature_c: None,
            stamps: vec![Stamp { start: UtcMicros(0), crc32: 1 }; 2],
            sums: (0u32..).zip(&offset).map(|(i, o)| *o as u32 / 8 + i * 7 % 5).collect(),
            clipped: PixelRanges::default(),
            spread: 0.0,
        };
        let mut basis = Basis::default();
        let fresh = Fresh { role: Role::Dark, integration_s: 0.1, numbers: offset.into() };
        basis.put(Pattern { id: 41, fresh });
        (frame, basis)
    }

    /// Identity: a frame that needs a pattern says which, and a wrong pattern is an error; it is shorter than by itself.
    #[test]
    fn a_missing_or_wrong_pattern_is_an_error() {
        let (frame, basis) = patterned();
        let coded = encode_with(&frame, &basis, true).unwrap();
        assert!(coded.len() < encode(&frame).unwrap().len() * 2 / 3, "{} bytes", coded.len());
        let why = decode(&coded, 0.1, None).unwrap_err().to_string();
        assert_eq!(why, "expected a frame that was coded by itself, but found one that needs pattern 41");
        let mut other = |_| Ok(vec![5; 500].into());
        let why = decode_with(&coded, 0.1, None, &mut other).unwrap_err().to_string();
        assert!(why.starts_with("expected sums with checksum"), "{why}");
        let mut short = |_| Ok(vec![5; 499].into());
        let why = decode_with(&coded, 0.1, None, &mut short).unwrap_err().to_string();
        assert_eq!(why, "expected pattern 41 of 500 pixels, but found 499");
    }

    /// Regression: frames written when each form was new are read as they were, with the patterns of then.
    #[test]
    fn frames_of_both_forms_stay_readable() {
        let dark: Vec<i32> = (0..40_i32).map(|i| 16 * (1200 + (i * i * 37) % 61)).collect();
        let light: Vec<i32> = (0..40_i32).map(|i| 160 * (200 + (i * 29) % 97)).collect();
        let sum = |(i, (d, l)): (u32, (&i32, &i32))| (d / 8 + l / 8 * 3) as u32 + i * i * 7919 % 257;
        let mut sums: Vec<u32> = (0..).zip(dark.iter().zip(&light)).map(sum).collect();
        sums[20..30].fill(30_000);
        let stamp =
            |k: u32| Stamp { start: UtcMicros(1_782_043_200_000_000 + i64::from(k) * 500_000), crc32: 0xdead_0000 + k };
        let frame = Frame {
            integration_s: 0.1,
            shutter: Shutter::Open,
            temperature_c: None,
            stamps: vec![stamp(0), stamp(1)],
            sums,
            clipped: PixelRanges(vec![(20, 29)]),
            spread: 0.25,
        };
        let bytes = |hex: &str| -> Vec<u8> {
            (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap()).collect()
        };
        let by_itself = (
            "01000000803e2876c00a66020010e943c2540600000000addec0843d0100adde0114090079121b",
            "70636f210300050a04010127000010610400e74dfbffaf7100000000012fbd00003011ce0f00001d40380000f2\
             68aa8e30f57d9a94e50200a0073eb83aefa4890d31d652658dc494b81e059057edc23c2401004ffd352f9eba4b\
             0d523b7a0500",
        );
        let told = (
            "02000000803e280432c44f020010e943c2540600000000addec0843d0100adde011409b0ea01011409bb200229\
             dee301ac0282870300cb70be01e40300568c3fe6",
            "858d879f7982d6ffc1dd74f322d3bd091d4eb0561aba2a70636f210300840704010a1d00000024007000018201\
             aa98395d123f0424c0803500",
        );
        for (detail, sums) in [by_itself, told] {
            let coded = Coded { detail: bytes(detail), sums: bytes(sums), crc32: 0x8a13_4ba0 };
            let mut pattern = |id| Ok(if id == 41 { &dark } else { &light }.clone().into());
            assert_eq!(decode_with(&coded, 0.1, None, &mut pattern).unwrap(), frame);
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
