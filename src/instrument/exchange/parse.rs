//! From received bytes to the answer of a message: acknowledgement, packet, echo, error answer. Pure.

use crate::dialect::Dialect;
use crate::dialect::context::Context;
use crate::dialect::decode::{self, Expected, MAX_TEXT, Parsed, State};
use crate::dialect::malformed::{Malformed, wire};
use crate::dialect::packet::{PacketFormat, Unwrapped};
use crate::dialect::step::Step;
use crate::dialect::template::Template;

/// Parses the answer of `step`, whose message was `message` (empty without one) without its framing.
pub(super) fn answer(dialect: &Dialect, step: &Step, message: &[u8], context: &Context, bytes: &[u8]) -> Parsed {
    match &dialect.packet {
        Some(packet) if step.framing.packet => in_packet(dialect, packet, step, !message.is_empty(), context, bytes),
        _ => on_line(dialect, step, message, context, bytes),
    }
}

/// Whether any byte is expected for a step.
pub(super) fn expects(dialect: &Dialect, step: &Step, message: &[u8]) -> bool {
    let sends = !message.is_empty();
    let acknowledged = dialect.packet.as_ref().is_some_and(|p| p.ack.is_some()) && step.framing.packet && sends;
    let (echo, prompt) = enclosing(dialect, step, message);
    step.expect().is_some() || acknowledged || !echo.is_empty() || !prompt.is_empty()
}

fn in_packet(
    dialect: &Dialect,
    packet: &PacketFormat,
    step: &Step,
    sends: bool,
    context: &Context,
    bytes: &[u8],
) -> Parsed {
    let mut at = 0;
    if let Some(ack) = packet.ack.filter(|_| sends) {
        match bytes.first() {
            None => return Parsed::more(1),
            Some(byte) if *byte == ack => at = 1,
            Some(byte) => {
                let name = if Some(*byte) == packet.nak { "the refusal " } else { "" };
                let expected = format!("the acknowledgement {ack:02X}");
                return Parsed::malformed(Malformed { expected, found: format!("{name}{byte:02X}") });
            }
        }
    }
    let Some(template) = step.expect() else { return done(at) };
    let length = template.fixed_length(context.frame_values);
    let (body, used) = match packet.unwrap(&bytes[at..], context.tag, length) {
        Unwrapped::More(need) => return Parsed { begun: false, ..Parsed::more(at + need) },
        Unwrapped::Malformed(error) => return Parsed::malformed(error),
        Unwrapped::Done { body, used } => (body, at + used),
    };
    in_body(dialect, template, context, &body, used)
}

/// Whether an answer in the form of errors is one: its code is not that of "no error".
fn is_error(dialect: &Dialect, refusal: &Parsed) -> bool {
    refusal.values.number("error_code") != Some(f64::from(dialect.checks.errors.none))
}

fn done(used: usize) -> Parsed {
    Parsed { state: State::Done(used), ..Parsed::more(0) }
}

/// Matches a whole body; the answer consumes `used` bytes of the line.
pub(super) fn in_body(dialect: &Dialect, template: &Template, context: &Context, body: &[u8], used: usize) -> Parsed {
    let whole = |template| Expected { template: Some(template), whole: true, ..Expected::default() };
    let parsed = decode::answer(&whole(template), context, body);
    let error = match parsed.state {
        State::Done(_) => return Parsed { state: State::Done(used), ..parsed },
        State::Malformed(error) => error,
        State::More(_) => Malformed { expected: "a whole answer".into(), found: wire(body) },
    };
    if let Some(template) = &dialect.checks.errors.answer {
        let refusal = decode::answer(&whole(template), context, body);
        if matches!(refusal.state, State::Done(_)) && is_error(dialect, &refusal) {
            return Parsed { state: State::Done(used), begun: false, ..refusal };
        }
    }
    Parsed { begun: false, ..Parsed::malformed(error) }
}

/// Echo and prompt of a message.
fn enclosing<'a>(dialect: &'a Dialect, step: &Step, message: &[u8]) -> (Vec<u8>, &'a [u8]) {
    let text = &dialect.text;
    let mut echo = Vec::new();
    if text.echo && step.framing.echo && !message.is_empty() {
        echo.extend_from_slice(message);
        if step.send().is_some_and(|template| !template.binary) {
            echo.extend_from_slice(&text.echo_end);
        }
    }
    (echo, if step.framing.prompt { &text.prompt } else { &[] })
}

fn on_line(dialect: &Dialect, step: &Step, message: &[u8], context: &Context, bytes: &[u8]) -> Parsed {
    let (echo, prompt) = enclosing(dialect, step, message);
    let expected = |template: Option<&'_ Template>| {
        let text = template.is_some_and(|template| !template.binary);
        (text, if text { dialect.text.answer_end.as_slice() } else { &[] })
    };
    let (text, end) = expected(step.expect());
    let form = Expected { echo: &echo, template: step.expect(), end, prompt, whole: false };
    let parsed = decode::answer(&form, context, bytes);
    let State::Malformed(_) = &parsed.state else { return parsed };
    if let Some(template) = &dialect.checks.errors.answer {
        let (_, end) = expected(Some(template));
        let refusal = decode::answer(&Expected { template: Some(template), end, ..form }, context, bytes);
        match refusal.state {
            State::Done(_) if is_error(dialect, &refusal) => return Parsed { begun: false, ..refusal },
            State::More(need) => return Parsed { begun: false, ..Parsed::more(need) },
            State::Done(_) | State::Malformed(_) => {}
        }
    }
    // A line of text is judged when it is complete, so that a message shows all of it.
    let last = dialect.text.answer_end.last();
    let line = bytes.get(echo.len()..).unwrap_or_default();
    let printable = line.iter().all(|b| (b' '..=b'~').contains(b) || *b == b'\r');
    let complete = last.is_some_and(|last| line.contains(last)) || line.len() > MAX_TEXT || !printable;
    let echoed = bytes.len() >= echo.len() && bytes[..echo.len()] == echo[..];
    if text && echoed && !complete && !parsed.begun {
        return Parsed { begun: false, ..Parsed::more(bytes.len() + 1) };
    }
    parsed
}
