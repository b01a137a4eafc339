//! Renders a template into the bytes of a message. Pure.

use super::context::{Context, Piece};
use super::field::{Coding, Field, Order};
use super::template::Template;
use super::values::Value;

/// The bytes of a message; the error names the field and what was expected.
pub fn render(template: &Template, context: &Context) -> Result<Vec<u8>, String> {
    let mut bytes = Vec::new();
    for piece in context.pieces(&template.parts, false) {
        match piece {
            Piece::Literal(literal) => bytes.extend(literal),
            Piece::Field(field) => bytes.extend(self::field(field, context)?),
            Piece::Peek(_) => {}
        }
    }
    Ok(bytes)
}

/// The bytes of one field.
pub fn field(field: &Field, context: &Context) -> Result<Vec<u8>, String> {
    let name = &field.name;
    if let Coding::Skip(Some(n)) = field.coding {
        return Ok(vec![0; n]);
    }
    let number = match context.values.get(name) {
        _ if name == "tag" => tag_number(field.coding, context.tag),
        Some(Value::Number(number)) => *number,
        Some(Value::Text(text)) => {
            let spelling = context.words.spelling(name, text).map(|spelling| spelling.sent());
            match field.coding {
                Coding::Word | Coding::Text(None) => return Ok(spelling.unwrap_or_else(|| text.clone()).into_bytes()),
                Coding::Text(Some(length)) => {
                    let mut bytes = text.clone().into_bytes();
                    bytes.resize(length, b' ');
                    return Ok(bytes);
                }
                _ => spelling.and_then(|spelling| spelling.parse().ok()).ok_or_else(|| {
                    format!("expected a number for {name} {text} in `[words.{name}]`, but found none")
                })?,
            }
        }
        _ => return Err(format!("expected a value for {name}, but found none")),
    };
    encode_number(field, number)
}

/// A tag in the range of its field.
pub fn tag_number(coding: Coding, tag: u32) -> f64 {
    let modulus = match coding {
        Coding::Integer { bytes, .. } => 1_u64 << (8 * bytes.min(4)),
        Coding::Bcd { bytes, .. } => 10_u64.pow(2 * bytes as u32),
        Coding::Decimal(digits) => 10_u64.pow(digits.unwrap_or(4) as u32),
        Coding::Hex(digits) => 16_u64.pow(digits.unwrap_or(4) as u32),
        _ => 10_000,
    };
    (u64::from(tag) % modulus) as f64
}

fn encode_number(field: &Field, value: f64) -> Result<Vec<u8>, String> {
    let raw = field.raw(value);
    let range = |low: f64, high: f64| {
        let whole = raw.round();
        if whole >= low && whole <= high {
            return Ok(whole as i64);
        }
        let name = &field.name;
        Err(format!("expected {name} from {low} to {high} on the line, but found {raw} (from {value})"))
    };
    let padded = |text: String, digits: Option<usize>| format!("{text:0>width$}", width = digits.unwrap_or(0));
    Ok(match field.coding {
        Coding::Integer { bytes, signed, order } => {
            let span = 2_f64.powi(8 * bytes as i32);
            let (low, high) = if signed { (-span / 2.0, span / 2.0 - 1.0) } else { (0.0, span - 1.0) };
            ordered(range(low, high)? as u32, bytes, order)
        }
        Coding::Float(order) => ordered((raw as f32).to_bits(), 4, order),
        Coding::Bcd { bytes, order } => {
            let mut rest = range(0.0, 10_f64.powi(2 * bytes as i32) - 1.0)?;
            let mut packed = 0_u32;
            for digit in 0..2 * bytes {
                packed |= ((rest % 10) as u32) << (4 * digit);
                rest /= 10;
            }
            ordered(packed, bytes, order)
        }
        Coding::Decimal(digits) => {
            let most = 10_f64.powi(digits.unwrap_or(15) as i32) - 1.0;
            let low = if digits.is_some() { 0.0 } else { -most };
            padded(range(low, most)?.to_string(), digits).into_bytes()
        }
        Coding::Hex(digits) => {
            let most = 16_f64.powi(digits.unwrap_or(8) as i32) - 1.0;
            padded(format!("{:X}", range(0.0, most)?), digits).into_bytes()
        }
        Coding::Real => real(raw, field.scale == 1.0 && field.offset == 0.0).into_bytes(),
        Coding::Word | Coding::Text(_) => real(raw, true).into_bytes(),
        other => return Err(format!("expected a type that can be sent for {}, but found {other:?}", field.name)),
    })
}

