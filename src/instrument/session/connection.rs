//! Identification of the instrument and its detector.
//!
//! Where answers have no checksum, every query is sent twice and both answers must agree.

use super::frame::Layout;
use super::{Connected, Identity, Session};
use crate::dialect::ShutterRule;
use crate::dialect::malformed::Malformed;
use crate::dialect::step::Action;
use crate::dialect::values::Values;
use crate::fault::Fault;
use crate::instrument::answer;
use crate::instrument::exchange::corrupt;
use crate::record::{Detector, PixelRanges};

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
            return Err(self.differs(Action::Identify, &first.serial, &second.serial));
        }
        Err(Fault::Identity { expected, found: second.serial })
    }

    fn identify(&mut self) -> Result<Identity, Fault> {
        let values = match self.dialect.has(Action::Identify) {
            true => self.exchange.perform(Action::Identify, &self.plain_request())?.values,
            false => Values::default(),
        };
        self.identity_of(&values)
    }

    /// The identity in an answer; parts that the instrument does not tell are those of the dialect.
    pub(super) fn identity_of(&self, values: &Values) -> Result<Identity, Fault> {
        let fixed = self.dialect.checks.identity.as_ref();
        let part = |index: usize, name: &str| match values.text(name) {
            text if !text.is_empty() => text,
            _ => fixed.map(|fixed| fixed.parts[index].clone()).unwrap_or_default(),
        };
        let identity = Identity {
            maker: part(0, "maker"),
            model: part(1, "model"),
            serial: part(2, "serial"),
            firmware: part(3, "firmware"),
        };
        if identity.serial.is_empty() {
            let malformed = Malformed { expected: "a serial number".into(), found: format!("{identity:?}") };
            return Err(corrupt(self.command(Action::Identify), malformed));
        }
        Ok(identity)
    }

    /// Place of an action in the dialect, for messages.
    pub(super) fn command(&self, action: Action) -> &str {
        self.dialect.steps(action).last().map_or(action.name(), |step| &step.place)
    }

    pub(super) fn differs(&self, action: Action, first: &str, second: &str) -> Fault {
        corrupt(self.command(action), Malformed { expected: format!("`{first}` again"), found: format!("`{second}`") })
    }

    /// Reads identity and detector, each twice where answers have no checksum.
    pub(super) fn identify_connected(&mut self) -> Result<Connected, Fault> {
        if self.dialect.has(Action::Reset) {
            self.exchange.perform(Action::Reset, &self.plain_request())?;
        }
        let identity = self.identify()?;
        let detector = self.describe()?;
        if !self.dialect.is_protected() {
            let again = self.identify()?;
            if again != identity {
                return Err(self.differs(Action::Identify, &format!("{identity:?}"), &format!("{again:?}")));
            }
            let again = self.describe()?;
            if again != detector {
                return Err(self.differs(Action::Describe, &format!("{detector:?}"), &format!("{again:?}")));
            }
        }
        let (detector, layout) = detector;
        let transfer_s = self.exchange.wire_s(layout.frame_bytes(&self.dialect));
        Ok(Connected { identity, detector: Detector { transfer_s, ..detector }, layout })
    }

    fn describe(&mut self) -> Result<(Detector, Layout), Fault> {
        let values = match self.dialect.has(Action::Describe) {
            true => self.exchange.perform(Action::Describe, &self.plain_request())?.values,
            false => Values::default(),
        };
        let parse = || self.detector_of(&values);
        let (detector, layout) = parse().map_err(|e| corrupt(self.command(Action::Describe), e))?;
        let has_shutter = match self.dialect.detector.shutter {
            ShutterRule::Yes => true,
            ShutterRule::No => false,
            ShutterRule::Detect => self.detect_shutter()?,
        };
        Ok((Detector { has_shutter, ..detector }, layout))
    }

    /// The detector by the answers of the instrument, and by the dialect where it does not tell.
    fn detector_of(&self, values: &Values) -> Result<(Detector, Layout), Malformed> {
        let rules = &self.dialect.detector;
        let told = |name: &str| values.get(name).is_some();
        let frame_values = match rules.values {
            Some(count) if !told("pixels") => count,
            _ => answer::whole(values, "pixels", 1, answer::MAX_PIXELS as u32)? as usize,
        };
        let full_scale = match rules.full_scale {
            Some(counts) if !told("full_scale") => counts,
            _ => answer::whole(values, "full_scale", 1, u32::MAX)?,
        };
        let full_scale = full_scale.saturating_mul(rules.sum_of);
        let limit = |known: Option<f64>, name: &str| match known {
            Some(seconds) if !told(name) => Ok(seconds),
            _ => answer::seconds(values, name),
        };
        let times = f64::from(rules.sum_of);
        let low = limit(rules.integration_s.0, "integration_min")? * times;
        let high = limit(rules.integration_s.1, "integration_max")? * times;
        if low > high {
            let expected = "a shortest integration time below the longest".into();
            return Err(Malformed { expected, found: format!("{low} s and {high} s") });
        }
        let layout = Layout::new(rules, frame_values, full_scale)?;
        let shielded = match &rules.shielded {
            Some(ranges) => {
                let mut mask = vec![false; layout.pixels()];
                for (first, last) in ranges {
                    match mask.get_mut(usize::from(*first)..=usize::from(*last)) {
                        Some(run) => run.fill(true),
                        None => {
                            let expected = format!("shielded pixels below {}", layout.pixels());
                            return Err(Malformed { expected, found: format!("{first}-{last}") });
                        }
                    }
                }
                PixelRanges::from_mask(&mask)
            }
            None => answer::shielded(values, layout.pixels())?,
        };
        let detector = Detector {
            pixels: layout.pixels(),
            full_scale,
            shielded,
            integration_min_s: low,
            integration_max_s: high,
            has_shutter: false,
            transfer_s: 0.0,
        };
        Ok((detector, layout))
    }

    /// Finds out whether there is a shutter.
    fn detect_shutter(&mut self) -> Result<bool, Fault> {
        let values = self.exchange.perform(Action::DetectShutter, &self.plain_request())?.values;
        let errors = &self.dialect.checks.errors;
        match values.number("error_code").map(|code| code as i32) {
            None => Ok(true),
            Some(code) if code == errors.none => Ok(true),
            Some(code) if code == errors.hardware_missing => Ok(false),
            Some(code) => {
                let command = self.command(Action::DetectShutter).to_owned();
                Err(Fault::Refused { command, code, text: values.text("error_text") })
            }
        }
    }
}
