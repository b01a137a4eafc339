//! Recognises an exposure that the instrument sends again, by a hash of its counts.
//!
//! Depends on nothing. Invariants: with noise, two exposures are never equal by chance (64 bits); exposures without noise, which are
//! (all clipped, or all zero), never count as repeated; at most [`MOST`] hashes are held.

use std::collections::{HashSet, VecDeque};
use std::hash::{DefaultHasher, Hash, Hasher};

/// Number of exposures that are remembered: several hours of readings with their darks.
const MOST: usize = 1000;

/// The last exposures of one instrument, of light or dark.
#[derive(Clone, Debug, Default)]
pub struct RecentExposures {
    hashes: HashSet<u64>,
    /// The same hashes, oldest first.
    order: VecDeque<u64>,
}

impl RecentExposures {
    /// Records an exposure; returns whether it has the counts of a recent one. clipped_from: the lowest counts that are clipped.
    pub fn is_repeated(&mut self, counts: &[u32], clipped_from: u32) -> bool {
        if counts.iter().all(|c| *c >= clipped_from) || counts.iter().all(|c| *c == 0) {
            return false;
        }
        let mut hasher = DefaultHasher::new();
        counts.hash(&mut hasher);
        let hash = hasher.finish();
        if !self.hashes.insert(hash) {
            return true;
        }
        self.order.push_back(hash);
        if self.order.len() > MOST
            && let Some(oldest) = self.order.pop_front()
        {
            self.hashes.remove(&oldest);
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_exposure_is_recognised_among_the_last_thousand() {
        let mut recent = RecentExposures::default();
        let exposure = |n: u32| [1200, 1200 + n, 1300];
        assert!((0..1000).all(|n| !recent.is_repeated(&exposure(n), 60_000)));
        assert!(recent.is_repeated(&exposure(0), 60_000) && recent.is_repeated(&exposure(999), 60_000));
        assert!(!recent.is_repeated(&exposure(1000), 60_000));
        assert!(!recent.is_repeated(&exposure(0), 60_000), "forgotten after a thousand others");
        assert_eq!((recent.hashes.len(), recent.order.len()), (1000, 1000));
    }

    #[test]
    fn exposures_without_noise_are_not_repeated() {
        let mut recent = RecentExposures::default();
        for clipped_or_zero in [[65_535, 65_535], [0, 0]] {
            assert!((0..3).all(|_| !recent.is_repeated(&clipped_or_zero, 62_000)));
        }
        recent.is_repeated(&[65_535, 1200], 62_000);
        assert!(recent.is_repeated(&[65_535, 1200], 62_000));
    }
}
