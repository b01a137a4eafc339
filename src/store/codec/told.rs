//! Sums that are told by patterns, form 2: how they are predicted, and what is left of them.
//!
//! How they are predicted stands in the detail block, numbers as there: plausibility_limit *v*, number of full ranges *v*, for each the gap from
//! the last one's end *v* and its length − 1 *v*, constant *z*, number of whole patterns *v*, for each its row *v* and factor *z*, row of
//! the varying pattern *v* (0 for none) and, where there is one, its factors at the knots, each less the one before, *z*; then base,
//! quiet and gain of the noise *v*, number of pixels over 255 *v* and by how much each is *v*. Pixels of full ranges read the plausibility_limit; the
//! others are predicted ([`prediction`]), and what is left of them is coded in their order ([`leftover`]).
//!
//! What must stay true: whatever the numbers are, reading is an error or sums of the stated size.

use super::learning::{Basis, Numbers};
use super::leftover::{self, Noise};
use super::prediction::{self, Correlation};
use super::{CodecError, Coded, Input, PREDICTED, put, put_ranges, wrapped, wrong, zigzag};
use crate::record::{Frame, PixelRanges};
use std::ops::Range;

/// How a frame of form 2 is told.
pub(super) struct How {
    mixture: Correlation,
    full: PixelRanges,
    whole: Vec<i64>,
    varying: Option<i64>,
    noise: Noise,
    over: Vec<u32>,
}

/// A frame coded beside the patterns that fit it; `None` where there are none.
pub(super) fn write(frame: &Frame, basis: &Basis, dark: bool) -> Result<Option<Coded>, CodecError> {
    let offered = basis.of(frame, dark);
    if offered.patterns.is_empty() {
        return Ok(None);
    }
    let (sums, pixels) = (&frame.sums, frame.sums.len());
    let numbers: Vec<&[i32]> = offered.patterns.iter().map(|p| &*p.fresh.numbers).collect();
    let full = full_ranges(sums);
    let coded_here = between(&full, pixels);
    let mut seen = vec![false; pixels];
    coded_here.iter().for_each(|piece| seen[piece.clone()].fill(true));
    // What clips in some of the exposures is no measure.
    seen.iter_mut().zip(frame.clipped.to_mask(pixels)).for_each(|(seen, clipped)| *seen &= !clipped);
    let fitted = prediction::fit(sums, &seen, frame.exposures(), &numbers, offered.darks, offered.varying);
    let Some(fitted) = fitted else { return Ok(None) };
    let whole: Vec<&[i32]> = fitted.whole.iter().map(|at| numbers[*at]).collect();
    let predicted = prediction::predict(&fitted.mixture, pixels, &whole, fitted.varying.map(|at| numbers[at]));
    let predicted = taken(&predicted, &coded_here);
    let left = leftover::left(&taken(sums, &coded_here), &predicted);
    let noise = Noise::seen(&left, &predicted);
    let (coded, over) = leftover::write(noise, &left, &predicted)?;
    let mut how = Vec::new();
    let id = |at: &usize| offered.patterns[*at].id as u64;
    let mixture = &fitted.mixture;
    put(&mut how, u64::from(mixture.plausibility_limit));
    put_ranges(&mut how, &full)?;
    put(&mut how, zigzag(mixture.constant));
    put(&mut how, fitted.whole.len() as u64);
    for (at, factor) in fitted.whole.iter().zip(&mixture.whole) {
        put(&mut how, id(at));
        put(&mut how, zigzag(*factor));
    }
    put(&mut how, fitted.varying.as_ref().map_or(0, id));
    let mut before = 0;
    for knot in &mixture.knots {
        put(&mut how, zigzag(knot.wrapping_sub(before)));
        before = *knot;
    }
    [noise.base, noise.quiet, noise.gain].into_iter().for_each(|n| put(&mut how, n.into()));
    put(&mut how, over.len() as u64);
    over.iter().for_each(|o| put(&mut how, u64::from(*o)));
    wrapped(frame, coded, PREDICTED, &how).map(Some)
}

