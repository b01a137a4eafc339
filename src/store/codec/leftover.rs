//! What is left of a frame beside its prediction, as bytes: the noise of every pixel in its own measure.
//!
//! Bright pixels are noisier than dark ones, so one set of bins for all of them would suit none. Of what is left, as
//! 0, 1, 2, 3, 4 … for 0, −1, 1, −2, 2 …, those low bits are set apart that are noise alone; how many, *k*, follows from what the pixel
//! is predicted to read:
//!
//! ```text
//! v = quiet + (gain · (predicted − base, at least 0) >> 8)        k = (number of binary digits of v) / 2, at most 31
//! ```
//!
//! The low bits stand first, pixel by pixel, lowest bit of the lowest byte first, filled up to a whole byte; behind them is one
//! standalone `pco` file of what is above them (u8). 255 there means 255 or more: by how much more stands apart. What must stay true:
//! integer arithmetic only; whatever is read is checked, and a poor guess of the noise costs room, never a number.

use super::{CodecError, wrong};
use crate::spectrum::wide;
use pco::standalone::simple_compress;
use pco::{ChunkConfig, DeltaSpec, ModeSpec};

/// The noise that is expected.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Noise {
    /// What a pixel without signal is predicted to read [counts].
    pub base: u32,
    /// Its `v` [counts²].
    pub quiet: u32,
    /// How `v` grows with the signal [1/256 count].
    pub gain: u32,
}

#[inline(always)]
fn digits(v: u64) -> u32 {
    u64::BITS - v.leading_zeros()
}

impl Noise {
    /// How many low bits of a pixel are noise alone.
    #[inline(always)]
    fn low_bits(self, predicted: u32) -> u32 {
        let above = u64::from(predicted.saturating_sub(self.base));
        // The product is below 2^64, and its share below 2^56.
        let v = u64::from(self.quiet) + ((u64::from(self.gain) * above) >> 8);
        (digits(v) / 2).min(31)
    }

    /// The noise that what is left shows.
    ///
    /// Pixels are put in classes by the binary digits of their signal; a straight line through the variances of the classes,
    /// as their mean deviation states them, is quiet and gain.
    pub fn seen(left: &[u32], predicted: &[u32]) -> Self {
        let base = predicted.iter().copied().min().unwrap_or(0);
        let mut classes = [(0_u64, 0_u64, 0_u64); 33];
        for (left, predicted) in left.iter().zip(predicted) {
            let above = u64::from(predicted - base);
            let (n, signal, deviation) = &mut classes[digits(above) as usize];
            *n += 1;
            *signal += above;
            *deviation += u64::from(*left);
        }
        let [mut n, mut x, mut xx, mut y, mut xy] = [0.0; 5];
        for (count, signal, deviation) in classes.into_iter().filter(|c| c.0 > 0) {
            let count = count as f64;
            let signal = signal as f64 / count;
            // What is left is twice the deviation; that of a normal distribution is √(2/π) of its standard deviation on average.
            let variance = (0.5 * deviation as f64 / count).powi(2) * std::f64::consts::FRAC_PI_2 + 0.25;
            let weight = count / (variance * variance);
            n += weight;
            x += weight * signal;
            xx += weight * signal * signal;
            y += weight * variance;
            xy += weight * signal * variance;
        }
        let flat = (y / n, 0.0);
        let slope = (n * xy - x * y) / (n * xx - x * x);
        let level = (y - slope * x) / n;
        let (quiet, gain) = if slope > 0.0 && level > 0.0 {
            (level, slope)
        } else if slope > 0.0 {
            (0.0, xy / xx)
        } else {
            flat
        };
        // Conversion cuts what is out of range and makes nothing of what is not a number.
        Self { base, quiet: quiet as u32, gain: (256.0 * gain) as u32 }
    }
}

