//! Whole readings with a simulated detector: rate times time, shot and read noise, clipping, blooming.

use super::acquired_frames::AcquiredFrames;
use super::control::ExposureState;
use super::reading_plan::{Action, ReadingPlan};
use super::setup::ExposureSetup;
use crate::calibration::Noise;
use crate::clock::UtcMicros;
use crate::config::ExposureConfig;
use crate::record::{Detector, Exposure, PixelRanges, Shutter, whole_half_cycles};
use proptest::prelude::*;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;

const PIXELS: usize = 512;
const FULL: u32 = 65_535;
const START: UtcMicros = UtcMicros(1_800_000_000_000_000);

/// Peak rate in full sun [counts/s]: three quarters of full scale in 7 ms.
const SUN: f64 = 7.0e6;

struct Rig {
    setup: ExposureSetup,
    pattern: Vec<f64>,
    dark: Vec<f64>,
    rng: rand_pcg::Pcg64Mcg,
    now: UtcMicros,
    /// Step that integration times are rounded to [s].
    rounding_s: f64,
    /// Pixel that reads full scale in any light.
    stuck_pixel: Option<usize>,
    /// Every exposure of the reading; its checksum is its index here.
    taken: Vec<Exposure>,
}

/// What differs between the tests.
#[derive(Clone, Copy)]
struct Settings {
    mains_hz: f64,
    window_s: Option<f64>,
    discard_frames: u32,
    bracket_ratio: Option<f64>,
    seed: u64,
}

const DEFAULT: Settings =
    Settings { mains_hz: 0.0, window_s: None, discard_frames: 0, bracket_ratio: Some(70.0), seed: 1 };

/// Spectral shape of daylight through a silicon array: weak at both ends, over three decades [1].
fn shape(i: usize) -> f64 {
    let x = i as f64 / PIXELS as f64;
    1e-4 + 10f64.powf(-3.5 * (1.0 - (x / 0.3).min(1.0))) * (1.0 - 0.8 * x) / 0.76
}

impl Rig {
    fn new(settings: Settings) -> Self {
        let exposure = ExposureConfig {
            target_level: 0.75,
            integration_min_s: 1e-3,
            integration_max_s: 60.0,
            budget_s: 20.0,
            exposures: 2,
            bracket_ratio: settings.bracket_ratio,
            bracket_exposures: 1,
            discard_frames: settings.discard_frames,
            unsteady_share: 0.05,
        };
        let detector = Detector {
            pixels: PIXELS,
            full_scale: FULL,
            shielded: PixelRanges(vec![(0, 7), (504, 511)]),
            integration_min_s: 1e-4,
            integration_max_s: 60.0,
            has_shutter: false,
            transfer_s: 0.36,
        };
        let noise =
            Noise { electrons_per_count: 3.0, read_noise_counts: 8.0, saturation_fraction: 0.95, blooming_pixels: 4 };
        let in_use: Vec<bool> = (0..PIXELS).map(|i| (12..500).contains(&i)).collect();
        let setup =
            ExposureSetup::new(exposure, detector, &noise, &[1.0], &in_use, settings.mains_hz, settings.window_s);
        let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(settings.seed);
        let pattern = (0..PIXELS).map(|_| 1200.0 + 15.0 * rng.sample::<f64, _>(StandardNormal)).collect();
        let dark =
            (0..PIXELS).map(|_| if rng.random_bool(0.01) { 400.0 } else { rng.random_range(15.0..25.0) }).collect();
        Self { setup, pattern, dark, rng, now: START, rounding_s: 1e-7, stuck_pixel: None, taken: Vec::new() }
    }

    /// Makes it a detector without shielded pixels.
    fn remove_shield(&mut self) {
        self.setup.pixels.shielded = vec![false; PIXELS];
        self.setup.detector.shielded = PixelRanges::default();
    }

