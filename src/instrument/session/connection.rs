//! Identification of the instrument and its detector.
//!
//! The answers have no checksum, so every query is sent twice and both answers must agree.

use super::{Connected, Identity, SHUTTER_S, Session};
use crate::fault::Fault;
use crate::instrument::answer;
use crate::instrument::dialect::PixelFormat;
use crate::instrument::exchange::corrupt;
use crate::instrument::malformed::Malformed;
use crate::record::Detector;

impl Session {
    /// Compares the serial number with that of the connected instrument; a different one must be confirmed by a second answer.
    pub(super) fn same_instrument(&mut self) -> Result<Identity, Fault> {
        let expected = self.facts()?.identity.serial.clone();
        let first = self.identify()?;
        if first.serial == expected {
            return Ok(first);
        }
        let second = self.identify()?;
        if second.serial != first.serial {
            return Err(self.differs(&self.dialect.identify, &first.serial, &second.serial));
        }
        Err(Fault::Identity { expected, found: second.serial })
    }

    fn identify(&mut self) -> Result<Identity, Fault> {
        let answer = self.exchange.ask(&[], &[&self.dialect.identify], 0.0)?;
        self.parse_identity(answer.at(0))
    }

    /// Parses the answer to the identification query.
    pub(super) fn parse_identity(&self, answer: &str) -> Result<Identity, Fault> {
        let parts: Vec<&str> = answer.split(',').map(str::trim).collect();
        match parts[..] {
            [maker, model, serial, firmware] if !serial.is_empty() => Ok(Identity {
                maker: maker.into(),
                model: model.into(),
                serial: serial.into(),
                firmware: firmware.into(),
            }),
            _ => Err(corrupt(
                &self.dialect.identify,
                Malformed { expected: "maker,model,serial,firmware".into(), found: format!("`{answer}`") },
            )),
        }
    }

    pub(super) fn differs(&self, command: &str, first: &str, second: &str) -> Fault {
        corrupt(command, Malformed { expected: format!("`{first}` again"), found: format!("`{second}`") })
    }

    /// Reads identity and detector, each twice.
    pub(super) fn identify_connected(&mut self) -> Result<Connected, Fault> {
        let (first, identity) = (self.identify()?, self.identify()?);
        if first != identity {
            return Err(self.differs(&self.dialect.identify, &format!("{first:?}"), &format!("{identity:?}")));
        }
        let (first, mut detector) = (self.describe()?, self.describe()?);
        if first != detector {
            return Err(self.differs(&self.dialect.pixels, &format!("{first:?}"), &format!("{detector:?}")));
        }
        let format = PixelFormat::for_full_scale(detector.full_scale);
        detector.transfer_s = self.exchange.wire_s(detector.pixels * format.width() + 64);
        Ok(Connected { identity, detector, format })
    }

    fn describe(&mut self) -> Result<Detector, Fault> {
        let d = self.dialect;
        let queries: [&str; 5] = [&d.pixels, &d.full_scale, &d.aperture_min, &d.aperture_max, &d.shielded];
        let answers = self.exchange.ask(&[], &queries, 0.0)?;
        let parse = || -> Result<Detector, Malformed> {
            let pixels = answer::whole(answers.at(0), 1, answer::MAX_PIXELS as u32)? as usize;
            let (low, high) = (answer::seconds(answers.at(2))?, answer::seconds(answers.at(3))?);
            if low > high {
                let expected = "a shortest integration time below the longest".into();
                return Err(Malformed { expected, found: format!("{low} s and {high} s") });
            }
            Ok(Detector {
                pixels,
                full_scale: answer::whole(answers.at(1), 1, u32::MAX)?,
                shielded: answer::shielded(answers.at(4), &d.shielded_none, pixels)?,
                integration_min_s: low,
                integration_max_s: high,
                has_shutter: false,
                transfer_s: 0.0,
            })
        };
        let detector = parse().map_err(|e| corrupt(&queries.join(";"), e))?;
        Ok(Detector { has_shutter: self.probe_shutter()?, ..detector })
    }

    /// Opens the shutter and reads the error queue, to find out whether there is a shutter.
    fn probe_shutter(&mut self) -> Result<bool, Fault> {
        let d = self.dialect;
        let open = d.shutter.to(&d.shutter_open.short());
        let answer = self.exchange.ask(&[d.clear_errors.to_string(), open.clone()], &[&d.next_error], SHUTTER_S)?;
        match answer::error(answer.at(0)).map_err(|e| corrupt(&d.next_error, e))? {
            (0, _) => Ok(true),
            (code, _) if code == d.hardware_missing => Ok(false),
            (code, text) => Err(Fault::Refused { command: open, code, text }),
        }
    }
}
