//! The set of darks on darks of a simulated array of 256 pixels.

use super::super::plan::tests::{NOW, config, setup};
use super::*;
use crate::calibration::{Calibration, file};
use crate::darks::{DarkOutcome, DarkRejection};
use crate::record::{DarkProvenance, DarkReference, EventKind, Exposure, IntegrationGrid, PixelRanges, Shutter};
use crate::reduction::DarkFor;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use std::sync::Arc;

const PIXELS: usize = 256;
const CALIBRATION: &str = r#"
[calibration]
id = "example-2026"
instrument_serial = "EX-0001"
valid_from = 2026-01-01
valid_until = 2029-01-01
certificate = "made up for tests"
temperature_c = 20.0
temperature_range_c = [-5.0, 45.0]
[wavelength]
coefficients = [300.0, 2.0]
uncertainty_nm = 0.1
fwhm_nm = 2.0
[noise]
electrons_per_count = 3.0
read_noise_counts = 8.0
[response]
wavelength_nm = [280, 1000]
counts_per_s_per_w_m2_nm = [1e5, 2e6]
relative_uncertainty = 0.02
"#;

fn calibration() -> Arc<Calibration> {
    Arc::new(file::parse_stored(CALIBRATION, None).unwrap())
}

/// An empty set with a shutter, under a calibration.
fn empty() -> DarkSet {
    let setup = DarkSetup {
        shielded: PixelRanges(vec![(0, 7)]),
        calibration: Some(calibration()),
        ..setup(IntegrationGrid::new(1e-3, 10.0, 0.0), true)
    };
    let place = Place { latitude_deg: 47.0, longitude_deg: 8.0, altitude_m: 400.0 };
    DarkSet::new(config(&[DarkSource::Shutter]), place, setup, DarksOnRecord::default(), NOW)
}

/// Exposures of an array with an offset of 1200 and a dark current of 20 counts a second, under light of some counts at the
/// brightest pixel, begun some seconds after `NOW`.
fn exposures(at_s: f64, integration_s: f64, light: f64, seed: u64) -> Vec<Exposure> {
    let mut pattern = rand_pcg::Pcg64Mcg::seed_from_u64(7);
    let offsets: Vec<f64> = (0..PIXELS).map(|_| 1200.0 + 15.0 * pattern.sample::<f64, _>(StandardNormal)).collect();
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(seed);
    let lit = |i: usize| if i < 8 { 0.0 } else { light * (std::f64::consts::PI * i as f64 / PIXELS as f64).sin() };
    let mut one = |k: u32| {
        let counts = (0..PIXELS)
            .map(|i| {
                let mean = offsets[i] + 20.0 * integration_s + lit(i);
                (mean + 8.0 * rng.sample::<f64, _>(StandardNormal)).round() as u32
            })
            .collect();
        Exposure {
            start: NOW.plus_seconds(at_s + f64::from(k) * (integration_s + 0.4)),
            integration_s,
            shutter: Shutter::Closed,
            temperature_c: Some(20.0),
            counts,
            crc32: k,
            rereads: 0,
        }
    };
    (0..4).map(&mut one).collect()
}

/// Submits and inserts a dark under a row.
fn add(set: &mut DarkSet, row: i64, at_s: f64, integration_s: f64) {
    let outcome = set.submit(DarkSource::Shutter, &exposures(at_s, integration_s, 0.0, row as u64), false);
    let Some(DarkOutcome::Accepted(dark)) = outcome else { panic!("{outcome:?}") };
    set.insert(Dark { id: row, ..dark }, false);
}

fn light(at_s: f64, integration_s: f64, light: f64) -> Frame {
    Frame::of(&exposures(at_s, integration_s, light, 99), |c| c >= 62_000).unwrap()
}

/// Identity: a dark is used from the moment it is stored, and not before: every value can be computed again.
#[test]
fn a_dark_is_used_once_it_is_stored() {
    let mut set = empty();
    let frame = light(20.0, 0.1, 20_000.0);
    let outcome = set.submit(DarkSource::Shutter, &exposures(0.0, 0.1, 0.0, 1), false);
    let Some(DarkOutcome::Accepted(dark)) = outcome else { panic!("{outcome:?}") };
    assert!(set.serve(&frame).dark.is_none(), "accepted, but not stored");
    set.insert(Dark { id: 5, ..dark }, false);
    let used = set.serve(&frame);
    assert_eq!(used.reference, DarkReference::Matched { dark: 5, model: None });
    assert_eq!((used.dark_time, used.provenance), (Some(NOW), DarkProvenance::default()));
}

