//! Performs an action: its steps in order, with waits, repetitions and conditions.
//!
//! Invariants:
//! - The values of an action agree with each other: a name that occurs twice has one value.
//! - Every step ends before its deadline; a repetition ends with the time that the exposure and the step allow.

use super::{Exchange, Failed, TEXT_ANSWER, UNREAD_AT_MOST, command, corrupt, parse, span};
use crate::clock::UtcMicros;
use crate::dialect::Dialect;
use crate::dialect::context::Context;
use crate::dialect::decode::State;
use crate::dialect::encode::render;
use crate::dialect::field::Coding;
use crate::dialect::malformed::Malformed;
use crate::dialect::step::{Action, Step, Test, Work};
use crate::dialect::template::{Condition, Template};
use crate::dialect::values::{Value, Values};
use crate::fault::Fault;
use std::sync::Arc;

/// Typical length of a text field, for the expected transfer time [bytes].
const FIELD_BYTES: usize = 6;

/// What an action is performed with.
#[derive(Clone, Debug, Default)]
pub(in crate::instrument) struct Request {
    /// Values to be sent.
    pub values: Values,
    /// Whether the instrument has a shutter.
    pub shutter: bool,
    /// Whether the identity is to be checked.
    pub identity: bool,
    /// Expected integration time, and the largest additional time [s].
    pub light_s: (f64, f64),
    /// Values of a frame on the line.
    pub frame_values: usize,
}

/// The result of an action.
#[derive(Debug, Default)]
pub(in crate::instrument) struct Performed {
    /// The values of all answers.
    pub values: Values,
    /// Instant at which the message that begins the exposure left the line.
    pub written: Option<UtcMicros>,
    /// Instant at which the first byte of the last answer arrived.
    pub arrived: Option<UtcMicros>,
    exposed: bool,
}

/// A fault during an action.
#[derive(Debug)]
pub(in crate::instrument) struct ActionFault {
    /// The fault.
    pub fault: Fault,
    /// The values known, if the exposure had ended: then the instrument holds its frame.
    pub held: Option<Box<Performed>>,
}

impl From<ActionFault> for Fault {
    fn from(error: ActionFault) -> Self {
        error.fault
    }
}

/// A message and its answer in one step.
pub(super) struct Turn<'a> {
    pub step: &'a Step,
    pub request: &'a Request,
    /// Values to be sent, and those known from earlier steps.
    pub known: Values,
    /// Values of the frame that have not arrived.
    pub frame_values: usize,
    /// The rest of the integration time, and the largest additional time [s].
    pub light_s: (f64, f64),
}

impl Exchange {
    /// Performs an action.
    pub fn perform(&mut self, action: Action, request: &Request) -> Result<Performed, ActionFault> {
        let mut performed = Performed::default();
        let dialect = Arc::clone(&self.dialect);
        for step in dialect.steps(action) {
            let holds = |condition: Condition| match condition {
                Condition::Shutter => request.shutter,
                Condition::Identity => request.identity,
            };
            if !step.when.is_none_or(holds) {
                continue;
            }
            let (name, from, to) = step.for_each.clone().unwrap_or_default();
            for number in from..=to {
                let mut known = performed.values.known_with(&request.values);
                if step.for_each.is_some() {
                    known.set(&name, Value::Number(f64::from(number)));
                }
                if let Err(error) = self.repeat(step, request, known, &mut performed) {
                    self.in_step = false;
                    let held = (performed.exposed || error.1).then(|| Box::new(performed));
                    return Err(ActionFault { fault: error.0, held });
                }
            }
            performed.exposed |= step.exposes;
        }
        Ok(performed)
    }

    /// Runs a step until its conditions hold. The flag of an error: the exposure had ended, and its frame had begun to arrive.
    fn repeat(
        &mut self,
        step: &Step,
        request: &Request,
        known: Values,
        performed: &mut Performed,
    ) -> Result<(), (Fault, bool)> {
        let light_s = self.light_left(step, request, performed.written);
        if !step.until.is_empty() && performed.written.is_some() {
            // Nothing is ready before the integration has ended.
            self.wait(span(light_s.0));
        }
        let started = self.clock.monotonic();
        let limit = self.deadline(light_s.0 + light_s.1 + step.timeout_s);
        let frame_values = request.frame_values.saturating_sub(performed.values.counts.values.len());
        let turn = Turn { step, request, known, frame_values, light_s };
        loop {
            let values = match self.work(&turn, performed).and_then(|values| counted(step, &turn.known, values)) {
                Ok(values) => values,
                Err((fault, begun)) => {
                    if let Some(begun) = begun {
                        // Values before a frame that broke off; the frame is read again.
                        let conflict = performed.values.merge(*begun);
                        return Err((fault, conflict.is_ok()));
                    }
                    return Err((fault, false));
                }
            };
            let seen = values.known_with(&turn.known);
            let seen = |test: &&Test| !test.holds(&seen);
            if let Some(broken) = step.require.iter().find(seen) {
                let found = values.get(&broken.name).map_or("nothing".into(), ToString::to_string);
                let error = Malformed { expected: broken.text.clone(), found: format!("{} {found}", broken.name) };
                return Err((corrupt(&step.place, error), false));
            }
            let Some(waits) = step.until.iter().find(seen) else {
                return performed.values.merge(values).map_err(|error| (corrupt(&step.place, error), false));
            };
            if self.clock.left(limit).is_zero() {
                let found = values.get(&waits.name).map_or("nothing".into(), ToString::to_string);
                let waited = self.clock.monotonic().saturating_sub(started);
                let found = format!("{} is still {found}, expected `{}`", waits.name, waits.text);
                return Err((Fault::NoAnswer { command: step.place.clone(), waited, found }, false));
            }
            self.wait(span(step.every_s));
        }
    }

