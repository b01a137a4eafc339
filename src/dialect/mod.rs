//! Wire dialects: how an instrument is spoken to, as data from a TOML file.
//!
//! Loads a file ([`load`]), renders messages and matches answers. Does not read from or write to a line: that is done by
//! `instrument`. The built-in dialect is `config/dialects/scpi.toml`, embedded and loaded like any other. Pure but for [`load::load`],
//! which reads a file.
//!
//! Invariants:
//! - A dialect that loads can be interpreted: every field can be sent or matched, every action that is needed is there.
//! - No content of a file and no bytes from a line cause a panic; bytes are consumed only with a complete answer.

pub mod checksum;
pub mod context;
pub mod decode;
pub mod encode;
pub mod field;
pub mod limitations;
pub mod load;
pub mod malformed;
pub mod packet;
pub mod step;
pub mod tag;
pub mod template;
pub mod values;
pub mod words;

use checksum::Checksum;
use packet::PacketFormat;
use std::path::Path;
use std::sync::{Arc, LazyLock};
use step::{Action, Step};
use tag::Probes;
use template::Template;
use words::Words;

/// Name of the built-in dialect.
pub const BUILT_IN: &str = "scpi";
/// The text of the built-in dialect.
const SCPI_TEXT: &str = include_str!("../../config/dialects/scpi.toml");

/// The built-in dialect.
pub static SCPI: LazyLock<Arc<Dialect>> = LazyLock::new(|| {
    let dialect = load::parse(Path::new("config/dialects/scpi.toml"), SCPI_TEXT);
    // A test loads the file that is embedded here.
    Arc::new(dialect.unwrap_or_else(|diagnostics| unreachable!("the built-in dialect is invalid: {diagnostics}")))
});

/// Number of the parity bit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parity {
    /// No parity bit.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// Flow control.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlowControl {
    /// None.
    None,
    /// By the lines RTS and CTS.
    Hardware,
    /// By the characters XON and XOFF.
    Software,
}

/// Settings of a serial port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SerialSettings {
    /// Line rate [baud].
    pub baud: u32,
    /// Data bits, 7 or 8.
    pub data_bits: u8,
    /// Parity.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
    /// Flow control.
    pub flow_control: FlowControl,
}

impl Default for SerialSettings {
    fn default() -> Self {
        Self { baud: 115_200, data_bits: 8, parity: Parity::None, stop_bits: 1, flow_control: FlowControl::None }
    }
}

impl SerialSettings {
    /// Bits of a byte on the line, with start, parity and stop bits.
    pub fn bits(&self) -> f64 {
        f64::from(1 + self.data_bits + u8::from(self.parity != Parity::None) + self.stop_bits)
    }
}

/// Times of the line.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Timing {
    /// Pause after each byte sent [s].
    pub byte_delay_s: f64,
    /// Pause before each message [s].
    pub command_delay_s: f64,
    /// Whether the instrument sends frames without being asked.
    pub free_running: bool,
}

/// Rules for text.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TextRules {
    /// End of a sent line.
    pub send_end: Vec<u8>,
    /// End of a received line.
    pub answer_end: Vec<u8>,
    /// Whether the instrument returns what it receives, before the answer.
    pub echo: bool,
    /// What the instrument returns for `send_end`.
    pub echo_end: Vec<u8>,
    /// What the instrument sends after each answer.
    pub prompt: Vec<u8>,
}

/// Rules for registers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ModbusRules {
    /// Unit address.
    pub unit: u8,
    /// Most registers in one request.
    pub per_request: u16,
}

/// Whether there is a shutter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShutterRule {
    /// There is one.
    Yes,
    /// There is none.
    No,
    /// The action `detect_shutter` finds out.
    Detect,
}

