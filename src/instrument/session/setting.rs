//! Integration time and shutter: sent, read back, and compared with every answer that has them.

use super::Session;
use crate::dialect::malformed::Malformed;
use crate::dialect::step::Action;
use crate::dialect::values::{Value, Values};
use crate::fault::Fault;
use crate::instrument::answer;
use crate::instrument::exchange::{Request, corrupt};
use crate::record::{Frame, Shutter};

/// Allowed deviation of the active integration time from the requested one: the larger of this share [1] …
const ROUNDING_SHARE: f64 = 0.1;
/// … and this step [s].
const ROUNDING_S: f64 = 0.001;

/// Settings that the instrument has confirmed, or that were sent to it where it confirms none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Active {
    /// As requested of the session [s].
    pub requested_s: f64,
    /// As confirmed [s].
    pub integration_s: f64,
    pub shutter: Shutter,
}

/// Allowed deviation of the active integration time from the requested one [s].
pub(super) fn rounding_s(integration_s: f64) -> f64 {
    (ROUNDING_SHARE * integration_s).max(ROUNDING_S)
}

/// The name of a shutter state in a dialect.
fn state(shutter: Shutter) -> &'static str {
    match shutter {
        Shutter::Open => "open",
        Shutter::Closed => "closed",
    }
}

impl Session {
    /// What actions with settings are performed with.
    pub(super) fn request(&self, integration_s: f64, shutter: Shutter) -> Result<Request, Fault> {
        let rules = &self.dialect.detector;
        let connected = self.facts()?;
        let exposed_s = integration_s * f64::from(rules.mean_of);
        let values = Values::default()
            .with("integration", Value::Number(self.to_instrument(integration_s)))
            .with("shutter", Value::Text(state(shutter).into()))
            .with("format", Value::Text(connected.layout.format().into()));
        Ok(Request {
            values,
            shutter: connected.detector.has_shutter,
            identity: false,
            light_s: (exposed_s, 0.0),
            frame_values: connected.layout.values,
        })
    }

    /// The integration time that the instrument is told [s]: of one of the exposures that it adds up, in its own step.
    fn to_instrument(&self, integration_s: f64) -> f64 {
        let rules = &self.dialect.detector;
        let one_s = integration_s / f64::from(rules.sum_of);
        match rules.integration_step_s {
            step if step > 0.0 => (one_s / step).round().max(1.0) * step,
            _ => one_s,
        }
    }

    /// The integration time of a frame by an answer of the instrument [s].
    pub(super) fn integration_of(&self, values: &Values) -> Option<Result<f64, Malformed>> {
        values.get("integration")?;
        Some(answer::seconds(values, "integration").map(|s| s * f64::from(self.dialect.detector.sum_of)))
    }

    /// The integration time that the instrument receives, rounded by the field that carries it [s].
    fn as_sent(&self, integration_s: f64) -> f64 {
        let one_s = self.to_instrument(integration_s);
        let steps = [Action::Set, Action::Expose].into_iter().flat_map(|action| self.dialect.steps(action));
        let fields = steps.filter_map(|step| step.send()).flat_map(|template| template.fields());
        let field = fields.into_iter().find(|field| field.name == "integration");
        field.map_or(one_s, |field| field.as_sent(one_s)) * f64::from(self.dialect.detector.sum_of)
    }

    /// Sends settings, unless they are known to be active, and reads their confirmation.
    pub(super) fn apply(&mut self, integration_s: f64, shutter: Shutter) -> Result<Active, Fault> {
        if let Some(active) = self.active
            && active.requested_s == integration_s
            && active.shutter == shutter
        {
            return Ok(active);
        }
        self.active = None;
        let active = self.set_once(integration_s, shutter)?;
        let single = !self.dialect.is_protected() && self.dialect.answers(Action::Set, "integration");
        let again = [Action::Expose, Action::Confirm].iter().any(|action| self.dialect.answers(*action, "integration"));
        if single && !again {
            // No later answer repeats the integration time.
            let second = self.set_once(integration_s, shutter)?;
            if !Frame::same_integration(second.integration_s, active.integration_s) {
                let (first, second) = (active.integration_s.to_string(), second.integration_s.to_string());
                return Err(self.differs(Action::Set, &first, &second));
            }
        }
        self.discard_lagging(integration_s, shutter)?;
        self.active = Some(active);
        Ok(active)
    }

    fn set_once(&mut self, integration_s: f64, shutter: Shutter) -> Result<Active, Fault> {
        let request = Request { light_s: (0.0, 0.0), ..self.request(integration_s, shutter)? };
        let values = self.exchange.perform(Action::Set, &request)?.values;
        let active = self.active_by(&values, Action::Set, integration_s, shutter)?;
        self.verify_active(&active, &values, Action::Set)?;
        Ok(active)
    }

    /// Discards the frames that still have earlier settings.
    fn discard_lagging(&mut self, integration_s: f64, shutter: Shutter) -> Result<(), Fault> {
        if self.dialect.timing.free_running {
            return Ok(());
        }
        for _ in 0..self.dialect.detector.frame_lag {
            let request = self.request(integration_s, shutter)?;
            // Its integration time may be the earlier one.
            let longest_s = self.facts()?.detector.integration_max_s;
            let light_s = (request.light_s.0, if self.active.is_none() { longest_s.min(60.0) } else { 0.0 });
            self.exchange.perform(Action::Expose, &Request { light_s, ..request })?;
        }
        Ok(())
    }

    /// The active settings according to the answer of an action.
    pub(super) fn active_by(
        &self,
        values: &Values,
        action: Action,
        integration_s: f64,
        shutter: Shutter,
    ) -> Result<Active, Fault> {
        let errors = &self.dialect.checks.errors;
        if let Some(code) = values.number("error_code").map(|code| code as i32)
            && code != errors.none
        {
            let command = self.command(action).to_owned();
            return Err(Fault::Refused { command, code, text: values.text("error_text") });
        }
        let sent_s = self.as_sent(integration_s);
        let rounded_s = match self.integration_of(values) {
            Some(found) => found.map_err(|e| corrupt(self.command(action), e))?,
            None => sent_s,
        };
        if !((rounded_s - integration_s).abs() <= rounding_s(integration_s)) {
            let expected = format!("an integration time near {integration_s} s");
            return Err(corrupt(self.command(action), Malformed { expected, found: format!("{rounded_s} s") }));
        }
        Ok(Active { requested_s: integration_s, integration_s: rounded_s, shutter })
    }

    /// Compares the settings in an answer with the active ones.
    pub(super) fn verify_active(&self, active: &Active, values: &Values, action: Action) -> Result<(), Fault> {
        let changed = |expected: String, found: String| {
            corrupt(
                self.command(action),
                Malformed { expected: format!("{expected}, as set"), found: format!("`{found}`") },
            )
        };
        let same = |found: f64| {
            let step_s = self.dialect.detector.integration_step_s * f64::from(self.dialect.detector.sum_of);
            Frame::same_integration(found, active.integration_s) || (found - active.integration_s).abs() < 0.5 * step_s
        };
        match self.integration_of(values) {
            None => {}
            Some(Ok(found)) if same(found) => {}
            Some(_) => return Err(changed(format!("{} s", active.integration_s), values.text("integration"))),
        }
        let expected = [("shutter", state(active.shutter)), ("format", self.facts()?.layout.format())];
        for (name, state) in expected {
            if values.get(name).is_some() && values.text(name) != state {
                return Err(changed(format!("{name} {state}"), values.text(name)));
            }
        }
        Ok(())
    }
}
