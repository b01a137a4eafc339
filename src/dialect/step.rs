//! Actions and their steps, as data.

use super::field::Coding;
use super::template::{Condition, Template};
use super::values::{Value, Values};

/// What the program asks of an instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Brings the instrument to a known state after connection.
    Reset,
    /// Reads maker, model, serial number and firmware.
    Identify,
    /// Reads properties of the detector.
    Describe,
    /// Finds out whether there is a shutter.
    DetectShutter,
    /// Sends integration time, shutter and data format, and reads them back.
    Set,
    /// Exposes and reads the frame.
    Expose,
    /// Sends a new integration time and exposes, in one.
    SetAndExpose,
    /// Reads checksum, settings and temperature after an exposure.
    Confirm,
    /// Reads the last frame again, without a new exposure.
    Fetch,
    /// Reads the temperature.
    Temperature,
    /// Ends a running exposure.
    Abort,
    /// Brings the line to a known state after a fault.
    Resynchronise,
}

impl Action {
    /// All actions.
    pub const ALL: [Self; 12] = [
        Self::Reset,
        Self::Identify,
        Self::Describe,
        Self::DetectShutter,
        Self::Set,
        Self::Expose,
        Self::SetAndExpose,
        Self::Confirm,
        Self::Fetch,
        Self::Temperature,
        Self::Abort,
        Self::Resynchronise,
    ];

    /// The name in a dialect file.
    pub fn name(self) -> &'static str {
        match self {
            Self::Reset => "reset",
            Self::Identify => "identify",
            Self::Describe => "describe",
            Self::DetectShutter => "detect_shutter",
            Self::Set => "set",
            Self::Expose => "expose",
            Self::SetAndExpose => "set_and_expose",
            Self::Confirm => "confirm",
            Self::Fetch => "fetch",
            Self::Temperature => "temperature",
            Self::Abort => "abort",
            Self::Resynchronise => "resynchronise",
        }
    }
}

/// A register table of a Modbus instrument.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Table {
    /// Input registers, function 4.
    Input,
    /// Holding registers, functions 3, 6 and 16.
    Holding,
}

/// What a step does.
#[derive(Clone, Debug, PartialEq)]
pub enum Work {
    /// Sends a message and expects its answer; either may be absent.
    Message {
        /// What is sent.
        send: Option<Template>,
        /// What is expected.
        expect: Option<Template>,
    },
    /// Reads registers; the template matches their bytes.
    ReadRegisters {
        /// Which table.
        table: Table,
        /// First address.
        address: u16,
        /// Number of registers.
        count: u16,
        /// What is expected.
        expect: Template,
    },
    /// Writes holding registers with the bytes of the template.
    WriteRegisters {
        /// First address.
        address: u16,
        /// What is written.
        send: Template,
    },
    /// Waits [s].
    Wait(f64),
    /// Waits for the integration time.
    WaitIntegration,
    /// Discards received bytes until the line is quiet.
    Drain,
}

/// How a value is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Comparison {
    /// `=`
    Equal,
    /// `!=`
    Different,
    /// `&`: a bit of the mask is set.
    AnyBit,
    /// `!&`: no bit of the mask is set.
    NoBit,
}

/// A condition on a value of an answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Test {
    /// Name of the value.
    pub name: String,
    /// The comparison.
    pub comparison: Comparison,
    /// A number, a state, or the name of another value.
    pub operand: String,
    /// The condition as written.
    pub text: String,
}

impl Test {
    /// Whether the condition holds; it does not for a value that is missing.
    pub fn holds(&self, values: &Values) -> bool {
        let Some(value) = values.get(&self.name) else { return false };
        let bits = |mask: &str| match (value, number(mask)) {
            (Value::Number(found), Some(mask)) if *found >= 0.0 => Some(*found as u64 & mask as u64),
            _ => None,
        };
        match self.comparison {
            Comparison::Equal => self.equals(value, values),
            Comparison::Different => !self.equals(value, values),
            Comparison::AnyBit => bits(&self.operand).is_some_and(|set| set != 0),
            Comparison::NoBit => bits(&self.operand) == Some(0),
        }
    }

