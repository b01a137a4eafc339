//! Values of a file that is being made: from an argument, else asked for at a terminal, else a default with its reason.
//!
//! Invariants: every value that was not given is listed as assumed, with its reason; every value that is missing or wrong is reported,
//! all together.

use super::Failure;
use std::fmt::Display;
use std::io::{BufRead, IsTerminal, Write};

/// One value to be had.
#[derive(Clone, Copy, Debug)]
pub struct Question {
    /// The argument that gives it, e.g. `--name`.
    pub argument: &'static str,
    /// The question.
    pub text: &'static str,
    /// Why the default is what it is; empty where there is none.
    pub reason: &'static str,
}

/// A value that was not given.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Assumed {
    /// The argument that would give it.
    pub argument: &'static str,
    /// The value.
    pub value: String,
    /// Why it is this value.
    pub reason: &'static str,
}

/// Collects the values.
pub struct Questions<'a> {
    /// Where answers come from; `None`: nobody is asked.
    answers: Option<&'a mut dyn BufRead>,
    /// Values that were not given.
    pub assumed: Vec<Assumed>,
    faults: Vec<String>,
}

impl<'a> Questions<'a> {
    /// Asks by standard error and reads from `answers`; `None`: nobody is asked.
    pub fn new(answers: Option<&'a mut dyn BufRead>) -> Self {
        Self { answers, assumed: Vec::new(), faults: Vec::new() }
    }

    /// Whether somebody can be asked.
    pub fn terminal() -> bool {
        std::io::stdin().is_terminal() && std::io::stderr().is_terminal()
    }

    /// A value: given, asked for, or the default. `parse` says what it expected. `None` where it is missing or wrong.
    pub fn value<T: Display>(
        &mut self,
        question: Question,
        given: Option<&str>,
        default: Option<&str>,
        parse: impl Fn(&str) -> Result<T, String>,
    ) -> Option<T> {
        let Question { argument, text, reason } = question;
        if let Some(given) = given {
            return parse(given).map_err(|e| self.faults.push(format!("{argument}: {e}, but found `{given}`"))).ok();
        }
        while self.answers.is_some() {
            let answer = self.ask(text, default, reason)?;
            match (answer.is_empty(), default) {
                (true, Some(_)) => break,
                (true, None) => {}
                (false, _) => match parse(&answer) {
                    Ok(value) => return Some(value),
                    Err(e) => eprintln!("{e}, but found `{answer}`"),
                },
            }
        }
        let Some(default) = default else {
            self.faults.push(format!("{argument}: expected {}, but found nothing", lower_first(text)));
            return None;
        };
        match parse(default) {
            Ok(value) => {
                self.assumed.push(Assumed { argument, value: value.to_string(), reason });
                Some(value)
            }
            Err(e) => {
                self.faults.push(format!("{argument}: {e}, but the default is `{default}`"));
                None
            }
        }
    }

    /// Adds a fault that another part found.
    pub fn fault(&mut self, text: String) {
        self.faults.push(text);
    }

    /// Reads one answer; `None` at the end of the input, which is a fault.
    fn ask(&mut self, text: &str, default: Option<&str>, reason: &str) -> Option<String> {
        let answers = self.answers.as_mut()?;
        let because = if reason.is_empty() { String::new() } else { format!(" ({reason})") };
        let shown = default.map(|d| format!(" [{d}]{because}")).unwrap_or_default();
        let mut err = std::io::stderr();
        // A question that cannot be shown is a question without an answer.
        let _ = write!(err, "{text}{shown}: ").and_then(|()| err.flush());
        let mut line = String::new();
        match answers.read_line(&mut line) {
            Ok(n) if n > 0 => Some(line.trim().to_owned()),
            _ => {
                self.faults.push(format!("expected an answer to `{text}`, but the input has ended"));
                None
            }
        }
    }

    /// Ends the questions: the values that were assumed, or every fault.
    pub fn finish(self) -> Result<Vec<Assumed>, Failure> {
        if self.faults.is_empty() { Ok(self.assumed) } else { Err(Failure::Usage(self.faults.join("\n"))) }
    }
}

fn lower_first(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|c| c.to_lowercase().chain(letters).collect()).unwrap_or_default()
}

/// Text that is not blank.
pub fn text(answer: &str) -> Result<String, String> {
    let trimmed = answer.trim();
    if trimmed.is_empty() { Err("expected text".into()) } else { Ok(trimmed.to_owned()) }
}

/// A number within a range, both ends included.
pub fn number(low: f64, high: f64) -> impl Fn(&str) -> Result<f64, String> {
    move |answer| match answer.trim().parse::<f64>() {
        Ok(n) if n >= low && n <= high => Ok(n),
        _ => Err(format!("expected a number from {low} to {high}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hertz(answer: &str) -> Result<f64, String> {
        answer.parse().map_err(|_| "expected a number".to_owned())
    }

    const NAME: Question = Question { argument: "--name", text: "Name of the station", reason: "" };
    const MAINS: Question = Question {
        argument: "--mains-hz",
        text: "Mains frequency in hertz",
        reason: "the frequency of most countries",
    };

    /// A given value is taken, an absent one is assumed with its reason, and all faults are reported together.
    #[test]
    fn values_are_given_assumed_or_reported() {
        let mut questions = Questions::new(None);
        assert_eq!(questions.value(NAME, Some("south"), None, text).as_deref(), Some("south"));
        assert_eq!(questions.value(MAINS, None, Some("50"), hertz), Some(50.0));
        let assumed = questions.finish().unwrap();
        assert_eq!(
            assumed,
            [Assumed { argument: "--mains-hz", value: "50".into(), reason: "the frequency of most countries" }]
        );
        let mut questions = Questions::new(None);
        questions.value(NAME, None, None, text);
        questions.value(MAINS, Some("fifty"), Some("50"), hertz);
        assert_eq!(
            questions.finish(),
            Err(Failure::Usage(
                "--name: expected name of the station, but found nothing\n--mains-hz: expected a number, but found \
                 `fifty`"
                    .into()
            ))
        );
    }

    /// At a terminal a wrong answer is asked again, and an empty one takes the default.
    #[test]
    fn a_wrong_answer_is_asked_again() {
        let mut answers = std::io::Cursor::new("\n  roof \nfifty\n60\n\n");
        let mut questions = Questions::new(Some(&mut answers));
        assert_eq!(questions.value(NAME, None, None, text).as_deref(), Some("roof"));
        assert_eq!(questions.value(MAINS, None, Some("50"), hertz), Some(60.0));
        assert_eq!(questions.value(MAINS, None, Some("50"), hertz), Some(50.0));
        assert_eq!(questions.assumed.len(), 1);
        assert_eq!(questions.value(NAME, None, None, text), None);
        assert!(questions.finish().is_err(), "the input has ended");
    }
}