    /// The rest of the integration time, and the largest additional time [s].
    fn light_left(&self, step: &Step, request: &Request, written: Option<UtcMicros>) -> (f64, f64) {
        match written {
            _ if step.exposes => request.light_s,
            // Frames come by themselves.
            _ if self.dialect.timing.free_running => request.light_s,
            Some(written) => {
                ((request.light_s.0 - self.clock.now().seconds_since(written)).max(0.0), request.light_s.1)
            }
            None => (0.0, 0.0),
        }
    }

    /// One message and its answer. The values of an error: those before a frame that had begun to arrive.
    fn work(&mut self, turn: &Turn, performed: &mut Performed) -> Result<Values, (Fault, Option<Box<Values>>)> {
        let step = turn.step;
        match &step.work {
            Work::Wait(seconds) => self.pause(*seconds).map_err(|fault| (fault, None)),
            Work::WaitIntegration => self.pause(turn.light_s.0).map_err(|fault| (fault, None)),
            Work::Drain => self.drain().map(|()| Values::default()).map_err(|fault| (fault, None)),
            Work::Message { send, .. } => self.message(turn, send.as_ref(), performed),
            Work::ReadRegisters { .. } | Work::WriteRegisters { .. } => {
                let (values, written) = self.registers(step, turn).map_err(|fault| (fault, None))?;
                if step.exposes {
                    performed.written = written;
                }
                Ok(values)
            }
        }
    }

    fn pause(&mut self, seconds: f64) -> Result<Values, Fault> {
        self.wait(span(seconds));
        if self.stop.requested() { Err(Fault::Stopped) } else { Ok(Values::default()) }
    }

    fn message(
        &mut self,
        turn: &Turn,
        send: Option<&Template>,
        performed: &mut Performed,
    ) -> Result<Values, (Fault, Option<Box<Values>>)> {
        let step = turn.step;
        let dialect = Arc::clone(&self.dialect);
        if send.is_some() {
            self.tag = self.tag.wrapping_add(1);
        }
        let context = self.context(&dialect, turn);
        let (body, message) = match send {
            None => Default::default(),
            Some(template) => framed(&dialect, step, template, &context).map_err(|fault| (fault, None))?,
        };
        let answer_bytes = self.answer_bytes(step, turn);
        let busy_s = step.timeout_s + turn.light_s.0 + turn.light_s.1 + self.wire_s(answer_bytes.1);
        let deadline = if message.is_empty() {
            if self.stop.requested() {
                return Err((Fault::Stopped, None));
            }
            self.deadline(busy_s)
        } else {
            let (deadline, written) = self.send(&message, busy_s).map_err(|fault| (fault, None))?;
            if step.exposes {
                performed.written = Some(written);
            }
            deadline
        };
        if !parse::expects(&dialect, step, &body) {
            self.log(step, &message, 0, None);
            return Ok(Values::default());
        }
        if !dialect.timing.free_running {
            let light_s = if step.exposes { turn.light_s.0 } else { 0.0 };
            self.wait_for(light_s, message.len() + answer_bytes.0).map_err(|fault| (fault, None))?;
        }
        let parse = |bytes: &[u8]| parse::answer(&dialect, step, &body, &context, bytes);
        let most = answer_bytes.2 + 2 * body.len();
        match self.receive(step, &message, deadline, most, parse) {
            Ok((parsed, arrived)) => {
                performed.arrived = Some(arrived);
                self.refusal(step, &message, &parsed.values).map_err(|fault| (fault, None))?;
                Ok(parsed.values)
            }
            Err(failed) => {
                let Failed { fault, parsed } = *failed;
                let begun = step.exposes && parsed.begun && !matches!(parsed.state, State::Done(_));
                let held = begun && step.answers("counts") && !parsed.values.is_empty();
                Err((fault, held.then(|| Box::new(parsed.values))))
            }
        }
    }

