//! Reads one step of an action.

use super::protocol::read_template;
use crate::dialect::step::{Action, Comparison, Framing, Step, Table, Test, Work, number};
use crate::dialect::template::{Condition, Template};
use crate::document::{Range, Section};
use std::path::Path;

/// Keys of which a step has exactly one, or `send` with `expect`.
const WORK: &str = "one of `send`, `send_bytes`, `expect`, `expect_bytes`, `read_input`, `read_holding`, `write_holding`, `wait_ms`, `wait_integration` or \
                    `drain`";

pub(super) fn read_step(s: &Section, path: &Path, action: Action, index: usize) -> Option<Step> {
    let keys =
        ["send", "send_bytes", "expect", "expect_bytes", "read_input", "read_holding", "write_holding", "wait_ms"];
    let line = keys.iter().chain(&["wait_integration", "drain"]).map(|key| s.line_of(key)).find(|line| *line > 0);
    let place = format!("{}:{}: {}, step {}", path.display(), line.unwrap_or(0), action.name(), index + 1);
    let work = read_work(s);
    let when = s.optional_parse_with("when", "`shutter` or `identity`", Condition::named);
    let exposes = s.boolean("exposes", false);
    let timeout_ms = s.number("timeout_ms", Some(500.0), Range::between(0.0, 600_000.0, "ms"));
    let search = s.boolean("search", false);
    let until = tests(s, "until");
    let every_ms = s.number("every_ms", Some(10.0), Range::between(0.0, 60_000.0, "ms"));
    let require = tests(s, "require");
    let for_each = s.optional_section("for_each").and_then(|t| read_for_each(&t));
    let framing =
        Framing { packet: s.boolean("packet", true), echo: s.boolean("echo", true), prompt: s.boolean("prompt", true) };
    s.close();
    Some(Step {
        place,
        work: work?,
        when,
        exposes,
        timeout_s: timeout_ms? * 1e-3,
        search,
        until,
        every_s: every_ms? * 1e-3,
        require,
        for_each,
        framing,
    })
}

fn read_work(s: &Section) -> Option<Work> {
    let either = |text, bytes| {
        if s.has(text) && s.has(bytes) {
            s.refuse(bytes, format!("either `{text}` or `{bytes}`"));
        }
        read_template(s, text, Template::text).or(read_template(s, bytes, Template::bytes))
    };
    let (send, expect) = (either("send", "send_bytes"), either("expect", "expect_bytes"));
    let (input, holding) = (read_address(s, "read_input"), read_address(s, "read_holding"));
    let write = read_address(s, "write_holding");
    let count =
        if s.has("count") { s.integer("count", None, Range::between(1.0, 65_535.0, "registers")) } else { None };
    s.ignore("count");
    let wait = s.optional_number("wait_ms", Range::between(0.0, 600_000.0, "ms"));
    let (integration, drain) = (s.boolean("wait_integration", false), s.boolean("drain", false));
    let found = ["read_input", "read_holding", "write_holding", "wait_ms", "wait_integration", "drain"];
    let found = found.iter().filter(|key| s.has(key)).count();
    let message = ["send", "send_bytes", "expect", "expect_bytes"].iter().any(|key| s.has(key));
    let registers = |table, address: u16| {
        let (Some(count), Some(expect)) = (count, expect.clone()) else {
            s.missing("count", "`count` and `expect_bytes` beside the registers to read");
            return None;
        };
        if u32::from(address) + count > 65_536 {
            s.refuse("count", "registers up to the address 65535");
        }
        Some(Work::ReadRegisters { table, address, count: count as u16, expect })
    };
    match (found, message) {
        (0, true) => Some(Work::Message { send, expect }),
        (1, true) if s.has("read_input") && send.is_none() => registers(Table::Input, input?),
        (1, true) if s.has("read_holding") && send.is_none() => registers(Table::Holding, holding?),
        (1, true) if s.has("write_holding") && expect.is_none() => {
            Some(Work::WriteRegisters { address: write?, send: send? })
        }
        (1, false) if wait.is_some() => Some(Work::Wait(wait? * 1e-3)),
        (1, false) if integration => Some(Work::WaitIntegration),
        (1, false) if drain => Some(Work::Drain),
        _ => {
            s.missing("send", WORK);
            None
        }
    }
}

fn read_address(s: &Section, key: &'static str) -> Option<u16> {
    if !s.has(key) {
        s.ignore(key);
        return None;
    }
    s.integer(key, None, Range::between(0.0, 65_535.0, "")).map(|address| address as u16)
}

fn read_for_each(t: &Section) -> Option<(String, u32, u32)> {
    let name = t.text("name", None, "the name of a field");
    let from = t.integer("from", Some(0), Range::between(0.0, 65_535.0, ""));
    let to = t.integer("to", None, Range::between(0.0, 65_535.0, ""));
    if let (Some(from), Some(to)) = (from, to)
        && from > to
    {
        t.refuse("to", format!("at least from ({from})"));
    }
    t.close();
    Some((name?, from?, to?))
}

/// Conditions under a key: a text or a list of texts.
fn tests(s: &Section, key: &'static str) -> Vec<Test> {
    let rule =
        "a condition such as `state = ready`, `state != 1`, `status & 0x80` or `status !& 0x01`, or a list of them";
    if !s.has(key) {
        s.ignore(key);
        return Vec::new();
    }
    let texts = if s.is_list(key) {
        s.texts(key, true, rule).unwrap_or_default()
    } else {
        s.text(key, None, rule).into_iter().collect()
    };
    let tests: Option<Vec<Test>> = texts.iter().map(|text| test(text)).collect();
    if tests.is_none() {
        s.refuse(key, rule);
    }
    tests.unwrap_or_default()
}

fn test(text: &str) -> Option<Test> {
    let words: Vec<&str> = text.split_ascii_whitespace().collect();
    let [name, comparison, operand] = words[..] else { return None };
    let comparison = match comparison {
        "=" => Comparison::Equal,
        "!=" => Comparison::Different,
        "&" => Comparison::AnyBit,
        "!&" => Comparison::NoBit,
        _ => return None,
    };
    let mask = matches!(comparison, Comparison::AnyBit | Comparison::NoBit);
    if mask && number(operand).is_none() {
        return None;
    }
    let (name, operand, text) = (name.to_owned(), operand.to_owned(), text.to_owned());
    Some(Test { name, comparison, operand, text })
}