/// Identity: a lit dark is never used, the reason is stated, and the dark used in its place is suspect.
#[test]
fn a_rejected_dark_is_never_used() {
    let mut set = empty();
    add(&mut set, 1, 0.0, 0.1);
    let outcome = set.submit(DarkSource::Shutter, &exposures(60.0, 0.1, 500.0, 2), false);
    let Some(DarkOutcome::Rejected(rejected)) = outcome else { panic!("{outcome:?}") };
    let event = rejected.event("south");
    assert_eq!((event.kind, event.time), (EventKind::DarkRefused, NOW.plus_seconds(60.0)));
    assert!(event.text.starts_with("shutter dark of 0.1000 s refused: expected a dark frame"), "{}", event.text);
    let frame = light(70.0, 0.1, 20_000.0);
    let used = set.serve(&frame);
    assert_eq!(used.reference, DarkReference::Matched { dark: 1, model: None });
    assert!(used.provenance.suspect && !used.provenance.stale);
}

/// Identity: without an exposure there is no dark to test, and nothing is planned from it.
#[test]
fn no_exposures_are_no_dark() {
    assert!(empty().submit(DarkSource::Shutter, &[], false).is_none());
}

/// Identity: the model is fitted when new darks call for it, is used once adopted, and is not fitted again without new darks.
#[test]
fn the_model_is_fitted_from_new_darks_and_used_once_adopted() {
    let mut set = empty();
    assert!(set.fit(NOW).is_none(), "nothing to fit");
    add(&mut set, 1, 0.0, 0.01);
    assert!(set.fit(NOW).is_some_and(|fit| fit.is_err()), "one dark makes no model");
    add(&mut set, 2, 10.0, 10.0);
    let now = NOW.plus_seconds(100.0);
    let model = set.fit(now).unwrap().unwrap();
    let frame = light(120.0, 0.5, 20_000.0);
    assert_eq!(set.serve(&frame).reference, DarkReference::None, "fitted, but not stored");
    set.adopt(FittedModel { row: 3, fitted_at: now, model });
    let used = set.serve(&frame);
    assert_eq!((used.reference, used.provenance.modelled), (DarkReference::Model(3), true));
    assert!(matches!(used.dark, Some(DarkFor::Model(_))));
    assert!(set.fit(now.plus_seconds(7200.0)).is_none(), "no new darks");
    add(&mut set, 4, 3700.0, 0.01);
    assert!(set.fit(now.plus_seconds(1800.0)).is_none(), "one new dark within the hour");
    assert!(set.fit(now.plus_seconds(3601.0)).is_some(), "an hour after the last fit");
}

/// Identity: without a calibration there is no noise and no linearity to fit with.
#[test]
fn without_a_calibration_no_model_is_fitted() {
    let mut set = empty();
    set.configure(DarkSetup { calibration: None, ..set.setup().clone() });
    add(&mut set, 1, 0.0, 0.01);
    add(&mut set, 2, 10.0, 10.0);
    assert!(set.fit(NOW).is_none());
}

/// Identity: a dark of warm-up is used for light of the same minutes, and never for the model.
#[test]
fn a_dark_of_warm_up_is_used_for_light_and_not_for_the_model() {
    let mut set = empty();
    let outcome = set.submit(DarkSource::Shutter, &exposures(0.0, 0.1, 0.0, 1), true);
    let Some(DarkOutcome::Accepted(dark)) = outcome else { panic!("{outcome:?}") };
    set.insert(Dark { id: 1, ..dark }, true);
    assert_eq!(set.serve(&light(20.0, 0.1, 20_000.0)).reference, DarkReference::Matched { dark: 1, model: None });
    assert!(set.fit(NOW).is_none());
}

/// Identity: a lit shutter dark is a fault of the shutter until a dark one follows; a light frame without light is one by day.
#[test]
fn a_shutter_that_leaks_or_stays_closed_is_a_fault() {
    let mut set = empty();
    let (dark, bright) = (light(50.0, 0.1, 0.0), light(50.0, 0.1, 20_000.0));
    assert!(set.shutter_fault(std::slice::from_ref(&dark), Some(30.0)), "no light by day");
    assert!(!set.shutter_fault(std::slice::from_ref(&dark), Some(-5.0)), "no light by night");
    assert!(!set.shutter_fault(std::slice::from_ref(&dark), None), "no light, and no sun that is known");
    assert!(!set.shutter_fault(std::slice::from_ref(&bright), Some(30.0)));
    set.submit(DarkSource::Shutter, &exposures(60.0, 0.1, 500.0, 2), false);
    assert!(set.shutter_fault(std::slice::from_ref(&bright), Some(30.0)), "its dark is lit");
    add(&mut set, 3, 70.0, 0.1);
    assert!(!set.shutter_fault(std::slice::from_ref(&bright), Some(30.0)));
}

