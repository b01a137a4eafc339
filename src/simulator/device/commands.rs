//! Performs the commands of the device.
//!
//! Knows nothing of bytes and times on the line; a command that takes time moves [`Device::free_at`].

use super::{Device, State};
use crate::simulator::command_parser::{Command, Format, Number, ScpiError};
use crate::simulator::faults::FaultKind;
use rand::Rng;
use rand_distr::StandardNormal;

/// Answer of a query that is answered at once; `None` for a setting or a command that is answered later.
type Answer = Result<Option<Vec<u8>>, ScpiError>;

impl Device {
    /// Performs one command.
    pub(super) fn perform(&mut self, command: Command) -> Answer {
        match command {
            Command::Reset => self.state = State::default_of(&self.station),
            Command::ClearErrors => self.errors.clear(),
            Command::SetAperture(number) => self.set_aperture(number)?,
            Command::SetShutter(open) => self.set_shutter(open)?,
            Command::SetFormat(format) => self.state.format = format,
            Command::SetBorder(swapped) => self.state.swapped = swapped,
            // No exposure runs while a command is performed, so there is nothing to abort.
            Command::Abort => {}
            Command::Read => {
                self.reads += 1;
                self.exposure = Some((self.free_at, self.free_at.plus_seconds(self.state.aperture_s)));
                self.close_message();
            }
            Command::Fetch => {
                let block = self.block.as_ref().ok_or(ScpiError::DataStale)?.answer.clone();
                self.close_message();
                return Ok(Some(block));
            }
            query => return self.query(query).map(|text| Some(text.into_bytes())),
        }
        Ok(None)
    }

    /// No unit may follow in this message.
    fn close_message(&mut self) {
        if let Some(message) = &mut self.message {
            message.closed = true;
        }
    }

    /// Rounds an integration time to the device's step.
    fn set_aperture(&mut self, number: Number) -> Result<(), ScpiError> {
        let device = &self.station.settings().device;
        let value = match number {
            Number::Value(value) => value,
            Number::Min => device.aperture_min_s,
            Number::Max => device.aperture_max_s,
        };
        if !(device.aperture_min_s..=device.aperture_max_s).contains(&value) {
            return Err(ScpiError::DataOutOfRange);
        }
        let steps = (value / device.aperture_step_s).round();
        self.state.aperture_s = (steps * device.aperture_step_s).clamp(device.aperture_min_s, device.aperture_max_s);
        Ok(())
    }

    fn set_shutter(&mut self, open: bool) -> Result<(), ScpiError> {
        let device = &self.station.settings().device;
        if !device.shutter {
            return Err(ScpiError::HardwareMissing);
        }
        if open != self.state.shutter_open {
            self.free_at = self.free_at.plus_seconds(device.shutter_settling_s);
        }
        self.state.shutter_open = open;
        Ok(())
    }

    /// Answers a query of settings, properties or sensors.
    fn query(&mut self, query: Command) -> Result<String, ScpiError> {
        let device = &self.station.settings().device;
        let detector = &self.station.settings().detector;
        Ok(match query {
            Command::Identity => self.identity(),
            Command::Complete => "1".into(),
            Command::SelfTest => device.self_test.to_string(),
            Command::NextError => {
                let (code, text) = self.errors.pop_front().map_or((0, "No error"), ScpiError::entry);
                format!("{code},\"{text}\"")
            }
            Command::Version => "1999.0".into(),
            Command::Aperture(which) => number(match which {
                None | Some(Number::Value(_)) => self.state.aperture_s,
                Some(Number::Min) => device.aperture_min_s,
                Some(Number::Max) => device.aperture_max_s,
            }),
            Command::Size => detector.pixels.to_string(),
            Command::FullScale => detector.full_scale.to_string(),
            Command::Shielded if detector.shielded.is_empty() => "NONE".into(),
            Command::Shielded => {
                detector.shielded.iter().map(|r| format!("{},{}", r[0], r[1])).collect::<Vec<_>>().join(",")
            }
            Command::Shutter if !device.shutter => return Err(ScpiError::HardwareMissing),
            Command::Shutter => if self.state.shutter_open { "OPEN" } else { "CLOS" }.into(),
            Command::Temperature => self.temperature(),
            Command::Format => match self.state.format {
                Format::Uint16 => "UINT,16",
                Format::Uint32 => "UINT,32",
                Format::Ascii => "ASC",
            }
            .into(),
            Command::Border => if self.state.swapped { "SWAP" } else { "NORM" }.into(),
            Command::FetchCrc => self.block.as_ref().ok_or(ScpiError::DataStale)?.crc32.to_string(),
            Command::Wavelength => {
                detector.wavelength_coefficients.iter().map(|c| number(*c)).collect::<Vec<_>>().join(",")
            }
            // Performed by `perform`.
            _ => return Err(ScpiError::UndefinedHeader),
        })
    }

    fn identity(&self) -> String {
        let id = &self.station.settings().identity;
        let other = self.station.faults.is_active(FaultKind::OtherSerial, self.free_at);
        let serial = if other { "VB-9999" } else { &id.serial };
        format!("{},{},{serial},{}", id.maker, id.model, id.firmware)
    }

    fn temperature(&mut self) -> String {
        let device = &self.station.settings().device;
        if !device.temperature_sensor {
            return "9.91E37".into();
        }
        let noise: f64 = self.random.sample(StandardNormal);
        let true_c = self.station.condition(self.free_at).temperature_c;
        format!("{:.3}", true_c + device.temperature_noise_k * noise)
    }
}

/// NR3 with enough digits to be read back exactly.
fn number(value: f64) -> String {
    format!("{value:E}")
}