    /// One exposure under light with the given peak rate [counts/s].
    fn expose(&mut self, integration_s: f64, peak: f64) -> Exposure {
        let integration_s = (integration_s / self.rounding_s).round() * self.rounding_s;
        let mut counts = vec![0u32; PIXELS];
        let mut blooming = vec![0.0; PIXELS];
        let mut charges = vec![0.0; PIXELS];
        let full = self.setup.detector.full_scale;
        let full_well = f64::from(full) - 1200.0;
        for (i, c) in charges.iter_mut().enumerate() {
            let lit = if self.setup.pixels.shielded[i] { 0.0 } else { peak * shape(i) };
            *c = (lit + self.dark[i]) * integration_s;
            if *c > full_well {
                for d in 1..=usize::from(self.setup.noise.blooming_pixels) {
                    for j in [i.checked_sub(d), Some(i + d)].into_iter().flatten().filter(|j| *j < PIXELS) {
                        blooming[j] += 0.02 * (*c - full_well).min(full_well);
                    }
                }
            }
        }
        for i in 0..PIXELS {
            let sigma = (64.0 + charges[i] / 3.0).sqrt();
            let v = self.pattern[i] + charges[i] + blooming[i] + sigma * self.rng.sample::<f64, _>(StandardNormal);
            counts[i] = v.round().clamp(0.0, f64::from(full)) as u32;
        }
        if let Some(pixel) = self.stuck_pixel {
            counts[pixel] = FULL;
        }
        let exposure = Exposure {
            start: self.now,
            integration_s,
            shutter: Shutter::Open,
            temperature_c: Some(20.0),
            counts,
            crc32: self.taken.len() as u32,
            rereads: 0,
        };
        self.now = exposure.end().plus_seconds(self.setup.detector.transfer_s);
        self.taken.push(exposure.clone());
        exposure
    }

    /// One reading; `light` gives the peak rate by the index of the exposure.
    fn read(&mut self, state: ExposureState, mut light: impl FnMut(usize) -> f64) -> AcquiredFrames {
        self.taken.clear();
        let setup = self.setup.clone();
        let began = self.now;
        let mut plan = ReadingPlan::new(&setup, state, began);
        while let Action::Expose { integration_s, .. } = plan.next(self.now) {
            assert!(self.taken.len() < 10_000, "a reading must end");
            let peak = light(self.taken.len());
            let exposure = self.expose(integration_s, peak);
            plan.take(exposure);
        }
        let spent = self.now.seconds_since(began);
        assert!(spent <= setup.budget_s() + 1e-6, "spent {spent} s of {} s", setup.budget_s());
        let taken = plan.finish();
        self.assert_invariants(&taken);
        taken
    }

    /// What holds for every reading in any light.
    fn assert_invariants(&self, taken: &AcquiredFrames) {
        for frame in &taken.frames {
            let sources: Vec<&Exposure> = frame.stamps.iter().map(|s| &self.taken[s.crc32 as usize]).collect();
            for i in 0..PIXELS {
                let sum: u32 = sources.iter().map(|e| e.counts[i]).sum();
                assert_eq!(frame.sums[i], sum, "a frame is the lossless sum of its exposures");
                let clipped = sources.iter().any(|e| f64::from(e.counts[i]) > self.setup.saturation_counts);
                assert_eq!(frame.clipped.contains(i), clipped, "pixel {i} of {} s", frame.integration_s);
            }
            assert!(sources.iter().all(|e| e.integration_s == frame.integration_s));
        }
        assert!(taken.frames.windows(2).all(|w| w[0].integration_s < w[1].integration_s), "shortest first");
    }

    /// The state after four readings in constant light.
    fn settled(&mut self, peak: f64) -> ExposureState {
        (0..4).fold(ExposureState::default(), |s, _| self.read(s, |_| peak).state)
    }
}

fn short_is_clean(taken: &AcquiredFrames) -> bool {
    taken.frames.first().is_some_and(|f| f.clipped.is_empty())
}

/// Largest change of the light between the exposures of a frame [1].
fn variation(taken: &AcquiredFrames) -> f64 {
    taken.frames.iter().map(|f| f64::from(f.light_variation)).fold(0.0, f64::max)
}

/// Exposures of the short bracket up to and including the first that is used.
fn tries(rig: &Rig, taken: &AcquiredFrames) -> u32 {
    taken.frames.first().map_or(u32::MAX, |f| f.stamps[0].crc32 + 1).min(rig.taken.len() as u32)
}

/// Regression: from full sun to twilight.
#[test]
fn the_first_reading_is_well_exposed_within_four_exposures() {
    for decade in 0..6 {
        let mut rig = Rig::new(DEFAULT);
        let peak = SUN / 10f64.powi(decade);
        let taken = rig.read(ExposureState::default(), |_| peak);
        assert!(taken.converged && short_is_clean(&taken), "{peak}: {} of {}", taken.peak_level, rig.taken.len());
        assert!(tries(&rig, &taken) <= 4, "{peak}: {}", tries(&rig, &taken));
        let limited = taken.frames[0].integration_s > 5.0;
        assert!((0.44..0.9).contains(&taken.peak_level) || limited, "{peak}: peak_level {}", taken.peak_level);
    }
}