/// Identity: memory stays bounded, and what is dropped is neither matched any more nor fitted.
#[test]
fn old_darks_that_nothing_needs_are_dropped() {
    let mut set = empty();
    for row in 0..150 {
        add(&mut set, row, 7200.0 * row as f64, 0.1);
    }
    assert!(set.darks.len() < fit::LARGEST_SET + BEYOND_SET, "{}", set.darks.len());
    let newest = set.serve(&light(7200.0 * 149.0 + 60.0, 0.1, 20_000.0)).reference;
    assert_eq!(newest, DarkReference::Matched { dark: 149, model: None });
}

/// Submits a night dark, and inserts it under a row where it is accepted; answers with what became of it.
fn night(set: &mut DarkSet, row: i64, (at_s, integration_s): (f64, f64), light: f64) -> DarkOutcome {
    let outcome = set.submit(DarkSource::Night, &exposures(at_s, integration_s, light, row as u64), false).unwrap();
    if let DarkOutcome::Accepted(dark) = &outcome {
        set.insert(Dark { id: row, ..dark.clone() }, false);
    }
    outcome
}

/// Identity: a lit dark of the night discards what no long dark has verified since, with the model fitted to it; what a long dark has
/// verified stays, and a restart changes nothing.
#[test]
fn a_lit_long_dark_discards_the_darks_of_its_night() {
    let mut set = empty();
    let accepted = |outcome: DarkOutcome| matches!(outcome, DarkOutcome::Accepted(_));
    assert!(accepted(night(&mut set, 1, (0.0, 0.1), 0.0)) && accepted(night(&mut set, 2, (60.0, 10.0), 0.0)));
    let now = NOW.plus_seconds(200.0);
    let model = set.fit(now).unwrap().unwrap();
    set.adopt(FittedModel { row: 1, fitted_at: now, model });
    // A lamp comes on: 2 counts in a dark of 0.1 s, 200 in one of 10 s.
    assert!(accepted(night(&mut set, 3, (3600.0, 0.1), 2.0)) && accepted(night(&mut set, 4, (3620.0, 0.2), 4.0)));
    let now = NOW.plus_seconds(3700.0);
    let model = set.fit(now).unwrap().unwrap();
    set.adopt(FittedModel { row: 2, fitted_at: now, model });
    assert_eq!(set.serve(&light(3710.0, 5.0, 900.0)).reference, DarkReference::Model(2));
    let DarkOutcome::Rejected(rejected) = night(&mut set, 5, (3800.0, 10.0), 200.0) else { panic!("lit") };
    assert!(rejected.event("south").text.ends_with("; 2 darks of this night are no longer used"));
    let used = |t: f64| {
        let frame = light(3850.0, t, 900.0);
        let used = set.serve(&frame);
        (used.reference, used.provenance.suspect)
    };
    assert_eq!(used(5.0), (DarkReference::Model(1), true));
    assert_eq!(used(0.2), (DarkReference::Model(1), true), "not the dark of 0.2 s");
    assert_eq!(set.darks.iter().map(|d| d.metadata.id).collect::<Vec<_>>(), [1, 2]);
    let state: DarkSetState = serde_json::from_str(&serde_json::to_string(set.state()).unwrap()).unwrap();
    assert!(!state.allows_dark(3) && !state.allows_dark(4) && state.allows_dark(2));
    assert_eq!(state.model_to_use(2), Some(1));
}

/// Identity: a model is not used beyond ten times the longest integration time of its darks.
#[test]
fn a_model_is_not_used_far_beyond_its_longest_dark() {
    let mut set = empty();
    add(&mut set, 1, 0.0, 0.01);
    add(&mut set, 2, 10.0, 0.1);
    let now = NOW.plus_seconds(100.0);
    let model = set.fit(now).unwrap().unwrap();
    set.adopt(FittedModel { row: 3, fitted_at: now, model });
    assert_eq!(set.serve(&light(120.0, 1.0, 20_000.0)).reference, DarkReference::Model(3));
    assert_eq!(set.serve(&light(120.0, 1.1, 20_000.0)).reference, DarkReference::None);
}

