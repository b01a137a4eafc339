//! Times at which the bytes of the buffer were read. Pure.

use crate::clock::UtcMicros;
use std::collections::VecDeque;

/// For each read whose bytes are still in the buffer, their number and its time.
#[derive(Debug, Default)]
pub(super) struct Arrivals(VecDeque<(usize, UtcMicros)>);

impl Arrivals {
    pub fn clear(&mut self) {
        self.0.clear();
    }

    /// Records a read of a number of bytes.
    pub fn add(&mut self, bytes: usize, time: UtcMicros) {
        if bytes > 0 {
            self.0.push_back((bytes, time));
        }
    }

    /// Forgets the first bytes.
    pub fn consume(&mut self, mut bytes: usize) {
        while let Some((first, _)) = self.0.front_mut() {
            if *first > bytes {
                *first -= bytes;
                return;
            }
            bytes -= *first;
            self.0.pop_front();
        }
    }

    /// The time of the first byte of the buffer.
    pub fn of_first(&self) -> Option<UtcMicros> {
        self.0.front().map(|(_, time)| *time)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_byte_keeps_the_time_of_its_read() {
        let mut arrivals = Arrivals::default();
        arrivals.add(10, UtcMicros(1));
        arrivals.add(0, UtcMicros(2));
        arrivals.add(5, UtcMicros(3));
        arrivals.consume(9);
        assert_eq!(arrivals.of_first(), Some(UtcMicros(1)));
        arrivals.consume(1);
        assert_eq!(arrivals.of_first(), Some(UtcMicros(3)));
        arrivals.consume(5);
        assert_eq!(arrivals.of_first(), None);
    }
}