#[test]
fn in_steady_light_every_exposure_is_used_and_times_stay_the_same() {
    let mut rig = Rig::new(DEFAULT);
    let state = rig.settled(SUN);
    let first = rig.read(state.clone(), |_| SUN);
    assert_eq!(first.frames.iter().map(|f| f.exposures()).collect::<Vec<_>>(), [2, 1]);
    assert_eq!(rig.taken.len(), 3);
    let ratio = first.frames[1].integration_s / first.frames[0].integration_s;
    assert!((50.0..=70.1).contains(&ratio), "{ratio}");
    assert!(variation(&first) < 0.02, "{}", variation(&first));
    assert!(!first.frames[1].clipped.is_empty(), "the visible clips in the long bracket");
    for change in [0.95, 1.05, 0.9, 1.1] {
        let next = rig.read(first.state.clone(), |_| SUN * change);
        assert_eq!(next.frames[0].integration_s, first.frames[0].integration_s, "×{change}");
        assert_eq!(next.frames[1].integration_s, first.frames[1].integration_s, "×{change}");
    }
}

/// Regression: the third exposure at the latest is unclipped and at the target level.
#[test]
fn a_hundredfold_change_either_way_converges_within_three_exposures() {
    for seed in 0..10 {
        for (before, after) in
            [(SUN, SUN / 100.0), (SUN / 100.0, SUN), (SUN / 1000.0, SUN / 10.0), (SUN / 10.0, SUN / 1000.0)]
        {
            let mut rig = Rig::new(Settings { seed, ..DEFAULT });
            let state = rig.settled(before);
            let taken = rig.read(state, |_| after);
            assert!(taken.converged && short_is_clean(&taken), "{before} → {after}: peak_level {}", taken.peak_level);
            assert!(tries(&rig, &taken) <= 3, "{before} → {after}: {}", tries(&rig, &taken));
            assert!((0.44..0.9).contains(&taken.peak_level), "{before} → {after}: peak_level {}", taken.peak_level);
        }
    }
}

/// Regression: without a stored spectral shape a clipped frame allows no estimate of the rate.
#[test]
fn a_hundredfold_change_converges_without_a_known_shape() {
    for change in [2.0, 10.0, 100.0] {
        let mut rig = Rig::new(DEFAULT);
        let state = ExposureState { shape: Vec::new(), ..rig.settled(SUN / 100.0) };
        let taken = rig.read(state, |_| change * SUN / 100.0);
        assert!(taken.converged && short_is_clean(&taken), "×{change}: peak_level {}", taken.peak_level);
        assert!(tries(&rig, &taken) <= 3, "×{change}: {}", tries(&rig, &taken));
    }
}

#[test]
fn a_thousandfold_change_ends_unclipped() {
    for (before, after) in [(SUN / 1000.0, SUN), (SUN, SUN / 1000.0)] {
        let mut rig = Rig::new(DEFAULT);
        let state = rig.settled(before);
        let taken = rig.read(state, |_| after);
        assert!(taken.converged && short_is_clean(&taken), "{before} → {after}: peak_level {}", taken.peak_level);
        assert!(tries(&rig, &taken) <= 3, "{before} → {after}: {}", tries(&rig, &taken));
    }
}

/// Unless the reading restarts with another integration time after the jump. (A jump between the brackets is detected where
/// reduction merges them.)
#[test]
fn a_jump_between_the_exposures_of_a_frame_shows_in_its_variation() {
    for (factor, shielded) in
        [1e-3, 0.01, 0.5, 0.8, 1.25, 2.0, 100.0, 1e3].into_iter().flat_map(|f| [(f, true), (f, false)])
    {
        for at in [1, 2] {
            let mut rig = Rig::new(DEFAULT);
            if !shielded {
                rig.remove_shield();
            }
            let state = rig.settled(SUN / 50.0);
            let taken = rig.read(state, |n| if n < at { SUN / 50.0 } else { SUN / 50.0 * factor });
            let change = if factor < 1.0 { 1.0 - factor } else { 1.0 - 1.0 / factor };
            for frame in &taken.frames {
                let after = frame.stamps.iter().filter(|s| s.crc32 as usize >= at).count();
                let one_light = after == 0 || after == frame.exposures();
                let found = f64::from(frame.light_variation);
                assert!(one_light || found > 0.7 * change, "×{factor} at {at}, shielded {shielded}: {found}");
            }
            assert!(short_is_clean(&taken), "×{factor} at {at}");
        }
    }
}