    /// The fault for an error that the instrument reports in an answer to a message that expects none.
    fn refusal(&self, step: &Step, message: &[u8], values: &Values) -> Result<(), Fault> {
        let expected = step.expect().is_some_and(|template| template.has("error_code"));
        let reported = ["error_code", "error_text"].iter().any(|name| values.get(name).is_some());
        if expected || !reported {
            return Ok(());
        }
        let code = values.number("error_code").unwrap_or(1.0) as i32;
        Err(Fault::Refused { command: command(step, message), code, text: values.text("error_text") })
    }

    pub(super) fn context<'a>(&self, dialect: &'a Dialect, turn: &'a Turn) -> Context<'a> {
        Context {
            words: &dialect.words,
            probes: dialect.probes.as_ref(),
            tag: self.tag,
            attempt: self.attempt.as_ref().map_or(1, |attempt| attempt.number),
            values: &turn.known,
            shutter: turn.request.shutter,
            identity: turn.request.identity,
            frame_values: turn.frame_values,
        }
    }

    /// The messages of the action `abort`, without their answers.
    pub(super) fn abort_messages(&mut self, dialect: &Dialect) -> Vec<Vec<u8>> {
        let request = Request::default();
        let mut messages = Vec::new();
        for step in dialect.steps(Action::Abort) {
            self.tag = self.tag.wrapping_add(1);
            let turn = Turn { step, request: &request, known: Values::default(), frame_values: 0, light_s: (0.0, 0.0) };
            let message = match &step.work {
                Work::Message { send: Some(template), .. } => {
                    framed(dialect, step, template, &self.context(dialect, &turn)).ok()
                }
                Work::WriteRegisters { .. } => self.write_request(step, &turn).map(|message| (Vec::new(), message)),
                _ => None,
            };
            messages.extend(message.map(|(_, message)| message));
        }
        messages
    }

    /// Bytes of an answer: typically, those that are waited for, and the most that are taken.
    fn answer_bytes(&self, step: &Step, turn: &Turn) -> (usize, usize, usize) {
        let Some(template) = step.expect() else { return (0, 64, 64) };
        let block_width = if turn.known.text("format") == "u32" { 4 } else { 2 };
        let (mut typical, mut counts, mut widest) = (0, 0, 0);
        for field in template.fields() {
            if field.name == "counts" {
                let width = match field.coding {
                    Coding::Block => field.element.and_then(|element| element.width()).unwrap_or(block_width),
                    Coding::Decimal(digits) | Coding::Hex(digits) => digits.unwrap_or(5) + 2,
                    coding => coding.width().unwrap_or(4),
                };
                let count = field.count.unwrap_or(turn.frame_values);
                (counts, widest) = (count * width, count * (width + 8));
            } else {
                typical += match field.coding {
                    Coding::Probes { .. } => 4 * FIELD_BYTES,
                    coding => coding.width().unwrap_or(FIELD_BYTES),
                };
            }
        }
        let patient = if counts > 0 || template.binary { counts + 256 } else { TEXT_ANSWER };
        let packet = self.dialect.packet.as_ref().map_or(0, |packet| 2 * (packet.max_body + packet.overhead()));
        // Free-running instruments send other frames before.
        let others = if step.search { UNREAD_AT_MOST } else { 0 };
        (typical + counts, patient, TEXT_ANSWER + patient + widest + packet + others)
    }
}

/// Compares the counter of a repeated step with that of the answer, which is not a value of the action.
fn counted(step: &Step, known: &Values, mut values: Values) -> Result<Values, (Fault, Option<Box<Values>>)> {
    if let Some((name, ..)) = &step.for_each
        && let Some(found) = values.take(name)
        && known.get(name) != Some(&found)
    {
        let expected = format!("{name} {}", known.text(name));
        return Err((corrupt(&step.place, Malformed { expected, found: found.to_string() }), None));
    }
    Ok(values)
}

/// The body of a message and its bytes on the line.
fn framed(dialect: &Dialect, step: &Step, template: &Template, context: &Context) -> Result<(Vec<u8>, Vec<u8>), Fault> {
    let body = render(template, context).map_err(|text| Fault::Refused {
        command: step.place.clone(),
        code: dialect.checks.errors.out_of_range,
        text,
    })?;
    let message = match &dialect.packet {
        Some(packet) if step.framing.packet => packet.wrap(&body, context.tag),
        _ if template.binary => body.clone(),
        _ => [body.as_slice(), dialect.text.send_end.as_slice()].concat(),
    };
    Ok((body, message))
}
