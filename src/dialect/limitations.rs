//! What a dialect cannot do, and the consequence of it. Pure.

use super::Dialect;
use super::ShutterRule;
use super::step::{Action, Work};

/// Something that an instrument, as described, cannot do.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Limitation {
    /// What it cannot do.
    pub missing: &'static str,
    /// What the program does instead, and what stays unproven.
    pub consequence: &'static str,
}

/// All limitations of a dialect.
pub fn of(dialect: &Dialect) -> Vec<Limitation> {
    let mut all = Vec::new();
    let mut add = |missing, consequence| all.push(Limitation { missing, consequence });
    if dialect.checks.identity.is_some() && !dialect.has(Action::Identify) {
        add("identity", "the serial number of the file is believed: an exchanged instrument is not noticed");
    }
    if !ties_answers(dialect) {
        add(
            "tag of answers",
            "a late answer to an equal, earlier question is recognised only by its form: after every fault the line is drained and \
             the instrument identified before the next question",
        );
    }
    if !dialect.proves_frame() {
        let consequence = if dialect.has(Action::Fetch) {
            "every frame is read twice and both must be equal"
        } else {
            "every exposure is taken twice, and single values that differ by more than noise and light explain refuse both; errors within \
             the noise stay unseen"
        };
        add("checksum of frames", consequence);
    }
    if !dialect.echoes_integration() {
        add(
            "echo of the integration time",
            "after a change the signal must grow with the integration time, or it is set again; in the dark this proves nothing",
        );
    }
    if dialect.detector.shutter == ShutterRule::No {
        add("shutter", "darks come from the night or from a covered head");
    } else if !shutter_is_read(dialect) {
        add("echo of the shutter", "a shutter that fails is noticed only by the light of its darks");
    }
    let temperature = [Action::Temperature, Action::Expose, Action::Confirm, Action::Set];
    if !temperature.iter().any(|action| dialect.answers(*action, "temperature")) {
        add(
            "temperature",
            "darks are matched by age only, and readings that need a temperature are flagged `temperature`",
        );
    }
    if !dialect.has(Action::Abort) {
        add("abort", "a stop during an exposure leaves the instrument exposing; the next start waits for its end");
    }
    all
}

fn ties_answers(dialect: &Dialect) -> bool {
    let in_packet = dialect.packet.as_ref().is_some_and(|packet| packet.has_tag());
    in_packet || dialect.text.echo || dialect.steps(Action::Expose).iter().any(|step| step.has_tag())
}

fn shutter_is_read(dialect: &Dialect) -> bool {
    let messages = |action: Action| dialect.steps(action).iter().filter(|s| !matches!(s.work, Work::Wait(_)));
    [Action::Set, Action::Expose, Action::Confirm]
        .iter()
        .flat_map(|action| messages(*action))
        .any(|s| s.answers("shutter"))
}

#[cfg(test)]
mod tests {
    use crate::dialect::SCPI;

    #[test]
    fn the_built_in_dialect_has_no_limitation() {
        assert_eq!(super::of(&SCPI), []);
    }
}