/// Noise counts as no change of light.
#[test]
fn in_darkness_the_longest_exposures_are_used() {
    let mut rig = Rig::new(DEFAULT);
    let state = rig.settled(0.0);
    let taken = rig.read(state, |_| 0.0);
    assert!(taken.converged && short_is_clean(&taken));
    assert_eq!(taken.frames[0].integration_s, rig.setup.longest_short_s());
    assert_eq!(variation(&taken), 0.0);
}

#[test]
fn integration_times_are_whole_half_cycles_of_the_mains_unless_one_would_clip() {
    for mains_hz in [50.0, 60.0] {
        for decade in 0..5 {
            let mut rig = Rig::new(Settings { mains_hz, ..DEFAULT });
            let peak = 5.0 * SUN / 10f64.powi(decade);
            let state = rig.settled(peak);
            let taken = rig.read(state, |_| peak);
            assert!(short_is_clean(&taken));
            let half_clips = peak * 0.5 / mains_hz + 1200.0 > 0.92 * 0.95 * f64::from(FULL);
            let whole = taken.frames.iter().all(|f| whole_half_cycles(f.integration_s, mains_hz));
            assert_eq!(whole, !half_clips, "{mains_hz} Hz, {peak}: {:?}", taken.frames[0].integration_s);
        }
    }
}

#[test]
fn light_too_bright_for_the_shortest_time_is_recorded_as_clipped() {
    let mut rig = Rig::new(DEFAULT);
    let taken = rig.read(ExposureState::default(), |_| 1e9);
    assert!(!taken.converged && !taken.frames.is_empty() && !taken.frames[0].clipped.is_empty());
    assert_eq!(taken.frames[0].integration_s, 1e-3);
}

#[test]
fn a_pixel_stuck_at_full_scale_is_ignored_by_exposure_control_and_recorded_as_clipped() {
    let mut rig = Rig::new(DEFAULT);
    let state = rig.settled(SUN / 20.0);
    rig.stuck_pixel = Some(60);
    let state = (0..3).fold(state, |s, _| rig.read(s, |_| SUN / 20.0).state);
    let taken = rig.read(state, |_| SUN / 20.0);
    assert_eq!(taken.state.stuck, [60]);
    assert_eq!(taken.frames[0].clipped.0, [(60, 60)]);
    assert!(
        (0.44..0.9).contains(&taken.peak_level) && taken.frames[0].integration_s > 0.05,
        "peak_level {}",
        taken.peak_level
    );
    rig.stuck_pixel = None;
    let recovered = rig.read(taken.state, |_| SUN / 20.0);
    assert_eq!(recovered.state.stuck, [0u16; 0]);
}

/// Regression: for changes by a factor of 100.
#[test]
fn exposure_control_converges_without_shielded_pixels() {
    for (before, after) in [(SUN, SUN / 100.0), (SUN / 100.0, SUN), (SUN, SUN)] {
        let mut rig = Rig::new(DEFAULT);
        rig.remove_shield();
        let state = rig.settled(before);
        let taken = rig.read(state, |_| after);
        assert!(taken.converged && short_is_clean(&taken), "{before} → {after}: peak_level {}", taken.peak_level);
        assert!(tries(&rig, &taken) <= 3 && variation(&taken) < 0.03, "{} {}", tries(&rig, &taken), variation(&taken));
    }
}

/// Each frame holds exposures of one integration time only.
#[test]
fn an_instrument_that_rounds_integration_times_to_milliseconds_is_supported() {
    for decade in 0..3 {
        let mut rig = Rig::new(DEFAULT);
        rig.rounding_s = 1e-3;
        let peak = SUN / 10f64.powi(decade);
        let state = rig.settled(peak);
        let taken = rig.read(state, |_| peak);
        assert!(taken.converged && short_is_clean(&taken), "{peak}: peak_level {}", taken.peak_level);
        assert_eq!(taken.frames.iter().map(|f| f.exposures()).collect::<Vec<_>>(), [2, 1], "{peak}");
    }
}