/// The shortest text of a number; a converted one is rounded to 12 digits, so that 0.1 s are 100 ms and not 100.00000000000001.
fn real(raw: f64, exact: bool) -> String {
    if exact {
        return raw.to_string();
    }
    let rounded: f64 = format!("{raw:.11e}").parse().unwrap_or(raw);
    rounded.to_string()
}

/// The lowest bytes of a number in an order.
fn ordered(number: u32, bytes: usize, order: Order) -> Vec<u8> {
    let big = number.to_be_bytes();
    let big = &big[4 - bytes.min(4)..];
    match order {
        Order::Big => big.to_vec(),
        Order::Little => big.iter().rev().copied().collect(),
        Order::WordsSwapped => big.rchunks(2).flatten().copied().collect(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dialect::values::Values;
    use crate::dialect::words::{Spelling, Words};

    fn rendered(template: Result<Template, String>, values: &Values) -> Result<Vec<u8>, String> {
        let states = vec![("open".into(), Spelling::Number(1.0)), ("closed".into(), Spelling::Number(0.0))];
        let words = Words(vec![("shutter".into(), states)]);
        let context = Context {
            words: &words,
            probes: None,
            tag: 0x107,
            attempt: 1,
            values,
            shutter: true,
            identity: false,
            frame_values: 4,
        };
        render(&template?, &context)
    }

    #[test]
    fn fields_are_encoded_with_type_order_and_unit() {
        let values = Values::default().with("integration", Value::Number(0.012_34));
        let bytes = |text: &str| rendered(Template::bytes(text), &values).unwrap();
        // 12340 µs are 0x3034.
        assert_eq!(bytes("10 {integration:u32le unit=us}"), [0x10, 0x34, 0x30, 0, 0]);
        assert_eq!(bytes("{integration:u32be unit=us}"), [0, 0, 0x30, 0x34]);
        assert_eq!(bytes("{integration:u32ws unit=us}"), [0x30, 0x34, 0, 0]);
        assert_eq!(bytes("{integration:u24be unit=us}"), [0, 0x30, 0x34]);
        assert_eq!(bytes("{integration:bcd3 unit=us}"), [0x01, 0x23, 0x40]);
        assert_eq!(bytes("{integration:f32be unit=us}"), 12_340_f32.to_be_bytes());
        assert_eq!(bytes("{tag:u8}"), [7]);
        let text = |text: &str| String::from_utf8(rendered(Template::text(text), &values).unwrap()).unwrap();
        assert_eq!(text("IT {integration:dec unit=us}"), "IT 12340");
        assert_eq!(text("{integration:dec7 unit=us}|{integration:hex6 unit=us}"), "0012340|003034");
        assert_eq!(text("{integration:real}|{integration:real unit=ms}"), "0.01234|12.34");
    }

    #[test]
    fn a_state_is_sent_as_its_number_and_a_value_out_of_range_is_refused() {
        let values =
            Values::default().with("shutter", Value::Text("open".into())).with("integration", Value::Number(100.0));
        assert_eq!(rendered(Template::bytes("12 {shutter:u8}"), &values), Ok(vec![0x12, 1]));
        let error = rendered(Template::bytes("{integration:u16be unit=ms}"), &values).unwrap_err();
        assert_eq!(error, "expected integration from 0 to 65535 on the line, but found 100000 (from 100)");
        assert!(rendered(Template::bytes("{other:u8}"), &values).unwrap_err().contains("a value for other"));
    }
}
