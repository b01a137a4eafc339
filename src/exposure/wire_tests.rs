//! Readings and darks of the virtual spectrometer, through dialect and session only.

use super::acquired_frames::AcquiredFrames;
use super::control::ExposureState;
use super::reading_plan::{Action, ReadingPlan};
use super::setup::ExposureSetup;
use crate::calibration::Noise;
use crate::clock::{Clock, SteppedClock, Stop, UtcMicros};
use crate::config::ExposureConfig;
use crate::darks::{DarkRejection, Expected, test_darkness};
use crate::instrument::{SCPI, Session};
use crate::record::{Detector, Frame, Shutter};
use crate::simulator::SimulatedStation;
use crate::simulator::inprocess;
use crate::simulator::scenes::playback::Playback;
use crate::simulator::settings::Settings;
use crate::simulator::thermal::{Ambient, WarmUp};
use crate::spectrum::Spectrum;
use crate::spectrum::g173::g173;
use std::sync::Arc;

const START: UtcMicros = UtcMicros(1_782_036_000_000_000);
const NOISE: Noise =
    Noise { electrons_per_count: 3.0, read_noise_counts: 7.0, saturation_fraction: 0.95, blooming_pixels: 4 };

/// A session with a simulated instrument after its warm-up, at an air temperature, under the reference sun times `factor`.
fn session(factor: f64, air_c: f64, seed: u64) -> (Session, Detector, Arc<SteppedClock>) {
    let settings = Settings {
        seed,
        ambient: Ambient::constant(air_c),
        warm_up: WarmUp { minutes: 0.0, self_heating_k: 0.0, ..WarmUp::default() },
        ..Settings::default()
    };
    let sun = g173();
    let spectrum =
        Spectrum { irradiance: sun.global_tilt.iter().map(|e| e * factor).collect(), wavelength_nm: sun.wavelength_nm };
    let scene = Box::new(Playback::new(&spectrum, SimulatedStation::grid_of(&settings)));
    let clock = Arc::new(SteppedClock::new(START));
    let (link, _) = inprocess::connect(SimulatedStation::with_scene(&settings, START, scene).unwrap(), clock.clone());
    let mut session = Session::new(Box::new(link), clock.clone(), Stop::new(), 115_200, &SCPI);
    let (_, detector) = session.connect().unwrap();
    (session, detector, clock)
}

fn setup(detector: Detector) -> ExposureSetup {
    let exposure = ExposureConfig {
        target_level: 0.75,
        integration_min_s: 1e-3,
        integration_max_s: 60.0,
        budget_s: 20.0,
        exposures: 2,
        bracket_ratio: Some(70.0),
        bracket_exposures: 1,
        discard_frames: 0,
        unsteady_share: 0.05,
    };
    let in_use = vec![true; detector.pixels];
    ExposureSetup::new(exposure, detector, &NOISE, &[1.0, -6.0e-7], &in_use, 0.0, None)
}

fn read(
    session: &mut Session,
    setup: &ExposureSetup,
    state: ExposureState,
    clock: &SteppedClock,
) -> (AcquiredFrames, f64) {
    let began = clock.now();
    let mut plan = ReadingPlan::new(setup, state, began);
    while let Action::Expose { integration_s, shutter, delay_s } = plan.next(clock.now()) {
        session.wait(delay_s);
        plan.take(session.expose(integration_s, shutter).unwrap());
    }
    (plan.finish(), clock.now().seconds_since(began))
}

/// Regression: from noon to dusk, although the detector is not linear and the brackets differ by a factor of 70.
#[test]
fn the_second_reading_in_steady_light_needs_no_further_tries_and_finds_it_steady() {
    for factor in [1.0, 0.1, 1e-2, 1e-3, 1e-4] {
        let (mut session, detector, clock) = session(factor, 20.0, 1);
        let setup = setup(detector);
        let (first, _) = read(&mut session, &setup, ExposureState::default(), &clock);
        let (taken, spent) = read(&mut session, &setup, first.state, &clock);
        assert!(spent <= 20.0, "×{factor}: {spent} s");
        assert!(taken.converged && taken.frames[0].clipped.is_empty(), "×{factor}: peak_level {}", taken.peak_level);
        assert!(
            taken.frames.iter().all(|f| f.light_variation < 0.02),
            "×{factor}: {:?}",
            taken.frames[0].light_variation
        );
        assert_eq!(taken.frames[0].exposures(), 2, "×{factor}");
        assert_eq!(taken.frames.len(), 2 - usize::from(factor < 1e-2), "×{factor}");
    }
}

/// A frame of `n` exposures.
fn frame(session: &mut Session, setup: &ExposureSetup, t: f64, shutter: Shutter, n: usize) -> Frame {
    let exposures: Vec<_> = (0..n).map(|_| session.expose(t, shutter).unwrap()).collect();
    Frame::of(&exposures, |c| setup.is_clipped(c)).unwrap()
}

/// Regression: 1 ms to 60 s, −10 to 40 °C, several detectors.
#[test]
fn shutter_darks_pass_the_darkness_test_at_any_integration_time_and_temperature() {
    for seed in 0..4 {
        for air in [-10.0, 15.0, 40.0] {
            let (mut session, detector, _) = session(1.0, air, seed);
            let setup = setup(detector);
            for t in [1e-3, 0.1, 3.0, 60.0] {
                for n in [1, 4] {
                    let dark = frame(&mut session, &setup, t, Shutter::Closed, n);
                    let found =
                        test_darkness(&dark, &setup.detector.shielded, NOISE.read_noise_counts, Expected::default());
                    assert_eq!(found, Ok(()), "seed {seed}, {air} °C, {t} s");
                }
            }
        }
    }
}

/// Regression: full moon is 2.5e-6 of the sun, about 15 counts/s.
#[test]
fn darks_of_seconds_under_a_full_moon_are_rejected() {
    for seed in 0..4 {
        let (mut session, detector, _) = session(2.5e-6, 5.0, seed);
        let setup = setup(detector);
        for t in [2.0, 10.0, 60.0] {
            let night = frame(&mut session, &setup, t, Shutter::Open, 4);
            let found = test_darkness(&night, &setup.detector.shielded, NOISE.read_noise_counts, Expected::default());
            assert!(matches!(found, Err(DarkRejection::Lit { .. })), "seed {seed}, {t} s: {found:?}");
        }
    }
}
