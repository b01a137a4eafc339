//! The spectrum of lamps as the detector sees it, and its stored form.

use crate::clock::UtcMicros;

/// Light of lamps alone.
///
/// Kept as count rates rather than irradiance, so that another calibration can be applied to it as to any reading.
#[derive(Clone, Debug, PartialEq)]
pub struct LampShape {
    /// When it was seen.
    pub seen: UtcMicros,
    /// Rate of every pixel, dark and stray-light floor subtracted [counts/s].
    pub rate: Vec<f32>,
}

/// What is written as JSON.
#[derive(serde::Serialize, serde::Deserialize)]
struct Head {
    pixels: usize,
    seen: Vec<UtcMicros>,
}

/// The stored form of the shapes of one detector: a line of JSON, then the rates as little-endian `f32`, shape by shape.
pub fn encode(shapes: &[LampShape]) -> Vec<u8> {
    let pixels = shapes.first().map_or(0, |s| s.rate.len());
    let head = Head { pixels, seen: shapes.iter().map(|s| s.seen).collect() };
    // Plain numbers always become JSON; an empty line would be refused by `decode`.
    let mut bytes = serde_json::to_vec(&head).unwrap_or_default();
    bytes.push(b'\n');
    bytes.extend(shapes.iter().flat_map(|s| &s.rate).flat_map(|x| x.to_le_bytes()));
    bytes
}

/// From the bytes of [`encode`].
pub fn decode(bytes: &[u8]) -> Result<Vec<LampShape>, String> {
    let line = bytes.iter().position(|b| *b == b'\n').ok_or("expected a line of JSON, but found no end of it")?;
    let Head { pixels, seen } =
        serde_json::from_slice(&bytes[..line]).map_err(|why| format!("expected shapes of lamps, but found {why}"))?;
    let (numbers, rest) = bytes[line + 1..].as_chunks::<4>();
    if !rest.is_empty() || pixels.checked_mul(seen.len()) != Some(numbers.len()) {
        let found = bytes.len() - line - 1;
        let shapes = seen.len();
        return Err(format!("expected {shapes} shapes of {pixels} pixels, 4 bytes each, but found {found} bytes"));
    }
    let rate = |k: usize| numbers[k * pixels..(k + 1) * pixels].iter().map(|b| f32::from_le_bytes(*b)).collect();
    Ok(seen.into_iter().enumerate().map(|(k, seen)| LampShape { seen, rate: rate(k) }).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: what was stored is read back, bit by bit; a damaged form is refused with what was expected.
    #[test]
    fn shapes_are_read_back_as_stored() {
        let shape =
            |seen: i64, first: f32| LampShape { seen: UtcMicros(seen), rate: vec![first, -0.25, f32::MIN_POSITIVE] };
        let shapes = [shape(1, 7.5), shape(2, 1e9)];
        let stored = encode(&shapes);
        assert_eq!(decode(&stored).unwrap(), shapes);
        assert_eq!(decode(&encode(&[])).unwrap(), []);
        let short = decode(&stored[..stored.len() - 4]).unwrap_err();
        assert_eq!(short, "expected 2 shapes of 3 pixels, 4 bytes each, but found 20 bytes");
        assert!(decode(b"{}\n").unwrap_err().starts_with("expected shapes of lamps, but found missing field"));
        assert!(decode(b"").unwrap_err().starts_with("expected a line of JSON"));
    }
}
