//! Reads `[tag]`, `[packet]`, `[modbus]`, `[checksum]`, `[errors]` and `[identity]`.

use crate::dialect::checksum::{Checksum, Crc, RULE};
use crate::dialect::field::Coding;
use crate::dialect::packet::{PacketFormat, Part, Stuffing};
use crate::dialect::tag::{Probe, Probes};
use crate::dialect::template::{self, Template, hex};
use crate::dialect::{ErrorRules, FixedIdentity, FrameCheck, ModbusRules};
use crate::document::{Range, Scalar, Section};

pub(super) fn read_probes(s: &Section) -> Option<Probes> {
    let rule = "two texts, of queries without side effects and with different known answers";
    let pair = |key| -> Option<[String; 2]> {
        let texts = s.texts(key, true, rule)?;
        let pair: Option<[String; 2]> = texts.try_into().ok().filter(|[a, b]: &[String; 2]| a != b && !a.is_empty());
        if pair.is_none() {
            s.refuse(key, rule);
        }
        pair
    };
    let (sends, answers) = (pair("probes"), pair("answers"));
    let count = s.integer("count", Some(4), Range::between(1.0, 8.0, "queries"));
    let separator = s.text("separator", Some(";"), "the text between two queries");
    s.close();
    let ([send0, send1], [answer0, answer1]) = (sends?, answers?);
    let digits = [Probe { send: send0, answer: answer0 }, Probe { send: send1, answer: answer1 }];
    Some(Probes { digits, count: count? as usize, separator: separator? })
}

/// A checksum by name under `key`, or by the parameters of a table.
fn read_checksum(s: &Section, key: &'static str) -> Option<Checksum> {
    if !s.has(key) {
        s.missing(key, RULE);
        return None;
    }
    if s.is_table(key) {
        let t = s.section(key);
        let width = t.integer("width", None, Range::between(3.0, 32.0, "bits"));
        let number = |key, default| t.integer(key, default, Range::at_least(0.0, "")).map(u64::from);
        let (poly, init, xorout) = (number("poly", None), number("init", Some(0)), number("xorout", Some(0)));
        let (refin, refout) = (t.boolean("refin", false), t.boolean("refout", false));
        t.close();
        let width = width? as u8;
        return Some(Checksum::Crc(Crc { width, poly: poly?, init: init?, refin, refout, xorout: xorout? }));
    }
    s.parse_with(key, None, RULE, Checksum::named)
}

pub(super) fn read_packet(s: &Section) -> Option<PacketFormat> {
    let layout = s.text("layout", None, "a byte template with `{body}`").and_then(|text| {
        let layout = Template::bytes(&text).and_then(|template| layout_of(&template));
        layout.map_err(|error| refuse_template(s, "layout", &error)).ok()
    });
    let names = |key: &'static str, default: &[&str]| -> Vec<String> {
        let rule = "a list of parts of the layout: `start`, `length`, `tag`, `body`, `end`";
        if !s.has(key) {
            s.ignore(key);
            return default.iter().map(|name| (*name).to_owned()).collect();
        }
        let known = ["start", "length", "tag", "body", "checksum", "end"];
        let names = s.texts(key, true, rule).unwrap_or_default();
        if !names.iter().all(|name| known.contains(&name.as_str())) {
            s.refuse(key, rule);
        }
        names
    };
    let length_counts = names("length_counts", &["body"]);
    let length_add = s.number("length_add", Some(0.0), Range::between(-64.0, 64.0, "bytes"));
    let over = names("checksum_over", &["body"]);
    if over.iter().any(|name| name == "checksum" || name == "end") {
        s.refuse("checksum_over", "no `checksum` and no `end`, which come after it");
    }
    let checksum = if s.has("checksum") { read_checksum(s, "checksum") } else { None };
    s.ignore("checksum");
    let stuffing = s.optional_section("stuffing").and_then(|t| read_stuffing(s, &t));
    let max_body = s.integer("max_body", Some(4096), Range::between(1.0, 300_000.0, "bytes"));
    let byte = |key| {
        s.optional_parse_with(key, "one hexadecimal byte, such as \"06\"", |text| match hex(text).ok()?[..] {
            [byte] => Some(byte),
            _ => None,
        })
    };
    let (ack, nak) = (byte("ack"), byte("nak"));
    s.close();
    let (start, parts, end) = layout?;
    let has = |name| parts.iter().any(|part| part.name() == name);
    if checksum.is_some() != has("checksum") {
        s.refuse("layout", "`{checksum:…}` in the layout exactly where there is the key `checksum`");
        return None;
    }
    Some(PacketFormat {
        start,
        parts,
        end,
        length_counts,
        length_add: length_add? as i64,
        checksum: checksum.map(|checksum| (checksum, over)),
        stuffing,
        max_body: max_body? as usize,
        ack,
        nak,
    })
}

type Layout = (Vec<u8>, Vec<Part>, Vec<u8>);

