//! Faults that make the counts of a device wrong, with a checksum of the wrong counts: changed, clipped, sent again, sent late.
//!
//! The truth of an exposure stays the light of the exposure that was requested. Invariant: no more exposures are held than a fault sends
//! again.

use super::faults::{FaultKind, FaultRule};
use super::simulated_station::SimulatedStation;
use crate::clock::UtcMicros;
use std::collections::VecDeque;

/// What a device holds of earlier exposures.
#[derive(Clone, Debug, Default)]
pub struct WrongCounts {
    /// Counts that were sent, oldest first.
    sent: VecDeque<Vec<u32>>,
    /// Exposures of a detector that runs freely which are not sent yet, oldest first.
    unsent: VecDeque<Vec<u32>>,
}

impl WrongCounts {
    /// The counts that are sent for an exposure that ends at `end`, by the selected faults and those that last.
    pub fn apply(
        &mut self,
        mut counts: Vec<u32>,
        selected: &[FaultRule],
        station: &mut SimulatedStation,
        end: UtcMicros,
    ) -> Vec<u32> {
        falsify(&mut counts, selected, station, end);
        let counts = self.delayed(counts, station, end);
        let counts = self.again(selected).unwrap_or(counts);
        let most = station.faults.largest_count(FaultKind::ResentBlock).max(1) as usize;
        self.sent.push_back(counts.clone());
        self.sent.drain(..self.sent.len().saturating_sub(most));
        counts
    }

    /// Forgets everything: the device has restarted.
    pub fn clear(&mut self) {
        (self.sent, self.unsent) = (VecDeque::new(), VecDeque::new());
    }

    /// The counts that a detector sends which runs freely; those of this exposure where it does not.
    fn delayed(&mut self, counts: Vec<u32>, station: &mut SimulatedStation, end: UtcMicros) -> Vec<u32> {
        let Some(lag) = station.faults.count_of(FaultKind::FrameLag, end) else {
            self.unsent.clear();
            return counts;
        };
        // Before the first request it has exposed with the shortest time.
        let shortest_s = station.settings().device.aperture_min_s;
        while self.unsent.len() < lag as usize {
            let (earlier, _) = station.expose(end, shortest_s, true);
            self.unsent.push_back(earlier);
        }
        self.unsent.push_back(counts);
        self.unsent.pop_front().unwrap_or_default()
    }

    /// The earlier counts that a fault sends again.
    fn again(&self, selected: &[FaultRule]) -> Option<Vec<u32>> {
        let before = |number: u32| {
            let place = self.sent.len().saturating_sub(number.max(1) as usize);
            self.sent.get(place).cloned()
        };
        selected.iter().find_map(|rule| match rule.kind {
            FaultKind::RepeatedFrame => before(1),
            FaultKind::ResentBlock => before(rule.count),
            _ => None,
        })
    }
}

/// Changes counts.
fn falsify(counts: &mut [u32], selected: &[FaultRule], station: &mut SimulatedStation, end: UtcMicros) {
    let full_scale = station.settings().detector.full_scale;
    let add = |counts: &mut [u32], more: u32| {
        counts.iter_mut().for_each(|c| *c = c.saturating_add(more).min(full_scale));
    };
    for rule in selected {
        match rule.kind {
            FaultKind::AddedCounts => add(counts, rule.count),
            FaultKind::ConstantCounts => counts.fill(rule.count.min(full_scale)),
            FaultKind::Spike => {
                let first = station.faults.random_below(counts.len().saturating_sub(1));
                let last = (first + 2).min(counts.len());
                add(&mut counts[first..last], rule.count);
            }
            _ => {}
        }
    }
    if let Some(highest) = station.faults.count_of(FaultKind::ClipsBelowFullScale, end) {
        counts.iter_mut().for_each(|c| *c = (*c).min(highest));
    }
}
