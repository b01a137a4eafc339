//! A field of a template: its name, its coding on the line, and its unit. Pure.
//!
//! Grammar: `{name}`, `{name:type}` or `{name:type option=value …}`. The value in the unit of the program is
//! `raw × scale + offset`.

/// Order of the bytes of a number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Order {
    /// Most significant byte first.
    Big,
    /// Least significant byte first.
    Little,
    /// Words of two bytes, each most significant byte first, low word first (registers).
    WordsSwapped,
}

/// Form of a field on the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Coding {
    /// A binary integer of 1 to 4 bytes.
    Integer {
        /// Number of bytes.
        bytes: usize,
        /// Two's complement.
        signed: bool,
        /// Byte order.
        order: Order,
    },
    /// An IEEE 754 number of 4 bytes.
    Float(Order),
    /// Binary-coded decimal, two digits a byte.
    Bcd {
        /// Number of bytes.
        bytes: usize,
        /// Byte order.
        order: Order,
    },
    /// A decimal integer as text; a fixed number of digits is padded with zeros.
    Decimal(Option<usize>),
    /// A decimal number as text, with fraction and exponent.
    Real,
    /// A hexadecimal number as text; a fixed number of digits is padded with zeros.
    Hex(Option<usize>),
    /// Text: of a fixed number of bytes, or up to the next fixed text.
    Text(Option<usize>),
    /// Numbers as text, separated by commas.
    List,
    /// A word of the table `[words]` with the name of the field.
    Word,
    /// The tag of the message as queries with known answers; `unique`: repeated more often than in any message.
    Probes {
        /// A tag that no message has.
        unique: bool,
    },
    /// An IEEE 488.2 definite-length block.
    Block,
    /// Bytes without meaning: a fixed number, or up to the next fixed text.
    Skip(Option<usize>),
}

impl Coding {
    /// Bytes on the line, if their number is fixed.
    pub fn width(&self) -> Option<usize> {
        match self {
            Self::Integer { bytes, .. } | Self::Bcd { bytes, .. } => Some(*bytes),
            Self::Float(_) => Some(4),
            Self::Decimal(digits) | Self::Hex(digits) => *digits,
            Self::Text(length) | Self::Skip(length) => *length,
            _ => None,
        }
    }

    fn named(name: &str) -> Option<Self> {
        let digits = |prefix: &str, most: usize| -> Option<Option<usize>> {
            let rest = name.strip_prefix(prefix)?;
            if rest.is_empty() {
                return Some(None);
            }
            rest.parse().ok().filter(|n| (1..=most).contains(n)).map(Some)
        };
        let (stem, order) = match name {
            _ if name.ends_with("be") => (&name[..name.len() - 2], Some(Order::Big)),
            _ if name.ends_with("le") => (&name[..name.len() - 2], Some(Order::Little)),
            _ if name.ends_with("ws") => (&name[..name.len() - 2], Some(Order::WordsSwapped)),
            _ => (name, None),
        };
        let integer = |bytes, signed| Some(Self::Integer { bytes, signed, order: order.unwrap_or(Order::Big) });
        match (stem, order) {
            ("u8", None) => integer(1, false),
            ("i8", None) => integer(1, true),
            ("u16", Some(Order::Big | Order::Little)) => integer(2, false),
            ("i16", Some(Order::Big | Order::Little)) => integer(2, true),
            ("u24", Some(Order::Big | Order::Little)) => integer(3, false),
            ("u32", Some(_)) => integer(4, false),
            ("i32", Some(_)) => integer(4, true),
            ("f32", Some(order)) => Some(Self::Float(order)),
            ("real", None) => Some(Self::Real),
            ("list", None) => Some(Self::List),
            ("word", None) => Some(Self::Word),
            ("probes", None) => Some(Self::Probes { unique: false }),
            ("unique", None) => Some(Self::Probes { unique: true }),
            ("block", None) => Some(Self::Block),
            _ => bcd(stem, order)
                .or_else(|| digits("dec", 10).map(Self::Decimal))
                .or_else(|| digits("hex", 8).map(Self::Hex))
                .or_else(|| digits("text", 256).map(Self::Text))
                .or_else(|| name.parse().ok().filter(|n| (1..=4096).contains(n)).map(|n| Self::Skip(Some(n)))),
        }
    }
}