#[test]
fn a_restart_continues_with_the_last_integration_times() {
    let mut rig = Rig::new(DEFAULT);
    let state = rig.settled(SUN / 7.0);
    let text = serde_json::to_string(&state).unwrap();
    let again: ExposureState = serde_json::from_str(&text).unwrap();
    assert_eq!(again.short_s, state.short_s);
    let taken = rig.read(again, |_| SUN / 7.0);
    assert_eq!((tries(&rig, &taken), Some(taken.frames[0].integration_s)), (1, state.short_s));
    let older: ExposureState = serde_json::from_str("{\"short_s\":0.01}").unwrap();
    assert_eq!(older.short_s, Some(0.01), "a saved state with fewer fields is read");
}

#[test]
fn the_configured_number_of_frames_is_discarded_after_every_change_of_integration_time() {
    let mut rig = Rig::new(Settings { discard_frames: 2, ..DEFAULT });
    let state = rig.settled(SUN);
    let taken = rig.read(state, |_| SUN);
    let used: Vec<u32> = taken.frames.iter().flat_map(|f| &f.stamps).map(|s| s.crc32).collect();
    assert_eq!(used, [2, 3, 6], "two discarded before the short bracket and two before the long one");
}

/// Delays of the exposures of one reading that begins at `start` [s].
fn delays(mains_hz: f64, peak: f64, start: UtcMicros) -> Vec<f64> {
    let mut rig = Rig::new(Settings { mains_hz, window_s: Some(20.0), ..DEFAULT });
    let state = rig.settled(peak);
    rig.now = start;
    let setup = rig.setup.clone();
    let mut plan = ReadingPlan::new(&setup, state, start);
    let mut found = Vec::new();
    while let Action::Expose { integration_s, delay_s, .. } = plan.next(rig.now) {
        assert!(whole_half_cycles(integration_s, mains_hz) == (delay_s == 0.0), "{integration_s} s after {delay_s} s");
        if delay_s > 0.0 {
            found.push(delay_s);
        }
        rig.now = rig.now.plus_seconds(delay_s);
        let e = rig.expose(integration_s, peak);
        plan.take(e);
    }
    found
}

/// The delays cover one half-cycle and depend on the start of the reading only. Whole half-cycles, and stations without mains-driven
/// light, have none.
#[test]
fn exposures_shorter_than_a_half_cycle_start_at_random_phases() {
    for mains_hz in [50.0, 60.0] {
        let half_cycle = 0.5 / mains_hz;
        let found = delays(mains_hz, 2.0 * SUN, START);
        assert_eq!(found, delays(mains_hz, 2.0 * SUN, START));
        assert_ne!(found, delays(mains_hz, 2.0 * SUN, START.plus_seconds(60.0)));
        assert!(found.len() > 20 && found.iter().all(|d| (0.0..half_cycle).contains(d)), "{found:?}");
        let quarters: [usize; 4] =
            std::array::from_fn(|k| found.iter().filter(|d| (**d / half_cycle * 4.0) as usize == k).count());
        assert!(quarters.iter().all(|n| *n > 1), "{quarters:?}");
        assert!(delays(mains_hz, 0.1 * SUN, START).is_empty());
    }
    assert!(delays(0.0, 2.0 * SUN, START).is_empty());
}

/// Nothing, the short bracket, or both.
#[test]
fn exposures_before_a_fault_are_used() {
    let mut rig = Rig::new(DEFAULT);
    let state = rig.settled(SUN);
    for faultless in 0..4 {
        let setup = rig.setup.clone();
        let mut plan = ReadingPlan::new(&setup, state.clone(), rig.now);
        rig.taken.clear();
        for _ in 0..faultless {
            if let Action::Expose { integration_s, .. } = plan.next(rig.now) {
                let e = rig.expose(integration_s, SUN);
                plan.take(e);
            }
        }
        let _ = plan.next(rig.now);
        let taken = plan.finish();
        let exposures: usize = taken.frames.iter().map(|f| f.exposures()).sum();
        assert_eq!(exposures, faultless);
        assert_eq!(taken.state.short_s, state.short_s);
    }
}

/// Every exposure is returned for the statistics of the window.
#[test]
fn a_window_alternates_between_both_brackets_until_it_ends() {
    let mut rig = Rig::new(Settings { window_s: Some(60.0), ..DEFAULT });
    let state = rig.settled(SUN);
    let began = rig.now;
    let taken = rig.read(state, |_| SUN);
    assert!(rig.now.seconds_since(began) > 58.0, "{}", rig.now.seconds_since(began));
    let n: Vec<usize> = taken.frames.iter().map(|f| f.exposures()).collect();
    assert!(n[0] > 40 && n[1] > 20, "{n:?}");
    assert_eq!(taken.singles.len(), n[0] + n[1]);
    assert!(taken.singles.windows(2).all(|w| w[0].exposure.start < w[1].exposure.start));
    assert_eq!(taken.singles.iter().filter(|s| s.frame == 1).count(), n[1]);
    assert!(variation(&taken) < 0.03, "{}", variation(&taken));
}