/// Reads how a frame of so many pixels is told.
pub(super) fn how(input: &mut Input<'_>, pixels: usize) -> Result<How, CodecError> {
    let mut mixture = Correlation { plausibility_limit: input.u32()?, ..Correlation::default() };
    let full = input.ranges()?;
    mixture.constant = input.signed()?;
    let mut whole = Vec::new();
    for _ in 0..input.count(prediction::MAX_WHOLE, "whole patterns")? {
        whole.push(input.number()? as i64);
        mixture.whole.push(input.signed()?);
    }
    let varying = Some(input.number()? as i64).filter(|id| *id != 0);
    if varying.is_some() {
        let mut knot = 0_i64;
        for _ in 0..prediction::knots(pixels) {
            knot = knot.wrapping_add(input.signed()?);
            mixture.knots.push(knot);
        }
    }
    let noise = Noise { base: input.u32()?, quiet: input.u32()?, gain: input.u32()? };
    let mut over = Vec::new();
    for _ in 0..input.count(pixels, "pixels above 255")? {
        over.push(input.u32()?);
    }
    Ok(How { mixture, full, whole, varying, noise, over })
}

/// The sums of a frame of form 2.
pub(super) fn read(
    how: &How,
    coded: &[u8],
    pixels: usize,
    patterns: &mut dyn FnMut(i64) -> Result<Numbers, CodecError>,
) -> Result<Vec<u32>, CodecError> {
    let get = |id: &i64| -> Result<Numbers, CodecError> {
        let numbers = patterns(*id)?;
        if numbers.len() != pixels {
            return wrong(format!("pattern {id} of {pixels} pixels"), numbers.len());
        }
        Ok(numbers)
    };
    let mut kept: Vec<Numbers> = how.whole.iter().chain(&how.varying).map(get).collect::<Result<_, _>>()?;
    let varying = if how.varying.is_some() { kept.pop() } else { None };
    let whole: Vec<&[i32]> = kept.iter().map(|k| &**k).collect();
    let predicted = prediction::predict(&how.mixture, pixels, &whole, varying.as_deref());
    let coded_here = between(&how.full, pixels);
    let predicted = taken(&predicted, &coded_here);
    let mut left = leftover::read(how.noise, coded, &how.over, &predicted)?;
    leftover::put_back(&mut left, &predicted);
    let mut sums = vec![how.mixture.plausibility_limit; pixels];
    let mut left = &left[..];
    for piece in coded_here {
        let (here, rest) = left.split_at(piece.len());
        sums[piece].copy_from_slice(here);
        left = rest;
    }
    Ok(sums)
}

/// Where several pixels in a row read the most any does: that is told by their numbers.
fn full_ranges(sums: &[u32]) -> PixelRanges {
    const SOME: u16 = 6;
    let most = sums.iter().max();
    let full: Vec<bool> = sums.iter().map(|s| Some(s) == most).collect();
    let mut full = PixelRanges::from_mask(&full);
    full.0.retain(|(first, last)| last - first >= SOME);
    full
}

/// The stretches of pixels between ranges, in their order; what lies beyond the last pixel is left out.
fn between(ranges: &PixelRanges, pixels: usize) -> Vec<Range<usize>> {
    let mut begin = 0;
    let mut pieces = Vec::with_capacity(ranges.0.len() + 1);
    for &(first, last) in &ranges.0 {
        pieces.push(begin..usize::from(first).min(pixels).max(begin));
        begin = (usize::from(last) + 1).min(pixels).max(begin);
    }
    pieces.push(begin..pixels);
    pieces
}

/// What stands in some stretches, end to end.
fn taken(numbers: &[u32], pieces: &[Range<usize>]) -> Vec<u32> {
    let mut all = Vec::with_capacity(numbers.len());
    pieces.iter().for_each(|piece| all.extend_from_slice(&numbers[piece.clone()]));
    all
}