/// What is left of sums: 0, 1, 2, 3, 4 … for 0, −1, 1, −2, 2 …, wrapping at 32 bits.
pub fn left(sums: &[u32], predicted: &[u32]) -> Vec<u32> {
    let zigzag = |(sum, predicted): (&u32, &u32)| {
        let left = sum.wrapping_sub(*predicted) as i32;
        ((left << 1) ^ (left >> 31)) as u32
    };
    sums.iter().zip(predicted).map(zigzag).collect()
}

/// Undoes [`left`]: makes what is left into sums.
pub fn put_back(left: &mut [u32], predicted: &[u32]) {
    for (left, predicted) in left.iter_mut().zip(predicted) {
        *left = predicted.wrapping_add((*left >> 1) ^ (*left & 1).wrapping_neg());
    }
}

/// Codes what is left of pixels; also by how much those at 255 are above it.
pub fn write(noise: Noise, left: &[u32], predicted: &[u32]) -> Result<(Vec<u8>, Vec<u32>), CodecError> {
    let mut out = Vec::with_capacity(2 * left.len());
    let (mut high, mut over) = (Vec::with_capacity(left.len()), Vec::new());
    let (mut waiting, mut held) = (0_u64, 0);
    let low_bits = wide::run(LowBits { noise, predicted });
    for (left, bits) in left.iter().zip(low_bits) {
        waiting |= u64::from(left & ((1 << bits) - 1)) << held;
        held += bits;
        if held >= 32 {
            out.extend((waiting as u32).to_le_bytes());
            waiting >>= 32;
            held -= 32;
        }
        let above = left >> bits;
        high.push(above.min(255) as u8);
        if above >= 255 {
            over.push(above - 255);
        }
    }
    out.extend(&waiting.to_le_bytes()[..held.div_ceil(8) as usize]);
    let settings = ChunkConfig::default()
        .with_mode_spec(ModeSpec::Classic)
        .with_delta_spec(DeltaSpec::NoOp)
        .with_enable_8_bit(true);
    let high = simple_compress(&high, &settings)
        .map_err(|e| CodecError { expected: "numbers that can be coded".into(), found: e.to_string() })?;
    out.extend(high);
    Ok((out, over))
}

/// Undoes [`write`].
pub fn read(noise: Noise, coded: &[u8], over: &[u32], predicted: &[u32]) -> Result<Vec<u32>, CodecError> {
    let bits = wide::run(LowBits { noise, predicted });
    let bytes = bits.iter().map(|b| *b as usize).sum::<usize>().div_ceil(8);
    let Some((low, high)) = coded.split_at_checked(bytes) else {
        return wrong(format!("{bytes} bytes of low bits"), coded.len());
    };
    let mut above = vec![0_u8; predicted.len()];
    super::decompress(high, &mut above)?;
    let mut left = wide::run(Together { low, above: &above, bits: &bits });
    let highest = above.iter().enumerate().filter(|(_, above)| **above == 255).map(|(at, _)| at);
    if highest.clone().count() != over.len() {
        return wrong(format!("{} pixels at 255", over.len()), highest.count());
    }
    for (at, more) in highest.zip(over) {
        left[at] = left[at].wrapping_add(more << bits[at]);
    }
    Ok(left)
}

/// How many low bits of each pixel are noise alone.
struct LowBits<'a> {
    noise: Noise,
    predicted: &'a [u32],
}

impl wide::Loops for LowBits<'_> {
    type Output = Vec<u32>;

    #[inline(always)]
    fn call(self) -> Vec<u32> {
        let mut bits = vec![0; self.predicted.len()];
        bits.iter_mut().zip(self.predicted).for_each(|(bits, p)| *bits = self.noise.low_bits(*p));
        bits
    }
}

/// Low bits with what is above them.
struct Together<'a> {
    low: &'a [u8],
    above: &'a [u8],
    bits: &'a [u32],
}

