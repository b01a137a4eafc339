//! Ranges of the values that an instrument reports. Pure.

use crate::dialect::malformed::{Malformed, malformed};
use crate::dialect::values::{Value, Values};
use crate::record::PixelRanges;

/// Largest accepted number of pixels: stored pixel numbers have 16 bits.
pub const MAX_PIXELS: usize = 65_536;

fn shown(values: &Values, name: &str) -> String {
    values.get(name).map_or("nothing".into(), |value| format!("`{value}`"))
}

/// An integer from `low` to `high`.
pub fn whole(values: &Values, name: &str, low: u32, high: u32) -> Result<u32, Malformed> {
    match values.number(name) {
        // In this range every integral f64 is exactly a u32.
        Some(x) if x >= f64::from(low) && x <= f64::from(high) && x.fract() == 0.0 => Ok(x as u32),
        _ => malformed(format!("{name}, an integer from {low} to {high}"), shown(values, name)),
    }
}

/// A duration above 0, up to a day [s].
pub fn seconds(values: &Values, name: &str) -> Result<f64, Malformed> {
    match values.number(name) {
        Some(s) if s > 0.0 && s <= 86_400.0 => Ok(s),
        _ => malformed(format!("{name}, a time above 0 s and up to a day"), shown(values, name)),
    }
}

/// A temperature [°C], −100 to 200; `None` where the instrument states that it has none.
pub fn temperature(values: &Values) -> Result<Option<f64>, Malformed> {
    match values.get("temperature") {
        Some(Value::Absent) => Ok(None),
        Some(Value::Number(t)) if (-100.0..=200.0).contains(t) => Ok(Some(*t)),
        _ => malformed("a temperature from -100 to 200 °C", shown(values, "temperature")),
    }
}

/// The shielded pixels, `first,last[,first,last…]`, or no value for none.
pub fn shielded(values: &Values, pixels: usize) -> Result<PixelRanges, Malformed> {
    let text = match values.get("shielded") {
        None | Some(Value::Absent) => return Ok(PixelRanges::default()),
        Some(value) => value.to_string(),
    };
    let refused = || -> Result<PixelRanges, Malformed> {
        malformed("pairs of first and last shielded pixel", format!("`{text}`"))
    };
    let last_pixel = pixels.clamp(1, MAX_PIXELS) - 1;
    let mut mask = vec![false; last_pixel + 1];
    let ends: Option<Vec<usize>> =
        text.split(',').map(|f| f.trim().parse().ok().filter(|n| *n <= last_pixel)).collect();
    let Some(ends) = ends else { return refused() };
    for pair in ends.chunks(2) {
        match *pair {
            [first, last] if first <= last => mask[first..=last].fill(true),
            _ => return refused(),
        }
    }
    Ok(PixelRanges::from_mask(&mask))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(name: &str, value: f64) -> Values {
        Values::default().with(name, Value::Number(value))
    }

    #[test]
    fn values_out_of_their_range_are_refused() {
        assert_eq!(whole(&of("pixels", 2048.0), "pixels", 1, 65_536), Ok(2048));
        assert_eq!(whole(&of("x", 4_294_967_295.0), "x", 0, u32::MAX), Ok(u32::MAX));
        for bad in [0.0, 65_537.0, 1.5, -1.0, f64::NAN] {
            assert!(whole(&of("x", bad), "x", 1, 65_536).is_err(), "{bad}");
        }
        for bad in [0.0, -1.0, 86_401.0, f64::NAN] {
            assert!(seconds(&of("x", bad), "x").is_err(), "{bad}");
        }
        assert_eq!(temperature(&of("temperature", -12.5)), Ok(Some(-12.5)));
        assert_eq!(temperature(&Values::default().with("temperature", Value::Absent)), Ok(None));
        for bad in [201.0, -101.0, 1e6, f64::NAN] {
            assert!(temperature(&of("temperature", bad)).is_err(), "{bad}");
        }
        assert!(temperature(&Values::default()).unwrap_err().found.contains("nothing"));
    }

    /// Shielded pixels are pairs within the detector.
    #[test]
    fn shielded_pixels_are_pairs_inside_the_detector() {
        let text = |text: &str| Values::default().with("shielded", Value::Text(text.into()));
        assert_eq!(shielded(&Values::default(), 16), Ok(PixelRanges::default()));
        assert_eq!(shielded(&text("0,3,14,15"), 16), Ok(PixelRanges(vec![(0, 3), (14, 15)])));
        for bad in ["", "1", "3,1", "0,16", "0,1,2", "a,b"] {
            assert!(shielded(&text(bad), 16).is_err(), "{bad}");
        }
    }
}
