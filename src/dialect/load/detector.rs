//! Reads `[detector]`.

use crate::dialect::{DetectorRules, ShutterRule};
use crate::document::{Range, Section};

/// Largest number of values of a frame: stored pixel numbers have 16 bits.
const MAX_VALUES: f64 = 65_536.0;

pub(super) fn read_detector(s: &Section) -> Option<DetectorRules> {
    let values = optional_integer(s, "values", Range::between(1.0, MAX_VALUES, "values"));
    let pixels = ranges(s, "pixels", true).unwrap_or_default();
    let shielded = ranges(s, "shielded", false);
    let bit_depth = optional_integer(s, "bit_depth", Range::between(1.0, 32.0, "bits"));
    let full_scale = optional_integer(s, "full_scale", Range::between(1.0, f64::from(u32::MAX), "counts"));
    let full_scale = full_scale.or_else(|| bit_depth.map(|bits| u32::MAX >> (32 - bits)));
    let limit = |key| s.optional_number(key, Range::above(0.0, "ms").up_to(86_400_000.0)).map(|ms| ms * 1e-3);
    let integration_s = (limit("integration_min_ms"), limit("integration_max_ms"));
    if let (Some(min), Some(max)) = integration_s
        && min > max
    {
        s.refuse("integration_min_ms", "at most integration_max_ms");
    }
    let step = s.number("integration_step_ms", Some(0.0), Range::between(0.0, 1000.0, "ms"));
    let shutter = s.parse_with("shutter", Some("yes"), "`yes`, `no` or `detect`", |text| match text {
        "yes" => Some(ShutterRule::Yes),
        "no" => Some(ShutterRule::No),
        "detect" => Some(ShutterRule::Detect),
        _ => None,
    });
    let frame_lag = s.integer("frame_lag", Some(0), Range::between(0.0, 10.0, "frames"));
    let period = s.number("frame_period_ms", Some(0.0), Range::between(0.0, 60_000.0, "ms"));
    let sum_of = s.integer("sum_of", Some(1), Range::between(1.0, 4096.0, "exposures"));
    let mean_of = s.integer("mean_of", Some(1), Range::between(1.0, 4096.0, "exposures"));
    if sum_of.is_some_and(|n| n > 1) && mean_of.is_some_and(|n| n > 1) {
        s.refuse("mean_of", "only one of sum_of and mean_of");
    }
    s.close();
    Some(DetectorRules {
        values: values.map(|n| n as usize),
        pixels,
        shielded,
        full_scale,
        integration_s,
        integration_step_s: step? * 1e-3,
        shutter: shutter?,
        frame_lag: frame_lag?,
        frame_period_s: period? * 1e-3,
        sum_of: sum_of?,
        mean_of: mean_of?,
    })
}

fn optional_integer(s: &Section, key: &'static str, range: Range) -> Option<u32> {
    if s.has(key) {
        return s.integer(key, None, range);
    }
    s.ignore(key);
    None
}

/// A list of texts `first-last` or `position`.
fn ranges(s: &Section, key: &'static str, may_descend: bool) -> Option<Vec<(u16, u16)>> {
    let order = if may_descend { "in any order" } else { "with the first below the last" };
    let rule = format!("a list of ranges such as \"8-519\", positions from 0 to 65535, {order}");
    if !s.has(key) {
        s.ignore(key);
        return None;
    }
    let texts = s.texts(key, true, &rule)?;
    let range = |text: &String| -> Option<(u16, u16)> {
        let (first, last) = text.split_once('-').unwrap_or((text, text));
        let range = (first.trim().parse().ok()?, last.trim().parse().ok()?);
        (may_descend || range.0 <= range.1).then_some(range)
    };
    let ranges: Option<Vec<_>> = texts.iter().map(range).collect();
    if ranges.is_none() {
        s.refuse(key, rule);
    }
    ranges
}