/// What the file says about the detector; the instrument's own answers come first.
#[derive(Clone, Debug, PartialEq)]
pub struct DetectorRules {
    /// Values of a frame on the line; the instrument says so if absent.
    pub values: Option<usize>,
    /// Which values are pixels, in the order of the detector, as ranges of positions; a range may descend. Empty: all, in order.
    pub pixels: Vec<(u16, u16)>,
    /// Light-shielded pixels, counted from 0 in the order of the detector.
    pub shielded: Option<Vec<(u16, u16)>>,
    /// Full scale [counts].
    pub full_scale: Option<u32>,
    /// Shortest and longest integration time [s].
    pub integration_s: (Option<f64>, Option<f64>),
    /// Step of the integration time [s]; 0 where it is not known.
    pub integration_step_s: f64,
    /// Whether there is a shutter.
    pub shutter: ShutterRule,
    /// Frames to discard after a change of a setting.
    pub frame_lag: u32,
    /// Shortest time between two frames of a free-running instrument [s].
    pub frame_period_s: f64,
    /// Exposures that the instrument adds up in a frame.
    pub sum_of: u32,
    /// Exposures that the instrument averages in a frame.
    pub mean_of: u32,
}

/// The checksum of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FrameCheck {
    /// The checksum.
    pub checksum: Checksum,
    /// Whether it is a sum of the values; otherwise it covers their bytes.
    pub over_values: bool,
}

/// How the instrument reports errors.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ErrorRules {
    /// Answer of a refused message, with the fields `error_code` and `error_text`.
    pub answer: Option<Template>,
    /// Code that means no error.
    pub none: i32,
    /// Code for missing hardware.
    pub hardware_missing: i32,
    /// Code for a value out of range.
    pub out_of_range: i32,
}

/// Identity of an instrument that does not tell one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FixedIdentity {
    /// Maker, model, serial number, firmware.
    pub parts: [String; 4],
}

/// A wire dialect.
#[derive(Clone, Debug, PartialEq)]
pub struct Dialect {
    /// Name in messages.
    pub name: String,
    /// The file.
    pub file: String,
    /// Settings of a serial port.
    pub serial: SerialSettings,
    /// Times of the line.
    pub timing: Timing,
    /// Rules for text.
    pub text: TextRules,
    /// Words of states.
    pub words: Words,
    /// Probes, where tags are probes.
    pub probes: Option<Probes>,
    /// The form of packets.
    pub packet: Option<PacketFormat>,
    /// Registers.
    pub modbus: Option<ModbusRules>,
    /// The detector.
    pub detector: DetectorRules,
    /// What the instrument cannot tell about itself, and how errors and frames are checked.
    pub checks: Checks,
    /// Actions with their steps.
    pub actions: Vec<(Action, Vec<Step>)>,
}

/// Identity, errors and the checksum of a frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Checks {
    /// Identity of an instrument that does not tell one.
    pub identity: Option<FixedIdentity>,
    /// The checksum of a frame.
    pub frame: Option<FrameCheck>,
    /// How the instrument reports errors.
    pub errors: ErrorRules,
}

impl Dialect {
    /// The steps of an action; none where the instrument does not know it.
    pub fn steps(&self, action: Action) -> &[Step] {
        self.actions.iter().find(|(known, _)| *known == action).map_or(&[], |(_, steps)| steps)
    }

    /// Whether the instrument knows an action.
    pub fn has(&self, action: Action) -> bool {
        !self.steps(action).is_empty()
    }

    /// Whether an answer to an action has a value of this name.
    pub fn answers(&self, action: Action, name: &str) -> bool {
        self.steps(action).iter().any(|step| step.answers(name))
    }

    /// Whether every answer is protected by a checksum of the packet or the register protocol.
    pub fn is_protected(&self) -> bool {
        self.modbus.is_some() || self.packet.as_ref().is_some_and(|packet| packet.checksum.is_some())
    }

    /// Whether the integration time is read back.
    pub fn echoes_integration(&self) -> bool {
        [Action::Set, Action::Expose, Action::Confirm].iter().any(|action| self.answers(*action, "integration"))
    }

    /// Whether the frame is proven by a checksum.
    pub fn proves_frame(&self) -> bool {
        let sent = [Action::Expose, Action::Confirm].iter().any(|action| self.answers(*action, "checksum"));
        sent && self.checks.frame.is_some() || self.is_protected()
    }
}
