//! Registers over Modbus RTU and Modbus TCP: requests and answers as messages of this line, so that its deadlines and its recovery hold.
//!
//! The messages are made and checked by the crate `rmodbus`, which does no input or output. On a serial link the frames are those of
//! Modbus RTU, on a TCP link those of Modbus TCP, whose transaction number ties an answer to its question.

use super::perform::Turn;
use super::{Exchange, command, corrupt, parse};
use crate::clock::UtcMicros;
use crate::dialect::ModbusRules;
use crate::dialect::decode::{Parsed, State};
use crate::dialect::encode::render;
use crate::dialect::malformed::{Malformed, shown, wire};
use crate::dialect::step::{Step, Table, Work};
use crate::dialect::values::Values;
use crate::fault::Fault;
use crate::instrument::link::LinkKind;
use rmodbus::client::ModbusRequest;
use rmodbus::{ErrorKind, ModbusProto, guess_response_frame_len};
use std::sync::Arc;

/// Longest answer: 120 registers with address, function, length and checksum [bytes].
const MOST: usize = 260;

impl Exchange {
    /// Reads or writes the registers of a step; also returns the instant at which the last request left the line.
    pub(super) fn registers(&mut self, step: &Step, turn: &Turn) -> Result<(Values, Option<UtcMicros>), Fault> {
        let dialect = Arc::clone(&self.dialect);
        let Some(rules) = dialect.modbus else { return Ok((Values::default(), None)) };
        match &step.work {
            Work::ReadRegisters { table, address, count, expect } => {
                let mut bytes = Vec::with_capacity(2 * usize::from(*count));
                let mut done = 0;
                while done < *count {
                    let part = rules.per_request.min(count - done);
                    let (table, first) = (*table, address + done);
                    let read = |request: &mut ModbusRequest, message: &mut Vec<u8>| match table {
                        Table::Input => request.generate_get_inputs(first, part, message),
                        Table::Holding => request.generate_get_holdings(first, part, message),
                    };
                    bytes.extend(self.transact(step, rules, turn, read)?.0);
                    done += part;
                }
                let context = self.context(&dialect, turn);
                let parsed = parse::in_body(&dialect, expect, &context, &bytes, bytes.len());
                match parsed.state {
                    State::Malformed(error) => Err(corrupt(&step.place, error)),
                    _ => Ok((parsed.values, None)),
                }
            }
            Work::WriteRegisters { address, send } => {
                let context = self.context(&dialect, turn);
                let refused = |text| Fault::Refused {
                    command: step.place.clone(),
                    code: dialect.checks.errors.out_of_range,
                    text,
                };
                let bytes = render(send, &context).map_err(refused)?;
                let registers: Vec<u16> = bytes.as_chunks().0.iter().map(|b| u16::from_be_bytes(*b)).collect();
                if registers.is_empty() || registers.len() * 2 != bytes.len() || registers.len() > 120 {
                    return Err(refused(format!(
                        "expected 1 to 120 registers of two bytes, but found {} bytes",
                        bytes.len()
                    )));
                }
                let make =
                    |request: &mut ModbusRequest, message: &mut Vec<u8>| write(request, message, *address, &registers);
                let (_, written) = self.transact(step, rules, turn, make)?;
                Ok((Values::default(), Some(written)))
            }
            _ => Ok((Values::default(), None)),
        }
    }

    /// The request of a step that writes registers.
    pub(super) fn write_request(&mut self, step: &Step, turn: &Turn) -> Option<Vec<u8>> {
        let dialect = Arc::clone(&self.dialect);
        let Work::WriteRegisters { address, send } = &step.work else { return None };
        let bytes = render(send, &self.context(&dialect, turn)).ok()?;
        let registers: Vec<u16> = bytes.as_chunks().0.iter().map(|b| u16::from_be_bytes(*b)).collect();
        let mut request = self.new_request(dialect.modbus?);
        let mut message = Vec::new();
        write(&mut request, &mut message, *address, &registers).ok()?;
        Some(message)
    }

    fn new_request(&self, rules: ModbusRules) -> ModbusRequest {
        let mut request = ModbusRequest::new(rules.unit, self.proto());
        request.tr_id = self.tag as u16;
        request
    }

    fn proto(&self) -> ModbusProto {
        if self.link.kind() == LinkKind::Serial { ModbusProto::Rtu } else { ModbusProto::TcpUdp }
    }

