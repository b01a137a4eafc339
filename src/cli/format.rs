//! Formats numbers, units, times and foreign text as text.
//!
//! Pure; used by every command that prints values.

use std::borrow::Cow;
use std::fmt::Write;

/// Text from a note, an identity or a file as it is shown: control characters are escaped, so that it neither moves the cursor nor
/// begins a line of its own.
pub fn shown(text: &str) -> Cow<'_, str> {
    escaped(text, |_| false)
}

/// Output of several lines as it is printed: control characters other than line feed and tab are escaped.
pub fn printable(text: &str) -> Cow<'_, str> {
    escaped(text, |c| c == '\n' || c == '\t')
}

fn escaped(text: &str, allowed: impl Fn(char) -> bool) -> Cow<'_, str> {
    let is_harmful = |c: char| (c.is_control() || is_direction(c)) && !allowed(c);
    if !text.contains(is_harmful) {
        return Cow::Borrowed(text);
    }
    let escape = |c: char| if is_harmful(c) { c.escape_default().to_string() } else { c.to_string() };
    Cow::Owned(text.chars().map(escape).collect())
}

/// Whether a character changes the direction of the text after it, which can make a line show other than it is.
fn is_direction(c: char) -> bool {
    matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// Appends a line.
pub fn put(out: &mut String, line: std::fmt::Arguments<'_>) {
    // Writing to a string cannot fail. Trailing blanks come from empty last columns.
    let start = out.len();
    let _ = out.write_fmt(line);
    out.truncate(start + out[start..].trim_end().len());
    out.push('\n');
}

/// A number with as many digits as its uncertainty allows: two of the uncertainty's.
pub fn rounded(value: f64, uncertainty: f64) -> String {
    if !(uncertainty > 0.0 && uncertainty.is_finite() && value.is_finite()) {
        return unsigned_zero(format!("{value}"));
    }
    let digits = 1 - uncertainty.log10().floor() as i32;
    let size = value.abs().max(uncertainty);
    if !(1e-6..1e9).contains(&size) {
        let significant = (size.log10().floor() as i32 + digits).clamp(1, 16) as usize;
        return format!("{value:.significant$e}");
    }
    if digits >= 0 {
        return fixed(value, digits as usize);
    }
    let step = 10f64.powi(-digits);
    fixed((value / step).round() * step, 0)
}

/// A number with so many decimals; a zero has no sign.
pub fn fixed(value: f64, decimals: usize) -> String {
    unsigned_zero(format!("{value:.decimals$}"))
}

/// A difference with its sign and so many decimals; a zero has none.
pub fn signed(value: f64, decimals: usize) -> String {
    unsigned_zero(format!("{value:+.decimals$}"))
}

fn unsigned_zero(text: String) -> String {
    if text.contains(|c: char| ('1'..='9').contains(&c)) || text.contains('n') {
        text
    } else {
        text.replace(['-', '+'], "")
    }
}

/// A unit in typographic form: `umol m-2 s-1` becomes `µmol m⁻² s⁻¹`, and `1` becomes empty.
pub fn pretty_unit(unit: &str) -> String {
    if unit == "1" {
        return String::new();
    }
    let superscript = |c: char| match c {
        '-' => '⁻',
        '1' => '¹',
        '2' => '²',
        '3' => '³',
        other => other,
    };
    let factors = unit.split(' ').map(|factor| {
        let factor =
            if let Some(rest) = factor.strip_prefix("umol") { format!("µmol{rest}") } else { factor.to_owned() };
        factor.chars().map(superscript).collect::<String>()
    });
    factors.collect::<Vec<_>>().join(" ")
}

/// An integration time without trailing zeros.
pub fn integration_time(seconds: f64) -> String {
    let (number, unit) = if seconds < 1.0 { (seconds * 1e3, "ms") } else { (seconds, "s") };
    let text = format!("{number:.3}");
    format!("{} {unit}", text.trim_end_matches('0').trim_end_matches('.'))
}

/// A duration [s] in the unit that suits its size.
pub fn duration(seconds: f64) -> String {
    match seconds {
        s if s < 120.0 => format!("{s:.0} s"),
        s if s < 7200.0 => format!("{:.0} min", s / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", s / 3600.0),
        s => format!("{:.1} d", s / 86_400.0),
    }
}

/// An age [s]; negative where the reading is ahead of this machine's clock.
pub fn age(seconds: f64) -> String {
    if seconds < -1.0 {
        return format!("{} ahead of this machine's clock", duration(-seconds));
    }
    format!("{} ago", duration(seconds.max(0.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_are_shown_escaped() {
        let text = "a\u{1b}[31mb\nc\r\td\u{7}\u{9b}\u{202e}é µ";
        assert_eq!(shown(text), "a\\u{1b}[31mb\\nc\\r\\td\\u{7}\\u{9b}\\u{202e}é µ");
        assert_eq!(printable(text), "a\\u{1b}[31mb\nc\\r\td\\u{7}\\u{9b}\\u{202e}é µ");
        assert!(matches!(printable("plain\ttext\n"), std::borrow::Cow::Borrowed(_)));
    }

    #[test]
    fn a_number_shows_the_digits_its_uncertainty_allows() {
        for (value, uncertainty, want) in [
            (1234.5678, 24.0, "1235"),
            (1234.5678, 240.0, "1230"),
            (7.0361, 0.42, "7.04"),
            (-0.0004, 0.01, "0.000"),
            (98_765.4, 1900.0, "98800"),
            (2.5e-8, 1.2e-9, "2.50e-8"),
            (0.25, 0.0, "0.25"),
            (0.25, f64::NAN, "0.25"),
            (-0.0, 0.0, "0"),
            (-3.0, 240.0, "0"),
        ] {
            assert_eq!(rounded(value, uncertainty), want, "{value} ± {uncertainty}");
        }
    }

    #[test]
    fn a_zero_has_no_sign() {
        for (value, decimals, plain, with_sign) in [
            (-0.0, 2, "0.00", "0.00"),
            (-0.004, 2, "0.00", "0.00"),
            (0.004, 2, "0.00", "0.00"),
            (-0.5, 1, "-0.5", "-0.5"),
            (20.0, 0, "20", "+20"),
        ] {
            assert_eq!(
                (fixed(value, decimals).as_str(), signed(value, decimals).as_str()),
                (plain, with_sign),
                "{value}"
            );
        }
        assert_eq!(fixed(f64::INFINITY, 1), "inf");
    }

    #[test]
    fn a_unit_is_written_with_superscripts() {
        assert_eq!(pretty_unit("umol m-2 s-1"), "µmol m⁻² s⁻¹");
        assert_eq!(pretty_unit("W m-2"), "W m⁻²");
        assert_eq!((pretty_unit("1"), pretty_unit("lx")), (String::new(), "lx".to_owned()));
    }

    #[test]
    fn an_age_has_a_suitable_unit_and_a_sign() {
        assert_eq!(age(35.2), "35 s ago");
        assert_eq!(age(5400.0), "90 min ago");
        assert_eq!(age(864_000.0), "10.0 d ago");
        assert_eq!(age(-3_600.0), "60 min ahead of this machine's clock");
    }
}