impl wide::Loops for Together<'_> {
    type Output = Vec<u32>;

    #[inline(always)]
    fn call(self) -> Vec<u32> {
        // Eight bytes can be taken anywhere: a pixel's bits are in them wherever they begin.
        let mut low = Vec::with_capacity(self.low.len() + 8);
        low.extend_from_slice(self.low);
        low.extend([0; 8]);
        let mut left = vec![0; self.above.len()];
        let mut at = 0;
        for ((left, above), bits) in left.iter_mut().zip(self.above).zip(self.bits) {
            let word =
                low.get(at / 8..).and_then(|rest| rest.first_chunk()).map_or(0, |word| u64::from_le_bytes(*word));
            *left = u32::from(*above) << bits | ((word >> (at % 8)) as u32 & ((1 << bits) - 1));
            at += *bits as usize;
        }
        left
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Identity: whatever is left comes back, however badly its noise is guessed; cut short it is an error.
        #[test]
        fn what_is_left_comes_back(
            numbers in prop::collection::vec((any::<u32>(), any::<u32>(), 0..32_u32), 0..300),
            (base, quiet, gain) in any::<(u32, u32, u32)>(), guess in any::<bool>(), cut in any::<prop::sample::Index>(),
        ) {
            let sums: Vec<u32> = numbers.iter().map(|n| n.0 >> n.2).collect();
            let predicted: Vec<u32> = numbers.iter().map(|n| n.1 >> n.2).collect();
            let rest = left(&sums, &predicted);
            let noise = if guess { Noise { base, quiet, gain } } else { Noise::seen(&rest, &predicted) };
            let (coded, over) = write(noise, &rest, &predicted).unwrap();
            let mut again = read(noise, &coded, &over, &predicted).unwrap();
            prop_assert_eq!(&again, &rest);
            put_back(&mut again, &predicted);
            prop_assert_eq!(again, sums);
            prop_assert!(read(noise, &coded[..cut.index(coded.len())], &over, &predicted).is_err());
        }
    }

    /// Independent: the rule worked out by hand.
    #[test]
    fn low_bits_follow_the_stated_rule() {
        let noise = Noise { base: 100, quiet: 3, gain: 512 };
        // v is 3, 3, 5, 63, 65 and 2·(2^32 − 101) + 3: 2, 2, 3, 6, 7 and 33 digits.
        let bits = [0, 100, 101, 130, 131, u32::MAX].map(|p| noise.low_bits(p));
        assert_eq!(bits, [1, 1, 1, 3, 3, 16]);
        let most = Noise { base: 0, quiet: u32::MAX, gain: u32::MAX };
        assert_eq!(most.low_bits(u32::MAX), 28);
        // −5 is 9: its low bit 1, above it 4; the byte before the codec's file holds the bits of all three pixels.
        let (coded, over) = write(noise, &left(&[95, 100, 2100], &[100; 3]), &[100; 3]).unwrap();
        assert_eq!((coded[0], &over[..]), (0b001, &[2000 - 255][..]));
    }

    /// Independent: the noise of made numbers is found, bright and dark.
    #[test]
    fn noise_is_seen() {
        let predicted: Vec<u32> = (0..4000).map(|i| 500 + (i % 40) * 1000).collect();
        // Even deviations up to a·σ have the mean a·σ/2, which a normal distribution has at a = 2·√(2/π).
        let sums: Vec<u32> = (0..4000_u32)
            .map(|i| {
                let sigma = (400.0 + 0.5 * f64::from(predicted[i as usize] - 500)).sqrt();
                let even = f64::from(i.wrapping_mul(2_654_435_761) >> 8) / f64::from(1 << 23) - 1.0;
                (f64::from(predicted[i as usize]) + 1.596 * sigma * even).round() as u32
            })
            .collect();
        let noise = Noise::seen(&left(&sums, &predicted), &predicted);
        assert_eq!(noise.base, 500);
        assert!((320..480).contains(&noise.quiet), "{noise:?}");
        assert!((115..141).contains(&noise.gain), "{noise:?}");
    }
}
