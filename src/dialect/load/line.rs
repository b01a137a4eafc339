//! Reads `[line]`, `[text]` and `[words]`.

use crate::dialect::words::{Spelling, Words};
use crate::dialect::{FlowControl, Parity, SerialSettings, TextRules, Timing};
use crate::document::{Range, Scalar, Section};

pub(super) fn read_line(s: &Section) -> (Option<SerialSettings>, Timing) {
    let baud = s.integer("baud", Some(115_200), Range::between(50.0, 20_000_000.0, "baud"));
    let data_bits = s.integer("data_bits", Some(8), Range::between(7.0, 8.0, "bits"));
    let stop_bits = s.integer("stop_bits", Some(1), Range::between(1.0, 2.0, "bits"));
    let parity = s.parse_with("parity", Some("none"), "`none`, `even` or `odd`", |text| match text {
        "none" => Some(Parity::None),
        "even" => Some(Parity::Even),
        "odd" => Some(Parity::Odd),
        _ => None,
    });
    let rule = "`none`, `hardware` or `software`";
    let flow_control = s.parse_with("flow_control", Some("none"), rule, |text| match text {
        "none" => Some(FlowControl::None),
        "hardware" => Some(FlowControl::Hardware),
        "software" => Some(FlowControl::Software),
        _ => None,
    });
    let byte_delay = s.number("byte_delay_ms", Some(0.0), Range::between(0.0, 1000.0, "ms"));
    let command_delay = s.number("command_delay_ms", Some(0.0), Range::between(0.0, 10_000.0, "ms"));
    let timing = Timing {
        byte_delay_s: byte_delay.unwrap_or(0.0) * 1e-3,
        command_delay_s: command_delay.unwrap_or(0.0) * 1e-3,
        free_running: s.boolean("free_running", false),
    };
    s.close();
    let settings = || {
        Some(SerialSettings {
            baud: baud?,
            data_bits: data_bits? as u8,
            parity: parity?,
            stop_bits: stop_bits? as u8,
            flow_control: flow_control?,
        })
    };
    (settings(), timing)
}

/// Whether words have a short and a long form.
pub(super) fn scpi_keywords(s: &Section) -> Option<bool> {
    s.parse_with("keywords", Some("exact"), "`exact` or `scpi`", |text| match text {
        "exact" => Some(false),
        "scpi" => Some(true),
        _ => None,
    })
}

pub(super) fn read_text(s: &Section) -> TextRules {
    let end = |key, default: &str| -> Vec<u8> {
        let rule = "a line end such as \"\\n\" or \"\\r\\n\", of 1 to 8 characters";
        let parse = |text: &str| (1..=8).contains(&text.len()).then(|| text.as_bytes().to_vec());
        s.parse_with(key, Some(default), rule, parse).unwrap_or_default()
    };
    let send_end = end("send_end", "\n");
    let answer_end = end("answer_end", "\n");
    let echo = s.boolean("echo", false);
    let echo_end = if s.has("echo_end") {
        end("echo_end", "\n")
    } else {
        s.ignore("echo_end");
        send_end.clone()
    };
    let prompt = s.optional_parse_with("prompt", "a prompt of 1 to 64 characters", |text| {
        (1..=64).contains(&text.len()).then(|| text.as_bytes().to_vec())
    });
    s.close();
    TextRules { send_end, answer_end, echo, echo_end, prompt: prompt.unwrap_or_default() }
}

pub(super) fn read_words(s: &Section, scpi: bool) -> Words {
    let mut words = Vec::new();
    for field in s.keys() {
        let states = s.entry(&field).scalars();
        let spelled = |scalar| match scalar {
            Scalar::Text(text) if scpi => Spelling::Scpi(text),
            Scalar::Text(text) => Spelling::Exact(text),
            Scalar::Number(number) => Spelling::Number(number),
        };
        let states: Vec<(String, Spelling)> = states.into_iter().map(|(state, s)| (state, spelled(s))).collect();
        let required = match field.as_str() {
            "shutter" => &["open", "closed"][..],
            _ => &[],
        };
        for state in required {
            if !states.iter().any(|(known, _)| known == state) {
                s.refuse_with(&field, format!("the words of `{state}` among them"), "none");
            }
        }
        let distinct = |i: usize| !states[..i].iter().any(|(_, spelling)| *spelling == states[i].1);
        if !(0..states.len()).all(distinct) {
            s.refuse_with(&field, "a different word for each state", "the same word twice");
        }
        words.push((field, states));
    }
    Words(words)
}
