//! Units of what calibration certificates state, with their dimensions: parsed, checked and converted.
//!
//! Understands counts, joule, watt, second, metre and nanometre of wavelength with decimal prefixes, products, quotients and integer
//! exponents: `counts/s per W m-2 nm-1`, `µJ/count`, `W/m²/nm`, `uW cm-2 nm-1`. Pure. `nm` is always a wavelength, so that a
//! spectral quantity cannot be taken for a length.

use std::fmt;

/// Exponents of counts, joule, second, metre and nanometre of wavelength.
pub type Dimensions = [i8; 5];

/// An irradiance per wavelength, W m⁻² nm⁻¹.
pub const SPECTRAL_IRRADIANCE: Dimensions = [0, 1, -1, -2, -1];
/// An area, m².
pub const AREA: Dimensions = [0, 0, 0, 2, 0];
/// A time, s.
pub const TIME: Dimensions = [0, 0, 1, 0, 0];
/// A rate of counts for an irradiance per wavelength, counts s⁻¹ / (W m⁻² nm⁻¹).
pub const RESPONSE: Dimensions = [1, -1, 0, 2, 1];
/// Counts for an irradiance per wavelength at a stated integration time.
pub const COUNTS_PER_IRRADIANCE: Dimensions = [1, -1, 1, 2, 1];
/// Energy for one count, J.
pub const ENERGY_PER_COUNT: Dimensions = [-1, 1, 0, 0, 0];

/// A unit: its size in counts, J, s, m and nm, and its dimensions.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Unit {
    /// Size in the base units.
    pub factor: f64,
    /// Exponents of the base units.
    pub dimensions: Dimensions,
}

impl Unit {
    const ONE: Self = Self { factor: 1.0, dimensions: [0; 5] };

    fn times(self, other: Self, exponent: i8) -> Self {
        let mut dimensions = self.dimensions;
        for (mine, theirs) in dimensions.iter_mut().zip(other.dimensions) {
            *mine = mine.saturating_add(theirs.saturating_mul(exponent));
        }
        Self { factor: self.factor * other.factor.powi(i32::from(exponent)), dimensions }
    }

    /// 1 over this unit.
    pub fn inverse(self) -> Self {
        Self::ONE.times(self, -1)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let names = ["counts", "J", "s", "m", "nm"];
        let parts = names.iter().zip(self.dimensions).filter(|(_, exponent)| *exponent != 0);
        let parts: Vec<String> = parts
            .map(|(name, exponent)| if exponent == 1 { (*name).to_owned() } else { format!("{name}{exponent}") })
            .collect();
        if parts.is_empty() { f.write_str("a plain number") } else { f.write_str(&parts.join(" ")) }
    }
}

/// Parses a unit; the error is a sentence.
pub fn parse(text: &str) -> Result<Unit, String> {
    let parts: Vec<&str> = text.split(" per ").collect();
    match parts[..] {
        [unit] => product(unit),
        [above, below] => Ok(product(above)?.times(product(below)?, -1)),
        _ => Err(format!("expected `per` at most once in a unit, but found `{text}`")),
    }
}

/// Parses a number with its unit, e.g. `7.07 mm2`; the unit has to have these dimensions. Returns the value in base units.
pub fn quantity(text: &str, dimensions: Dimensions, example: &str) -> Result<f64, String> {
    let text = text.trim();
    let end = text.find(|c: char| c.is_whitespace()).unwrap_or(text.len());
    let expected = || format!("expected a positive number with its unit, such as `{example}`");
    let number: f64 = text[..end].parse().map_err(|_| expected())?;
    let unit = parse(text[end..].trim())?;
    let valid = number > 0.0 && number.is_finite() && unit.dimensions == dimensions;
    if valid { Ok(number * unit.factor) } else { Err(expected()) }
}

/// Factors separated by blanks, `*` or `·`; `/` divides by the next factor or group in parentheses.
fn product(text: &str) -> Result<Unit, String> {
    let mut unit = Unit::ONE;
    let (mut exponent, mut rest) = (1, text.trim());
    while !rest.is_empty() {
        if let Some(after) = rest.strip_prefix('/') {
            (exponent, rest) = (-1, after.trim_start());
            continue;
        }
        if let Some(after) = rest.strip_prefix(['*', '·']) {
            rest = after.trim_start();
            continue;
        }
        if let Some(after) = rest.strip_prefix('(') {
            let end = after.find(')').ok_or_else(|| format!("expected `)` in the unit `{text}`"))?;
            unit = unit.times(product(&after[..end])?, exponent);
            (exponent, rest) = (1, after[end + 1..].trim_start());
            continue;
        }
        let end = rest.find([' ', '*', '·', '/', '(', '\t']).unwrap_or(rest.len());
        unit = unit.times(factor(&rest[..end])?, exponent);
        (exponent, rest) = (1, rest[end..].trim_start());
    }
    Ok(unit)
}

/// One factor with its exponent: `m-2`, `cm²`, `nm^-1`, `counts`.
fn factor(text: &str) -> Result<Unit, String> {
    let plain: String = text.chars().filter(|c| *c != '^').map(plain_digit).collect();
    let digits = plain.find(|c: char| c.is_ascii_digit() || c == '-' || c == '+').unwrap_or(plain.len());
    let (name, exponent) = plain.split_at(digits);
    let exponent: i8 = match (name, exponent) {
        ("", "1") => return Ok(Unit::ONE),
        (_, "") => 1,
        (_, text) => text.parse().map_err(|_| format!("expected a whole exponent in `{plain}`"))?,
    };
    Ok(Unit::ONE.times(named(name)?, exponent))
}

