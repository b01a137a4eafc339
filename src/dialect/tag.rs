//! Sequence tags, which relate an answer to its message. Pure.
//!
//! A tag is the number of a message. An instrument that returns a number of the host's choice has it as a field (`{tag:u8}`). Others
//! have *probes*: queries with different known answers, which are the binary digits of the number, so that a late or repeated answer carries another
//! number. A checksum alone does not suffice: an old frame agrees with its old checksum.

/// A query with a known answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Probe {
    /// The query: without side effects, answered at once, allowed several times in one message.
    pub send: String,
    /// Its only correct answer.
    pub answer: String,
}

/// Two probes as binary digits.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Probes {
    /// The digits 0 and 1.
    pub digits: [Probe; 2],
    /// Number of digits in a message.
    pub count: usize,
    /// Text between two queries and between two answers.
    pub separator: String,
}

impl Probes {
    /// Number of different tags: a prime, so that a repeated sequence of messages does not get the same tags.
    fn numbers(&self) -> usize {
        let prime = |n: &usize| (2..*n).take_while(|d| d * d <= *n).all(|d| !n.is_multiple_of(d));
        (1..=1_usize << self.count.min(8)).rev().find(prime).unwrap_or(1)
    }

    /// The probes of a message with a number, lowest digit first.
    fn of(&self, number: u32) -> impl Iterator<Item = &Probe> {
        let number = number as usize % self.numbers();
        (0..self.count).map(move |digit| &self.digits[number >> digit & 1])
    }

    fn join(&self, texts: Vec<&str>) -> String {
        texts.join(&self.separator)
    }

    /// The queries of a message.
    pub fn sent(&self, number: u32) -> String {
        self.join(self.of(number).map(|probe| probe.send.as_str()).collect())
    }

    /// Their answers.
    pub fn answer(&self, number: u32) -> String {
        self.join(self.of(number).map(|probe| probe.answer.as_str()).collect())
    }

    /// Queries that no message has: one probe, repeated more often than in any message, and once more in each attempt.
    pub fn unique_sent(&self, attempt: usize) -> String {
        self.join(vec![self.digits[0].send.as_str(); self.count + attempt])
    }

    /// Their answers.
    pub fn unique_answer(&self, attempt: usize) -> String {
        self.join(vec![self.digits[0].answer.as_str(); self.count + attempt])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_message_of_a_cycle_has_its_own_answer() {
        let probe = |send: &str, answer: &str| Probe { send: send.into(), answer: answer.into() };
        let probes = Probes { digits: [probe("A?", "1"), probe("B?", "2")], count: 4, separator: ";".into() };
        assert_eq!(probes.numbers(), 13);
        let mut answers: Vec<String> = (0..13).map(|n| probes.answer(n)).collect();
        assert_eq!((probes.sent(2), answers[2].as_str()), ("A?;B?;A?;A?".into(), "1;2;1;1"));
        assert_eq!(probes.answer(13), answers[0]);
        answers.sort();
        answers.dedup();
        assert_eq!(answers.len(), 13);
        assert_eq!(probes.unique_answer(1), "1;1;1;1;1");
    }
}