fn layout_of(template: &Template) -> Result<Layout, String> {
    let (mut start, mut end, mut parts) = (Vec::new(), Vec::new(), Vec::new());
    for (i, part) in template.parts.iter().enumerate() {
        match part {
            template::Part::Literal(bytes) if i == 0 => start.clone_from(bytes),
            template::Part::Literal(bytes) if i + 1 == template.parts.len() => end.clone_from(bytes),
            template::Part::Field(field) => {
                let coding = match field.coding {
                    coding @ (Coding::Integer { signed: false, .. }
                    | Coding::Hex(Some(_))
                    | Coding::Decimal(Some(_))) => Some(coding),
                    _ => None,
                };
                let part = match (field.name.as_str(), coding) {
                    ("body", _) => Part::Body,
                    ("length", Some(coding)) => Part::Length(coding),
                    ("tag", Some(coding)) => Part::Tag(coding),
                    ("checksum", Some(coding)) => Part::Checksum(coding),
                    (name, _) => {
                        return Err(format!(
                            "expected `{{body}}`, and `length`, `tag` and `checksum` with an unsigned type of fixed width, but found `{name}`"
                        ));
                    }
                };
                if parts.iter().any(|known: &Part| known.name() == part.name()) {
                    return Err(format!("expected each part once, but found `{}` twice", part.name()));
                }
                parts.push(part);
            }
            _ => return Err("expected fixed bytes at the start and the end only, but found some between".into()),
        }
    }
    if !parts.contains(&Part::Body) {
        return Err("expected `{body}`, but found none".into());
    }
    let position = |name| parts.iter().position(|part| part.name() == name);
    if position("length") > position("body") && position("length").is_some() {
        return Err("expected the length before the body, but found it behind".into());
    }
    if start.is_empty() {
        return Err("expected fixed bytes at the start, but found none".into());
    }
    Ok((start, parts, end))
}

fn read_stuffing(s: &Section, t: &Section) -> Option<Stuffing> {
    let mut codes = Vec::new();
    let mut escape = None;
    for (byte, replacement) in t.scalars() {
        let replacement = match replacement {
            Scalar::Text(text) => Template::bytes(&text).ok(),
            Scalar::Number(_) => None,
        };
        let literal = replacement.and_then(|template| match template.parts.as_slice() {
            [template::Part::Literal(bytes)] => <[u8; 2]>::try_from(bytes.as_slice()).ok(),
            _ => None,
        });
        let byte = hex(&byte).ok().and_then(|bytes| <[u8; 1]>::try_from(bytes).ok());
        match (byte, literal) {
            (Some([byte]), Some([first, code])) if *escape.get_or_insert(first) == first => codes.push((byte, code)),
            _ => {
                s.refuse_with(
                    "stuffing",
                    "entries such as A5 = \"5A 01\": a byte and the two bytes sent for it, the first of them the same in all",
                    "another one",
                );
                return None;
            }
        }
    }
    let escape = escape?;
    if !codes.iter().any(|(byte, _)| *byte == escape) {
        s.refuse_with("stuffing", format!("an entry for the escape byte {escape:02X} itself"), "none");
    }
    Some(Stuffing { escape, codes })
}

pub(super) fn read_modbus(s: &Section) -> Option<ModbusRules> {
    let unit = s.integer("unit", Some(1), Range::between(0.0, 247.0, ""));
    let per_request = s.integer("per_request", Some(120), Range::between(1.0, 120.0, "registers"));
    s.close();
    Some(ModbusRules { unit: unit? as u8, per_request: per_request? as u16 })
}

pub(super) fn read_frame_check(s: &Section) -> Option<FrameCheck> {
    let checksum = read_checksum(s, "algorithm");
    let over_values = s.parse_with("over", Some("bytes"), "`bytes` or `values`", |text| match text {
        "bytes" => Some(false),
        "values" => Some(true),
        _ => None,
    });
    s.close();
    let (checksum, over_values) = (checksum?, over_values?);
    if over_values && checksum.of_values(&[]).is_none() {
        s.refuse("over", "`bytes`, since only sums are defined over values");
    }
    Some(FrameCheck { checksum, over_values })
}

pub(super) fn read_errors(s: &Section) -> ErrorRules {
    let code =
        |key, default: f64| s.number(key, Some(default), Range::between(-1e6, 1e6, "")).unwrap_or(default) as i32;
    let (none, hardware_missing) = (code("none", 0.0), code("hardware_missing", -241.0));
    let out_of_range = code("out_of_range", -222.0);
    let answer =
        read_template(s, "answer", Template::text).or_else(|| read_template(s, "answer_bytes", Template::bytes));
    s.ignore("answer_bytes");
    if answer.as_ref().is_some_and(|template| !template.has("error_code") && !template.has("error_text")) {
        let key = if s.has("answer") { "answer" } else { "answer_bytes" };
        s.refuse(key, "a template with the field `error_code` or `error_text`");
    }
    s.close();
    ErrorRules { answer, none, hardware_missing, out_of_range }
}

/// A template under a key that may be absent.
pub(super) fn read_template(
    s: &Section,
    key: &'static str,
    parse: impl Fn(&str) -> Result<Template, String>,
) -> Option<Template> {
    let text = s.optional_parse_with(key, "a template", |text| (text.len() <= 4096).then(|| text.to_owned()))?;
    parse(&text).map_err(|error| refuse_template(s, key, &error)).ok()
}

/// Records the error of a template, which says `expected …, but found …`.
fn refuse_template(s: &Section, key: &str, error: &str) {
    let text = error.strip_prefix("expected ").unwrap_or(error);
    let (expected, found) = text.split_once(", but found ").unwrap_or((text, "another template"));
    s.refuse_with(key, expected, found);
}

pub(super) fn read_identity(s: &Section) -> Option<FixedIdentity> {
    let part = |key, default| s.text(key, default, "a name");
    let maker = part("maker", Some("unknown"));
    let model = part("model", Some("unknown"));
    let serial = part("serial", Some("unknown"));
    let firmware = part("firmware", Some("unknown"));
    s.close();
    Some(FixedIdentity { parts: [maker?, model?, serial?, firmware?] })
}