fn plain_digit(c: char) -> char {
    match c {
        '⁻' => '-',
        '¹' => '1',
        '²' => '2',
        '³' => '3',
        '⁴' => '4',
        other => other,
    }
}

fn named(name: &str) -> Result<Unit, String> {
    let base = |symbol: &str| -> Option<Dimensions> {
        Some(match symbol {
            "J" => [0, 1, 0, 0, 0],
            "W" => [0, 1, -1, 0, 0],
            "s" => [0, 0, 1, 0, 0],
            "m" => [0, 0, 0, 1, 0],
            _ => return None,
        })
    };
    match name {
        "count" | "counts" | "ct" | "cts" | "DN" | "ADU" => {
            return Ok(Unit { factor: 1.0, dimensions: [1, 0, 0, 0, 0] });
        }
        "nm" => return Ok(Unit { factor: 1.0, dimensions: [0, 0, 0, 0, 1] }),
        _ => {}
    }
    if let Some(dimensions) = base(name) {
        return Ok(Unit { factor: 1.0, dimensions });
    }
    let prefixes = [('n', 1e-9), ('u', 1e-6), ('µ', 1e-6), ('μ', 1e-6), ('m', 1e-3), ('c', 1e-2), ('k', 1e3)];
    let prefixed = prefixes
        .into_iter()
        .find_map(|(prefix, factor)| Some(Unit { factor, dimensions: base(name.strip_prefix(prefix)?)? }));
    prefixed.ok_or_else(|| format!("expected a unit of counts, J, W, s, m and nm, but found `{name}`"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn same(a: &str, b: &str) {
        let (x, y) = (parse(a).unwrap(), parse(b).unwrap());
        assert_eq!(x.dimensions, y.dimensions, "{a} and {b}");
        assert!((x.factor / y.factor - 1.0).abs() < 1e-12, "{a}: {} and {b}: {}", x.factor, y.factor);
    }

    /// Identity: one unit in several spellings.
    #[test]
    fn spellings_of_one_unit_agree() {
        for text in
            ["W m-2 nm-1", "W/m2/nm", "W/(m² nm)", "W m⁻² nm⁻¹", "W·m^-2·nm^-1", "W per m2 nm", "J s-1 m-2 nm-1"]
        {
            same(text, "W m-2 nm-1");
            assert_eq!(parse(text).unwrap().dimensions, SPECTRAL_IRRADIANCE, "{text}");
        }
        same("uW cm-2 nm-1", "µW/cm²/nm");
        same("counts/s per W m-2 nm-1", "counts s-1 / (W m-2 nm-1)");
    }

    /// Identity: 1 µW cm⁻² = 0.01 W m⁻²; 1 µJ = 10⁻⁶ J; 1 mm² = 10⁻⁶ m².
    #[test]
    fn prefixes_are_converted() {
        assert!((parse("uW cm-2 nm-1").unwrap().factor - 0.01).abs() < 1e-15);
        assert!((parse("µJ/count").unwrap().factor - 1e-6).abs() < 1e-18);
        assert!((quantity("7.07 mm2", AREA, "1 mm2").unwrap() - 7.07e-6).abs() < 1e-15);
        assert!((quantity("50 ms", TIME, "50 ms").unwrap() - 0.05).abs() < 1e-15);
    }

    /// Dimensions tell the quantities apart, and a wavelength is no length.
    #[test]
    fn dimensions_are_checked() {
        assert_eq!(parse("counts/s per W m-2 nm-1").unwrap().dimensions, RESPONSE);
        assert_eq!(parse("counts per W m-2 nm-1").unwrap().dimensions, COUNTS_PER_IRRADIANCE);
        assert_eq!(parse("µJ/count").unwrap().dimensions, ENERGY_PER_COUNT);
        assert_eq!(parse("µJ/count").unwrap().inverse().dimensions, parse("counts/µJ").unwrap().dimensions);
        assert_ne!(parse("W m-3").unwrap().dimensions, SPECTRAL_IRRADIANCE);
        for (text, dimensions) in
            [("7 mm", AREA), ("7", AREA), ("-7 mm2", AREA), ("7 s", AREA), ("x mm2", AREA), ("5 nm", TIME)]
        {
            assert!(quantity(text, dimensions, "7.07 mm2").is_err(), "{text}");
        }
    }

    /// Malformed units are refused with what was found.
    #[test]
    fn malformed_units_are_refused() {
        for (text, found) in [
            ("lux", "`lux`"),
            ("W m-2 per nm per s", "at most once"),
            ("W/(m2 nm", "expected `)`"),
            ("m2.5", "whole exponent"),
            ("MW", "`MW`"),
            ("\u{0}", "expected a unit"),
        ] {
            let error = parse(text).unwrap_err();
            assert!(error.contains(found), "{text}: {error}");
        }
        assert_eq!(parse("").unwrap().to_string(), "a plain number");
        assert_eq!(parse("W m-2 nm-1").unwrap().to_string(), "J s-1 m-2 nm-1");
    }
}
