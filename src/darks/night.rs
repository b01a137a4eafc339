//! The darks of a night: which of them are verified by a long one, and which are discarded when a lit one follows.
//!
//! Weak light is plain in a long dark and invisible in a short one. So a night dark counts as verified once a dark of the longest
//! integration time of the set was found dark after it; a lit one discards all that are not verified yet. Works on metadata and
//! rows. Invariant: what was discarded stays so over restarts ([`DarkSetState`]).

use super::metadata::DarkMetadata;
use crate::clock::UtcMicros;
use crate::record::DarkSource;
use std::collections::BTreeSet;

/// Name under which [`DarkSetState`] is saved.
pub const DARK_SET_STATE: &str = "dark_set";
/// No night lasts longer: darks of a night are at most so far apart [s]. Within the polar circles a night is cut at this length.
const NIGHT_S: f64 = 18.0 * 3600.0;
/// After a lit dark, the longest one is tried again at this interval [s].
const RETRY_LIT_S: f64 = 900.0;
/// Integration times from this share of the longest on verify a night [1].
const LONGEST_SHARE: f64 = 0.99;
/// Rows of discarded darks that are remembered: darks of more than ten days, after which none is loaded any more.
const REMEMBERED: usize = 4096;

/// What a set of darks has to remember over restarts beside the darks.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct DarkSetState {
    /// Rows of stored darks that are no longer used.
    pub discarded: BTreeSet<i64>,
    /// Models up to this row are no longer used, but for `fallback`.
    pub models_discarded_to: Option<i64>,
    /// Row of the model to use in their place.
    pub fallback: Option<i64>,
    /// When the latest night dark was found lit; `None` once a longest one was dark again.
    pub lit_at: Option<UtcMicros>,
    /// Darks from before this show another state of the detector than the one it is in now.
    pub changed_at: Option<UtcMicros>,
    /// Two darks in a row differed from all before them; from the first of them on, earlier ones do not describe the detector …
    pub departed_at: Option<UtcMicros>,
    /// … by so much [counts].
    pub departed_by: f64,
}

impl DarkSetState {
    /// Whether a stored dark may be used.
    pub fn allows_dark(&self, row: i64) -> bool {
        !self.discarded.contains(&row)
    }

    /// The row of the model to use, where `latest` is the newest one stored.
    pub fn model_to_use(&self, latest: i64) -> Option<i64> {
        if self.models_discarded_to.is_some_and(|to| latest <= to) { self.fallback } else { Some(latest) }
    }

    /// Adds rows of darks that are no longer used; forgets the oldest.
    pub fn discard(&mut self, rows: impl Iterator<Item = i64>) {
        self.discarded.extend(rows);
        while self.discarded.len() > REMEMBERED {
            self.discarded.pop_first();
        }
    }

    /// Whether a night dark of this integration time may be taken now, after one of this night was lit.
    pub fn allows_request(&self, integration_s: f64, longest_s: f64, now: UtcMicros) -> bool {
        match self.lit_at.map(|lit| now.seconds_since(lit).abs()).filter(|passed| *passed < NIGHT_S) {
            None => true,
            Some(passed) => passed >= RETRY_LIT_S && verifies(integration_s, longest_s),
        }
    }
}

/// Whether a dark of this integration time verifies a night, where the longest of the set is `longest_s` [s].
pub fn verifies(integration_s: f64, longest_s: f64) -> bool {
    integration_s >= LONGEST_SHARE * longest_s
}

/// Rows of the night darks within a night before `at` that no later dark of the longest integration time has verified.
pub fn unverified<'a>(
    darks: impl Iterator<Item = &'a DarkMetadata> + Clone,
    longest_s: f64,
    at: UtcMicros,
) -> BTreeSet<i64> {
    let night = || darks.clone().filter(|d| d.source == DarkSource::Night);
    let verified = night().filter(|d| verifies(d.integration_s, longest_s)).map(|d| d.time).max();
    let open = |d: &&DarkMetadata| verified.is_none_or(|v| d.time > v) && d.age_s(at) < NIGHT_S;
    night().filter(open).map(|d| d.id).collect()
}

#[cfg(test)]
mod tests {
    use super::super::plan::tests::{NOW, dark};
    use super::*;

    fn night(id: i64, integration_s: f64, age_s: f64) -> DarkMetadata {
        DarkMetadata { source: DarkSource::Night, ..dark(id, integration_s, 20.0, age_s) }
    }

    /// Identity: darks before the newest long one are verified by it, those after it are not, and other sources and nights do not count.
    #[test]
    fn a_long_dark_verifies_the_darks_before_it() {
        let known = [
            night(1, 0.1, 7200.0),
            night(2, 10.0, 3600.0),
            night(3, 0.1, 1800.0),
            dark(4, 0.1, 20.0, 900.0),
            night(5, 3.0, 600.0),
        ];
        assert_eq!(unverified(known.iter(), 10.0, NOW), BTreeSet::from([3, 5]));
        assert_eq!(unverified(known.iter(), 60.0, NOW), BTreeSet::from([1, 2, 3, 5]), "none was long enough");
        let old = [night(1, 0.1, 2.0 * 86_400.0)];
        assert_eq!(unverified(old.iter(), 10.0, NOW), BTreeSet::new());
    }

    /// Identity: after a lit dark only the longest is tried, now and then, until one is dark or the night is over.
    #[test]
    fn after_a_lit_dark_only_the_longest_is_tried() {
        let state = DarkSetState { lit_at: Some(NOW), ..DarkSetState::default() };
        let allows = |t: f64, after_s: f64| state.allows_request(t, 10.0, NOW.plus_seconds(after_s));
        assert_eq!((allows(10.0, 60.0), allows(10.0, 900.0), allows(0.1, 900.0)), (false, true, false));
        assert!(allows(0.1, NIGHT_S));
        assert!(DarkSetState::default().allows_request(0.1, 10.0, NOW));
    }

    /// Identity: discarded models are replaced by the fallback until a newer one is stored.
    #[test]
    fn a_discarded_model_is_replaced_by_the_one_before() {
        let state = DarkSetState { models_discarded_to: Some(7), fallback: Some(4), ..DarkSetState::default() };
        assert_eq!((state.model_to_use(7), state.model_to_use(8)), (Some(4), Some(8)));
        assert_eq!(DarkSetState::default().model_to_use(7), Some(7));
    }
}