/// Where the light jumps above what the window's integration time allows.
#[test]
fn a_window_uses_the_longer_part_before_or_after_a_jump() {
    for at in [5, 60] {
        let mut rig = Rig::new(Settings { window_s: Some(60.0), ..DEFAULT });
        let state = rig.settled(SUN / 10.0);
        let taken = rig.read(state, |n| if n < at { SUN / 10.0 } else { SUN });
        assert!(short_is_clean(&taken), "jump at {at}");
        let late = taken.frames[0].stamps.iter().all(|s| s.crc32 as usize >= at);
        let early = taken.frames[0].stamps.iter().all(|s| (s.crc32 as usize) < at);
        assert!(if at == 5 { late } else { early }, "jump at {at}");
    }
}

#[test]
fn sums_of_a_24_bit_detector_do_not_overflow_in_a_long_window() {
    let mut rig = Rig::new(Settings { window_s: Some(600.0), ..DEFAULT });
    rig.setup.detector.full_scale = 1 << 24;
    rig.setup.saturation_counts = 0.95 * f64::from(1 << 24);
    rig.setup.detector.transfer_s = 0.0;
    let state = rig.settled(1e9);
    let taken = rig.read(state, |_| 1e9);
    let most = taken.frames.iter().map(|f| f.exposures()).max().unwrap();
    assert!((200..=255).contains(&most), "{most}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    /// For random changes of light between and within readings. `Rig::read` checks that budgets are kept.
    #[test]
    fn clipped_pixels_are_always_recorded_and_a_converged_reading_is_unclipped(
        seed in 0u64..1000,
        discard_frames in 0u32..2,
        mains in prop::sample::select(vec![0.0, 50.0, 60.0]),
        window in prop::option::weighted(0.2, 5.0f64..40.0),
        decades in prop::collection::vec(-7.0f64..0.5, 12),
        jumps in prop::collection::vec((0usize..6, -3.0f64..3.0), 12),
    ) {
        let mut rig = Rig::new(Settings { mains_hz: mains, window_s: window, discard_frames, seed, ..DEFAULT });
        let mut state = ExposureState::default();
        for (decade, (at, jump)) in decades.iter().zip(&jumps) {
            let peak = SUN * 10f64.powf(*decade);
            let taken = rig.read(state, |n| if n < *at { peak } else { peak * 10f64.powf(*jump) });
            prop_assert!(!taken.frames.is_empty());
            prop_assert!(!taken.converged || short_is_clean(&taken));
            // A change of light between the exposures of a frame is reported, where it exceeds the noise.
            let change = 1.0 - 10f64.powf(-jump.abs());
            for frame in &taken.frames {
                let mixed = frame.stamps.iter().any(|s| (s.crc32 as usize) < *at)
                    && frame.stamps.iter().any(|s| s.crc32 as usize >= *at);
                let bright = frame.integration_s * peak * 10f64.powf(jump.max(0.0)) > 3000.0;
                if mixed && bright && change > 0.2 {
                    prop_assert!(f64::from(frame.light_variation) > 0.5 * change, "×{} shows as {} only", 10f64.powf(*jump), frame.light_variation);
                }
            }
            if let Some(after) = taken.frames.first().filter(|f| !f.clipped.is_empty()) {
                prop_assert!(after.integration_s <= 1.01e-3 || rig.taken.len() >= 3 || window.is_some(), "clipped at {} s after {} exposures", after.integration_s, rig.taken.len());
            }
            state = taken.state;
        }
    }

    #[test]
    fn any_change_by_a_factor_up_to_100_converges_within_three_exposures(seed in 0u64..1000, from in -3.5f64..0.0, change in -2.0f64..2.0) {
        let to = (from + change).clamp(-3.5, 0.0);
        let mut rig = Rig::new(Settings { seed, ..DEFAULT });
        let state = rig.settled(SUN * 10f64.powf(from));
        let taken = rig.read(state, |_| SUN * 10f64.powf(to));
        prop_assert!(taken.converged && short_is_clean(&taken), "peak_level {}", taken.peak_level);
        prop_assert!(tries(&rig, &taken) <= 3, "{} tries", tries(&rig, &taken));
    }
}