    fn equals(&self, value: &Value, values: &Values) -> bool {
        match (value, number(&self.operand)) {
            (Value::Number(found), Some(expected)) => *found == expected,
            _ => values.get(&self.operand) == Some(value) || value.to_string() == self.operand,
        }
    }
}

/// A number of a condition, decimal or hexadecimal.
pub fn number(text: &str) -> Option<f64> {
    match text.strip_prefix("0x") {
        Some(hex) => u32::from_str_radix(hex, 16).ok().map(f64::from),
        None => text.parse::<f64>().ok().filter(|n| n.is_finite()),
    }
}

/// A step of an action.
#[derive(Clone, Debug, PartialEq)]
pub struct Step {
    /// File, line, action and number, for messages.
    pub place: String,
    /// What it does.
    pub work: Work,
    /// The step is left out unless this holds.
    pub when: Option<Condition>,
    /// Whether the exposure begins when its message has left the line.
    pub exposes: bool,
    /// Time allowed to the instrument beyond transfer and integration [s].
    pub timeout_s: f64,
    /// Skips other lines, packets or bytes before the answer.
    pub search: bool,
    /// Repeats the step until these hold.
    pub until: Vec<Test>,
    /// Pause between repetitions [s].
    pub every_s: f64,
    /// A fault unless these hold.
    pub require: Vec<Test>,
    /// Repeats the step with a value that counts from the first to the last number.
    pub for_each: Option<(String, u32, u32)>,
    /// How the message is framed.
    pub framing: Framing,
}

/// How a message is framed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Framing {
    /// Within a packet, where the dialect has packets.
    pub packet: bool,
    /// An echo is expected, where the instrument echoes.
    pub echo: bool,
    /// A prompt is expected, where the instrument sends one.
    pub prompt: bool,
}

impl Step {
    /// The template of the answer.
    pub fn expect(&self) -> Option<&Template> {
        match &self.work {
            Work::Message { expect, .. } => expect.as_ref(),
            Work::ReadRegisters { expect, .. } => Some(expect),
            _ => None,
        }
    }

    /// The template of the message.
    pub fn send(&self) -> Option<&Template> {
        match &self.work {
            Work::Message { send, .. } => send.as_ref(),
            Work::WriteRegisters { send, .. } => Some(send),
            _ => None,
        }
    }

    /// Whether the answer has a value of this name.
    pub fn answers(&self, name: &str) -> bool {
        self.expect().is_some_and(|template| template.has(name))
    }

    /// Whether the answer is tied to the message by probes or a number in its template.
    pub fn has_tag(&self) -> bool {
        let tags = |template: &Template| {
            template.fields().iter().any(|f| f.name == "tag" || matches!(f.coding, Coding::Probes { .. }))
        };
        self.expect().is_some_and(tags)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditions_compare_numbers_states_bits_and_other_values() {
        let values = Values::default()
            .with("status", Value::Number(5.0))
            .with("state", Value::Text("ready".into()))
            .with("frame", Value::Number(17.0))
            .with("before", Value::Number(16.0));
        let holds = |name: &str, comparison, operand: &str| {
            let (name, operand) = (name.to_owned(), operand.to_owned());
            Test { name, comparison, operand, text: String::new() }.holds(&values)
        };
        assert!(holds("status", Comparison::Equal, "5") && holds("status", Comparison::Different, "0x04"));
        assert!(holds("status", Comparison::AnyBit, "0x04") && holds("status", Comparison::NoBit, "2"));
        assert!(holds("state", Comparison::Equal, "ready") && !holds("state", Comparison::Equal, "busy"));
        assert!(holds("frame", Comparison::Different, "before") && !holds("frame", Comparison::Equal, "before"));
        assert!(!holds("missing", Comparison::Different, "1"));
    }
}