fn bcd(stem: &str, order: Option<Order>) -> Option<Coding> {
    let bytes = stem.strip_prefix("bcd")?.parse().ok().filter(|n| (1..=4).contains(n))?;
    let order = order.unwrap_or(Order::Big);
    (order != Order::WordsSwapped).then_some(Coding::Bcd { bytes, order })
}

/// Types in messages.
const TYPES: &str = "a type: u8, i8, u16be, u16le, i16be, i16le, u24be, u24le, u32be, u32le, u32ws, i32be, i32le, i32ws, f32be, f32le, f32ws, \
                     bcd1 to bcd4, dec, dec1 to dec10, real, hex, hex1 to hex8, text, text1 to text256, list, word, probes, unique or block";

/// A field.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// Its name.
    pub name: String,
    /// Its form.
    pub coding: Coding,
    /// Factor from the number on the line to the unit of the program.
    pub scale: f64,
    /// Value for the number 0.
    pub offset: f64,
    /// The number on the line that states "no value".
    pub none: Option<f64>,
    /// Numbers from this one on state "no value".
    pub none_from: Option<f64>,
    /// Number of values, for the counts of a part of a frame.
    pub count: Option<usize>,
    /// Form of each value of a block.
    pub element: Option<Coding>,
}

impl Field {
    /// Parses the text between the braces; the error says what was expected.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut words = text.split_ascii_whitespace();
        let head = words.next().unwrap_or_default();
        let (name, kind) = head.split_once(':').map_or((head, None), |(name, kind)| (name, Some(kind)));
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
        if name.is_empty() || !name.starts_with(|c: char| c.is_ascii_lowercase()) || !name.chars().all(plain) {
            return Err(format!("expected a name of small letters, digits and `_`, but found `{{{text}}}`"));
        }
        let coding = match kind {
            Some(kind) => Coding::named(kind).ok_or_else(|| format!("expected {TYPES}, but found `{kind}`"))?,
            None => match name {
                "tag" => Coding::Probes { unique: false },
                "shutter" | "format" => Coding::Word,
                "skip" => Coding::Skip(None),
                _ => Coding::Text(None),
            },
        };
        let mut field = Self {
            name: name.to_owned(),
            coding: if name == "skip" && coding == Coding::Text(None) { Coding::Skip(None) } else { coding },
            scale: 1.0,
            offset: 0.0,
            none: None,
            none_from: None,
            count: None,
            element: None,
        };
        for option in words {
            field.option(option)?;
        }
        Ok(field)
    }

    fn option(&mut self, option: &str) -> Result<(), String> {
        let rule = || {
            format!(
                "expected scale=, offset=, unit=, ticks_per_s=, none=, none_from=, count= or element=, but found `{option}`"
            )
        };
        let (key, value) = option.split_once('=').ok_or_else(rule)?;
        let number = || {
            let (sign, digits) = value.strip_prefix('-').map_or((1.0, value), |rest| (-1.0, rest));
            match digits.strip_prefix("0x") {
                Some(hex) => u32::from_str_radix(hex, 16).ok().map(f64::from),
                None => digits.parse::<f64>().ok().filter(|n| n.is_finite()),
            }
            .map(|n| sign * n)
            .ok_or_else(|| format!("expected a number after `{key}=`, but found `{value}`"))
        };
        let positive = || match number()? {
            n if n > 0.0 => Ok(n),
            _ => Err(format!("expected a number above 0 after `{key}=`, but found `{value}`")),
        };
        match key {
            "scale" => self.scale = positive()?,
            "ticks_per_s" => self.scale = 1.0 / positive()?,
            "unit" => {
                self.scale = match value {
                    "s" => 1.0,
                    "ms" => 1e-3,
                    "us" => 1e-6,
                    "ns" => 1e-9,
                    _ => return Err(format!("expected unit=s, ms, us or ns, but found `{option}`")),
                }
            }
            "offset" => self.offset = number()?,
            "none" => self.none = Some(number()?),
            "none_from" => self.none_from = Some(number()?),
            "count" => {
                let count = value.parse().ok().filter(|n| (1..=65_536).contains(n));
                self.count = Some(count.ok_or_else(|| format!("expected count=1 to 65536, but found `{option}`"))?);
            }
            "element" => {
                let element = Coding::named(value).filter(|c| matches!(c, Coding::Integer { signed: false, .. }));
                self.element =
                    Some(element.ok_or_else(|| format!("expected an unsigned binary type, but found `{option}`"))?);
            }
            _ => return Err(rule()),
        }
        Ok(())
    }

    /// The value for a number on the line; `None` where it states "no value".
    pub fn value(&self, raw: f64) -> Option<f64> {
        if self.none == Some(raw) || self.none_from.is_some_and(|from| raw >= from) {
            return None;
        }
        Some(self.scaled(raw) + self.offset)
    }

    /// A decimal scale below 1 divides, so that 234 tenths are 23.4 and not 23.400000000000002.
    fn scaled(&self, raw: f64) -> f64 {
        let inverse = (1.0 / self.scale).round();
        if self.scale < 1.0 && (inverse * self.scale - 1.0).abs() < 1e-12 { raw / inverse } else { raw * self.scale }
    }

    /// The number on the line for a value.
    pub fn raw(&self, value: f64) -> f64 {
        (value - self.offset) / self.scale
    }

    /// The value that the instrument receives for `value`: rounded to the resolution of the field.
    pub fn as_sent(&self, value: f64) -> f64 {
        match self.coding {
            Coding::Integer { .. } | Coding::Bcd { .. } | Coding::Decimal(_) | Coding::Hex(_) => {
                self.scaled(self.raw(value).round()) + self.offset
            }
            Coding::Float(_) => self.scaled(f64::from(self.raw(value) as f32)) + self.offset,
            _ => value,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_is_read_with_its_type_and_unit() {
        let field = Field::parse("integration:u32le ticks_per_s=2000000").unwrap();
        assert_eq!(field.coding, Coding::Integer { bytes: 4, signed: false, order: Order::Little });
        assert_eq!((field.raw(0.01), field.value(20_000.0)), (20_000.0, Some(0.01)));
        let kelvin = Field::parse("temperature:u16le scale=0.01 offset=-273.15 none=0xFFFF").unwrap();
        assert!((kelvin.value(29_815.0).unwrap() - 25.0).abs() < 1e-9);
        assert_eq!(kelvin.value(65_535.0), None);
        assert_eq!(Field::parse("temperature:dec scale=0.1").unwrap().value(234.0), Some(23.4));
        assert_eq!(Field::parse("skip:4").unwrap().coding, Coding::Skip(Some(4)));
        assert_eq!(Field::parse("skip").unwrap().coding, Coding::Skip(None));
        assert_eq!(Field::parse("shutter").unwrap().coding, Coding::Word);
        assert_eq!(
            Field::parse("integration:u16be scale=1e-4").unwrap().as_sent(0.012_345),
            0.0123,
            "rounded to the step of the field"
        );
    }

    #[test]
    fn a_wrong_field_says_what_was_expected() {
        for (text, word) in [
            ("", "a name of small letters"),
            ("Name", "a name of small letters"),
            ("a:u17be", "but found `u17be`"),
            ("a:u16", "a type: u8"),
            ("a:text999", "but found `text999`"),
            ("a:u8 scale=0", "above 0"),
            ("a:u8 scale=x", "a number after `scale=`"),
            ("a:u8 unit=min", "unit=s, ms, us or ns"),
            ("a:u8 colour=red", "none_from="),
            ("a:u8 element=real", "an unsigned binary type"),
        ] {
            let error = Field::parse(text).unwrap_err();
            assert!(error.contains(word), "{text}: {error}");
        }
    }
}