    /// One request and its answer; returns the bytes of the registers, and the instant at which the request left the line.
    fn transact(
        &mut self,
        step: &Step,
        rules: ModbusRules,
        turn: &Turn,
        make: impl Fn(&mut ModbusRequest, &mut Vec<u8>) -> Result<(), ErrorKind>,
    ) -> Result<(Vec<u8>, UtcMicros), Fault> {
        self.tag = self.tag.wrapping_add(1);
        let proto = self.proto();
        let mut request = self.new_request(rules);
        let mut message = Vec::new();
        make(&mut request, &mut message).map_err(|error| Fault::Refused {
            command: step.place.clone(),
            code: 1,
            text: format!("the request cannot be made: {error}"),
        })?;
        let busy_s = step.timeout_s + self.wire_s(MOST) + turn.light_s.0;
        let (deadline, written) = self.send(&message, busy_s)?;
        let answer = usize::from(request.count) * 2 + 5;
        self.wait_for(0.0, message.len() + answer)?;
        let parse = |bytes: &[u8]| match frame(&request, proto, bytes) {
            Ok(Some(used)) => Parsed { state: State::Done(used), ..Parsed::more(0) },
            Ok(None) => Parsed { begun: false, ..Parsed::more(bytes.len() + 1) },
            Err(error) => Parsed::malformed(error),
        };
        // The bytes are looked at before the exchange consumes them.
        let copy = std::cell::RefCell::new(Vec::new());
        let keep = |bytes: &[u8]| {
            let parsed = parse(bytes);
            if let State::Done(used) = parsed.state {
                *copy.borrow_mut() = bytes[..used].to_vec();
            }
            parsed
        };
        self.receive(step, &message, deadline, MOST, keep).map_err(|failed| failed.fault)?;
        let answer = copy.into_inner();
        self.content(step, &message, &request, &answer).map(|bytes| (bytes, written))
    }

    /// The bytes of the registers in an answer; the fault for an exception or a wrong checksum.
    fn content(&self, step: &Step, message: &[u8], request: &ModbusRequest, answer: &[u8]) -> Result<Vec<u8>, Fault> {
        let function = if self.proto() == ModbusProto::Rtu { 1 } else { 7 };
        if answer.get(function).is_some_and(|code| code & 0x80 != 0) {
            let code = answer.get(function + 1).copied().unwrap_or(0);
            let text = format!("exception {code:02}: {}", exception(code));
            return Err(Fault::Refused { command: command(step, message), code: i32::from(code), text });
        }
        let checked = match is_read(request) {
            true => request.parse_slice(answer).map(<[u8]>::to_vec),
            false => request.parse_ok(answer).map(|()| Vec::new()),
        };
        let wrong = |expected: String, found: String| corrupt(&command(step, message), Malformed { expected, found });
        let unlike = |error| wrong("an answer to the request".into(), format!("{} ({error})", wire(answer)));
        let bytes = checked.map_err(unlike)?;
        if is_read(request) && bytes.len() != usize::from(request.count) * 2 {
            return Err(wrong(format!("{} registers", request.count), shown(&bytes)));
        }
        Ok(bytes)
    }
}

/// Function 6 for one register, function 16 for several.
fn write(request: &mut ModbusRequest, message: &mut Vec<u8>, address: u16, registers: &[u16]) -> Result<(), ErrorKind> {
    match registers {
        [single] => request.generate_set_holding(address, *single, message),
        several => request.generate_set_holdings_bulk(address, several, message),
    }
}

fn is_read(request: &ModbusRequest) -> bool {
    request.func.is_read()
}

/// The length of the answer at the beginning of `bytes`, when it is complete; its unit, function and transaction are checked.
fn frame(request: &ModbusRequest, proto: ModbusProto, bytes: &[u8]) -> Result<Option<usize>, Malformed> {
    let wrong = |expected: String| Err(Malformed { expected, found: wire(bytes) });
    let header = if proto == ModbusProto::Rtu { 0 } else { 6 };
    if header > 0 {
        let expected = [request.tr_id.to_be_bytes(), [0, 0]].concat();
        let common = bytes.len().min(4);
        if bytes[..common] != expected[..common] {
            return wrong(format!("the answer of transaction {}", request.tr_id));
        }
    }
    if bytes.get(header).is_some_and(|unit| *unit != request.unit_id) {
        return wrong(format!("an answer of unit {}", request.unit_id));
    }
    let function = request.func as u8;
    if bytes.get(header + 1).is_some_and(|code| code & 0x7f != function) {
        return wrong(format!("an answer of function {function}"));
    }
    let exception = bytes.get(header + 1).is_some_and(|code| code & 0x80 != 0);
    if is_read(request)
        && !exception
        && bytes.get(header + 2).is_some_and(|n| usize::from(*n) != usize::from(request.count) * 2)
    {
        return wrong(format!("{} registers", request.count));
    }
    if bytes.len() < header + 3 {
        return Ok(None);
    }
    match guess_response_frame_len(bytes, proto) {
        Ok(length) if bytes.len() < usize::from(length) => Ok(None),
        Ok(length) => {
            let length = usize::from(length);
            let least = header + if exception { 3 } else { 4 };
            if length < least {
                return wrong("a whole answer".into());
            }
            if proto == ModbusProto::Rtu && exception {
                // The parser reports the exception before it compares the checksum.
                let sum =
                    crate::dialect::checksum::Checksum::named("CRC-16/MODBUS").map(|sum| sum.of(&bytes[..length - 2]));
                let found = u16::from_le_bytes([bytes[length - 2], bytes[length - 1]]);
                if sum != Some(u64::from(found)) {
                    return wrong("an answer with its checksum".into());
                }
            }
            Ok(Some(length))
        }
        Err(_) => wrong("a Modbus answer".into()),
    }
}

/// Meaning of an exception code (Modbus Application Protocol V1.1b3, section 7).
fn exception(code: u8) -> &'static str {
    match code {
        1 => "function not supported",
        2 => "no such register",
        3 => "value not allowed",
        4 => "the instrument failed",
        5 => "accepted, still working",
        6 => "busy",
        _ => "unknown",
    }
}
