//! Sequence tags, which relate an answer to its message. Pure.
//!
//! Every message begins with a few queries with known answers (probes). Two probes with different answers are the binary digits of
//! the message number, so a late or repeated answer carries another number. A checksum alone does not suffice: an old block
//! agrees with its old checksum.

use crate::instrument::dialect::{Dialect, Probe};
use crate::instrument::fields::Fields;
use crate::instrument::malformed::{Malformed, shown};

/// Number of probes before the queries of a message.
pub(super) const PROBES: usize = 4;
/// Number of different tags: a prime, so that a repeated sequence of messages does not get the same tags.
const NUMBERS: usize = 13;

/// The number of a message.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Tag(usize);

impl Tag {
    /// The tag of the next message.
    pub fn next(self) -> Self {
        Self((self.0 + 1) % NUMBERS)
    }

    fn probes(self, dialect: &Dialect) -> [&Probe; PROBES] {
        std::array::from_fn(|i| &dialect.tag[self.0 >> i & 1])
    }

    /// The text of a message with this tag. Settings are on a separate line, so that a refused setting does not suppress the
    /// queries.
    pub fn message<'a>(
        self,
        dialect: &'a Dialect,
        settings: &[String],
        queries: impl Iterator<Item = &'a str>,
    ) -> String {
        let probes = self.probes(dialect).map(|probe| probe.query.as_ref());
        let line = probes.into_iter().chain(queries).collect::<Vec<_>>().join(";");
        if settings.is_empty() { format!("{line}\n") } else { format!("{}\n{line}\n", settings.join(";")) }
    }

    /// The fields after the tag, if they are the answers to `queries` queries of the message with this tag.
    pub fn answers(self, dialect: &Dialect, fields: &Fields, queries: usize) -> Result<Fields, Malformed> {
        let right = self.probes(dialect).map(|probe| probe.answer.as_ref());
        if fields.len() == PROBES + queries && fields.iter().zip(right).all(|(found, right)| found == right) {
            return Ok(fields.without_first(PROBES));
        }
        Err(Malformed {
            expected: format!("{} fields that start with {}", PROBES + queries, right.join(";")),
            found: format!("{} fields: {}", fields.len(), shown(fields.to_string().as_bytes())),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::instrument::SCPI;

    #[test]
    fn an_answer_is_accepted_only_for_its_own_message() {
        let tags: Vec<Tag> =
            std::iter::successors(Some(Tag::default()), |tag| Some(tag.next())).take(NUMBERS).collect();
        for mine in &tags {
            let message = mine.message(&SCPI, &[], [":FETC?"].into_iter());
            let answer: Vec<&str> = message
                .trim_end()
                .split(';')
                .map(|query| SCPI.tag.iter().find(|p| p.query == query).map_or("7", |p| p.answer.as_ref()))
                .collect();
            let fields = Fields::of(answer.join(";").as_bytes());
            let takers: Vec<&Tag> = tags.iter().filter(|tag| tag.answers(&SCPI, &fields, 1).is_ok()).collect();
            assert_eq!(takers, [mine]);
            assert_eq!(mine.answers(&SCPI, &fields, 1).unwrap().at(0), "7");
            assert!(mine.answers(&SCPI, &fields, 2).is_err());
        }
        assert_eq!(tags[NUMBERS - 1].next(), tags[0]);
    }

    #[test]
    fn settings_are_on_a_separate_line() {
        let message = Tag(2).message(&SCPI, &["A 1".into(), "B 2".into()], ["C?", "D?"].into_iter());
        assert_eq!(message, "A 1;B 2\n*OPC?;:SYST:VERS?;*OPC?;*OPC?;C?;D?\n");
    }
}