/// Identity: structure in a covered dark is light unless the operator vouches for the cover; then it is the detector's, and light beside it
/// is still found.
#[test]
fn structure_in_covered_darks_is_the_detectors_once_vouched_for() {
    let covered = |set: &mut DarkSet, row: i64, at_s: f64, integration_s: f64| {
        let frames = exposures(at_s, integration_s, 30.0 * integration_s, row as u64);
        let outcome = set.submit(DarkSource::Covered, &frames, false).unwrap();
        if let DarkOutcome::Accepted(dark) = &outcome {
            set.insert(Dark { id: row, ..dark.clone() }, false);
        }
        matches!(outcome, DarkOutcome::Accepted(_))
    };
    let mut set = empty();
    assert!(!covered(&mut set, 1, 0.0, 10.0));
    set.accept_structure();
    assert!(covered(&mut set, 2, 60.0, 10.0) && covered(&mut set, 3, 120.0, 0.01));
    let mut set = DarkSet::new(
        set.config.clone(),
        set.place,
        set.setup.clone(),
        DarksOnRecord { covered: set.covered.clone(), ..DarksOnRecord::default() },
        NOW,
    );
    assert!(covered(&mut set, 4, 86_400.0, 10.0), "known from the session before");
    let lit = exposures(90_000.0, 10.0, 900.0, 9);
    assert!(matches!(set.submit(DarkSource::Night, &lit, false), Some(DarkOutcome::Rejected(_))));
}

/// Submits a shutter dark whose counts are higher by so many, and inserts it under a row where it is accepted.
fn shifted(set: &mut DarkSet, row: i64, (at_s, integration_s): (f64, f64), by: u32) -> Option<DarkRejection> {
    let mut frames = exposures(at_s, integration_s, 0.0, row as u64);
    frames.iter_mut().for_each(|e| e.counts.iter_mut().for_each(|c| *c += by));
    match set.submit(DarkSource::Shutter, &frames, false).unwrap() {
        DarkOutcome::Accepted(dark) => set.insert(Dark { id: row, ..dark }, false),
        DarkOutcome::Rejected(rejected) => return Some(rejected.reason),
    }
    None
}

/// Identity: a dark that its predecessors do not allow is not used, the one before it is, with the difference stated; a next dark as
/// before ends that.
#[test]
fn a_dark_that_its_predecessors_do_not_allow_is_held_back() {
    let mut set = empty();
    add(&mut set, 1, 0.0, 0.1);
    let Some(DarkRejection::Unconfirmed { found, allowed }) = shifted(&mut set, 2, (600.0, 0.1), 300) else { panic!() };
    assert!((found - 300.0).abs() < 5.0 && allowed < 40.0, "{found} of {allowed}");
    let frame = light(610.0, 0.1, 20_000.0);
    let used = set.serve(&frame);
    assert_eq!(used.reference, DarkReference::Matched { dark: 1, model: None });
    assert!(
        used.provenance.suspect && (295..=305).contains(&used.provenance.difference_counts),
        "{:?}",
        used.provenance
    );
    assert_eq!(shifted(&mut set, 3, (660.0, 0.1), 0), None);
    assert_eq!(set.serve(&frame).provenance, DarkProvenance::default());
    assert!(set.state().departed_at.is_none());
}

/// Identity: a second dark of the same integration time confirms the first; from then on what is older is stale and suspect, also over a
/// restart.
#[test]
fn a_second_dark_confirms_the_first() {
    let mut set = empty();
    add(&mut set, 1, 0.0, 0.1);
    add(&mut set, 2, 10.0, 0.02);
    assert!(shifted(&mut set, 3, (600.0, 0.1), 60).is_some());
    assert!(shifted(&mut set, 4, (620.0, 0.02), 60).is_some(), "another integration time is no confirmation");
    assert_eq!(shifted(&mut set, 5, (660.0, 0.1), 60), None);
    let frame = light(670.0, 0.1, 20_000.0);
    assert_eq!(set.serve(&frame).reference, DarkReference::Matched { dark: 5, model: None });
    assert_eq!(set.serve(&frame).provenance, DarkProvenance::default());
    let other = light(670.0, 0.02, 20_000.0);
    let used = set.serve(&other).provenance;
    assert!(used.stale && used.suspect && (55..=65).contains(&used.difference_counts), "{used:?}");
    assert_eq!(shifted(&mut set, 6, (680.0, 0.02), 60), None);
    assert_eq!(set.serve(&other).provenance, DarkProvenance::default());
    let state: DarkSetState = serde_json::from_str(&serde_json::to_string(set.state()).unwrap()).unwrap();
    assert_eq!(&state, set.state());
}

/// Identity: in warm-up the offset drifts, and every dark is one of its own.
#[test]
fn in_warm_up_no_dark_is_held_back() {
    let mut set = empty();
    add(&mut set, 1, 0.0, 0.1);
    let mut frames = exposures(60.0, 0.1, 0.0, 2);
    frames.iter_mut().for_each(|e| e.counts.iter_mut().for_each(|c| *c += 100));
    assert!(matches!(set.submit(DarkSource::Shutter, &frames, true), Some(DarkOutcome::Accepted(_))));
}
