//! Which darks to take.
//!
//! Works on the metadata of the darks on record, never on their counts. Invariants: a night dark is taken under moon or twilight only
//! while there is no model, and never where they may send more than 0.02 lx; an integration time of the set that no pause between readings is long enough for is taken all the
//! same, in place of a reading by night.

use super::metadata::DarkMetadata;
use super::pause::DarkPause;
use super::set_times::set_times_s;
use super::setup::DarkSetup;
use crate::config::DarksConfig;
use crate::record::{DarkSource, Frame, IntegrationGrid};

/// Darks of the set are spread over temperatures this far apart [K], so that the dark current's temperature law can be fitted.
const SET_KELVIN: f64 = 3.0;
/// The same while that law is not known: a night that begins to cool is to show it soon.
const SET_KELVIN_UNKNOWN: f64 = 0.25;
/// With a shutter, whose matched darks watch the detector all day, a set whose temperature law is known is renewed this
/// many times less often than by night.
const SHUTTER_RARER: f64 = 4.0;
/// Darks that no pause is long enough for are renewed this many times less often than others.
const OVERLONG_RARER: f64 = 4.0;

/// A dark to take now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkRequest {
    /// Integration time to set [s].
    pub integration_s: f64,
    /// Exposures to sum.
    pub exposures: u32,
    /// Where darkness comes from.
    pub source: DarkSource,
}

impl DarkRequest {
    /// How long it takes [s], by what an exposure costs beside its integration time [s].
    pub fn duration_s(&self, overhead_s: f64) -> f64 {
        f64::from(self.exposures) * (self.integration_s + overhead_s)
    }
}

/// The dark model there is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ModelState {
    /// None: light without a matched dark has no dark at all.
    None,
    /// One that does not know how the dark current depends on temperature.
    LawUnknown,
    /// One that does.
    LawKnown,
}

/// What is to be taken now, most wanted first. All of it fits into the free time, with two exceptions, of one exposure each: a
/// matched dark where no model could replace it, since without it the readings have no value at all; and by night a time of the
/// set that no pause is long enough for, which costs the reading after.
pub fn plan_darks(
    config: &DarksConfig,
    setup: &DarkSetup,
    known: &[DarkMetadata],
    model: ModelState,
    pause: &DarkPause<'_>,
) -> Vec<DarkRequest> {
    let shutter = setup.has_shutter && config.sources.contains(&DarkSource::Shutter);
    let night = config.sources.contains(&DarkSource::Night)
        && pause.night.is_some_and(|night| {
            // Without a model any night will do that is dark enough for the readings of the day.
            night.allows_darks(config.night_below_deg) && (model == ModelState::None || night.is_darkest())
        });
    let mut plan = Plan::new(config, setup, pause.free_s);
    if shutter {
        for &t in pause.used_s {
            let same = || known.iter().filter(|d| d.is_of(t));
            let fresh =
                |d: &DarkMetadata| d.age_s(pause.now) <= config.refresh_s && d.is_near(config, pause.temperature_c);
            if !same().any(fresh) {
                plan.add(t, DarkSource::Shutter, model == ModelState::None && same().next().is_none());
            }
        }
    }
    if shutter || night {
        let source = if shutter { DarkSource::Shutter } else { DarkSource::Night };
        // With a shutter one a reading is enough: the set grows beside the day's work. Nights are short and are used.
        let mut left = if shutter { 1 } else { usize::MAX };
        let mut overlong = 1;
        for (age, t) in due_times(config, setup, known, model, pause) {
            if left == 0 {
                break;
            }
            let least_s = f64::from(1 + setup.discard_frames) * (t + setup.overhead_s);
            let too_long = least_s > pause.shortest_s;
            let must = night && too_long && overlong > 0 && age >= OVERLONG_RARER * config.night_every_s;
            let added = plan.add(t, source, must);
            left -= usize::from(added);
            overlong -= usize::from(added && must);
        }
    }
    plan.requests
}

/// Darks that fit into a pause.
struct Plan {
    most: u32,
    overhead_s: f64,
    /// Frames discarded before each dark.
    discard: f64,
    free_s: f64,
    requests: Vec<DarkRequest>,
}

impl Plan {
    fn new(config: &DarksConfig, setup: &DarkSetup, free_s: f64) -> Self {
        let discard = f64::from(setup.discard_frames);
        Self { most: config.exposures, overhead_s: setup.overhead_s, discard, free_s, requests: Vec::new() }
    }

    /// Adds as many exposures as fit, and one in any case where it `must`; answers whether it did.
    fn add(&mut self, integration_s: f64, source: DarkSource, must: bool) -> bool {
        let cost = integration_s + self.overhead_s;
        let fit = (self.free_s / cost - self.discard).floor().clamp(0.0, f64::from(self.most)) as u32;
        let exposures = if must { fit.max(1) } else { fit };
        let there = self.requests.iter().any(|r| Frame::same_integration(r.integration_s, integration_s));
        if exposures == 0 || there {
            return false;
        }
        self.free_s -= (f64::from(exposures) + self.discard) * cost;
        self.requests.push(DarkRequest { integration_s, exposures, source });
        true
    }
}

/// Times of the set that are due, with the age of the newest dark of each [s]: the longest time of the set first, since it shows light
/// that the others hide, then the longest neglected, never-taken ones before all and long before short.
fn due_times(
    config: &DarksConfig,
    setup: &DarkSetup,
    known: &[DarkMetadata],
    model: ModelState,
    pause: &DarkPause<'_>,
) -> Vec<(f64, f64)> {
    let law_known = model == ModelState::LawKnown;
    let kelvin = if law_known { SET_KELVIN } else { SET_KELVIN_UNKNOWN };
    let watched = setup.has_shutter && config.sources.contains(&DarkSource::Shutter) && law_known;
    let every_s = if watched { SHUTTER_RARER * config.night_every_s } else { config.night_every_s };
    let sky_lx = pause.night.map_or(0.0, |night| night.sky.total_lx());
    let counts = |d: &DarkMetadata, t: f64| {
        let near = d.kelvin_from(pause.temperature_c).is_none_or(|difference| difference <= kelvin);
        d.is_about(t) && near && !d.is_brighter_than(sky_lx)
    };
    let newest_s =
        |t: f64| known.iter().filter(|d| counts(d, t)).map(|d| d.age_s(pause.now)).fold(f64::INFINITY, f64::min);
    let times = set_times_s(config, &setup.grid, setup.longest_s);
    let is_longest = |t: f64| times.last() == Some(&t);
    let mut due: Vec<(f64, f64)> =
        times.iter().map(|t| (newest_s(*t), *t)).filter(|(age, _)| *age >= every_s).collect();
    due.sort_by(|a, b| {
        let by_age = b.0.total_cmp(&a.0).then(b.1.total_cmp(&a.1));
        is_longest(b.1).cmp(&is_longest(a.1)).then(by_age)
    });
    due
}

/// What the operator with a cover is asked for: the whole set, long exposures fewer, within about `allowed_s` [s].
/// Every time is taken at least once, also when that takes longer.
pub fn plan_covered_darks(
    config: &DarksConfig,
    grid: &IntegrationGrid,
    longest_s: f64,
    overhead_s: f64,
    allowed_s: f64,
) -> Vec<DarkRequest> {
    let times = set_times_s(config, grid, longest_s);
    let share = allowed_s / times.len().max(1) as f64;
    let request = |t: &f64| DarkRequest {
        integration_s: *t,
        exposures: ((share / (t + overhead_s)).floor() as u32).clamp(1, config.exposures.max(1)),
        source: DarkSource::Covered,
    };
    times.iter().map(request).collect()
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::pause::Night;
    use super::*;
    use crate::clock::UtcMicros;
    use crate::record::PixelRanges;

    pub(in crate::darks) const NOW: UtcMicros = UtcMicros(1_800_000_000_000_000);

    pub(in crate::darks) fn config(sources: &[DarkSource]) -> DarksConfig {
        DarksConfig {
            sources: sources.to_vec(),
            exposures: 8,
            refresh_s: 1200.0,
            max_age_s: 3600.0,
            max_temperature_difference_k: 1.0,
            night_below_deg: -12.0,
            night_sky_lx: 0.001,
            night_every_s: 3600.0,
            model_max_age_s: 30.0 * 86_400.0,
            dark_set_max_s: 60.0,
        }
    }

    pub(in crate::darks) fn dark(id: i64, integration_s: f64, temperature_c: f64, age_s: f64) -> DarkMetadata {
        DarkMetadata {
            id,
            source: DarkSource::Shutter,
            integration_s,
            temperature_c: Some(temperature_c),
            time: NOW.plus_seconds(-age_s),
            sky_lx: 0.0,
            warming: false,
        }
    }

    pub(in crate::darks) fn setup(grid: IntegrationGrid, has_shutter: bool) -> DarkSetup {
        DarkSetup {
            has_shutter,
            shielded: PixelRanges::default(),
            clipped_from: 62_000,
            read_noise_counts: 8.0,
            grid,
            longest_s: 60.0,
            overhead_s: 0.4,
            discard_frames: 0,
            calibration: None,
        }
    }

    /// A night without a moon.
    fn sun(sun_deg: f64, lowest_deg: f64) -> Option<Night> {
        let twilight_lx = crate::night_sky::sun_illuminance_lx(sun_deg);
        let sky = crate::night_sky::NightSky { twilight_lx, moon_lx: 0.0, moonless: true };
        Some(Night { sun_deg, lowest_deg, sky })
    }

    /// A pause at noon.
    fn pause(used_s: &[f64], free_s: f64) -> DarkPause<'_> {
        DarkPause { now: NOW, free_s, shortest_s: 60.0, used_s, night: sun(30.0, -30.0), temperature_c: Some(20.0) }
    }

    /// Identity: the frames to discard take the time of as many exposures, 0.6 s each here.
    #[test]
    fn a_dark_leaves_time_for_the_frames_to_discard() {
        let plan = |discard_frames, free_s| {
            let setup = DarkSetup { discard_frames, ..setup(IntegrationGrid::new(1e-3, 10.0, 0.0), true) };
            let config = config(&[DarkSource::Shutter]);
            let requests = plan_darks(&config, &setup, &[], ModelState::LawKnown, &pause(&[0.2], free_s));
            requests.iter().find(|r| r.integration_s == 0.2).map_or(0, |r| r.exposures)
        };
        assert_eq!((plan(0, 3.1), plan(2, 3.1), plan(2, 1.5)), (5, 3, 0));
    }

    /// Identity: a dark follows every change of the integration time, of temperature past the limit, and of time past the refresh.
    #[test]
    fn the_dark_follows_integration_time_temperature_and_age() {
        let config = config(&[DarkSource::Shutter]);
        let setup = setup(IntegrationGrid::new(1e-3, 10.0, 0.0), true);
        let matched = |known: &[DarkMetadata]| {
            let all = plan_darks(&config, &setup, known, ModelState::None, &pause(&[0.01], 30.0));
            all.first().is_some_and(|o| o.integration_s == 0.01 && o.exposures == 8)
        };
        assert!(matched(&[]));
        assert!(!matched(&[dark(1, 0.01, 20.5, 1100.0)]));
        assert!(matched(&[dark(1, 0.01, 21.5, 100.0)]), "temperature");
        assert!(matched(&[dark(1, 0.01, 20.0, 1300.0)]), "age");
        assert!(matched(&[dark(1, 0.0121, 20.0, 10.0)]), "integration time");
        let none = DarkMetadata { temperature_c: None, ..dark(1, 0.01, 0.0, 10.0) };
        assert!(matched(&[none]), "a dark of unknown temperature is not matched");
    }

    /// Identity: requests fit into the free time; only where there would be no dark at all is one exposure taken that does not.
    #[test]
    fn requests_fit_into_the_free_time() {
        let config = config(&[DarkSource::Shutter, DarkSource::Night]);
        let setup = setup(IntegrationGrid::new(1e-3, 60.0, 0.0), true);
        for free in [0.0, 1.0, 5.0, 20.0, 45.0, 600.0] {
            for elevation in [-30.0, 30.0] {
                let pause = DarkPause { night: sun(elevation, -30.0), ..pause(&[0.01, 8.0], free) };
                let all = plan_darks(&config, &setup, &[], ModelState::LawKnown, &pause);
                let cost: f64 = all.iter().map(|o| o.duration_s(0.4)).sum();
                assert!(cost <= free, "{free}: {all:?}");
                assert!(all.iter().all(|o| (1..=8).contains(&o.exposures)));
            }
        }
        let forced = plan_darks(&config, &setup, &[], ModelState::None, &pause(&[8.0], 1.0));
        assert_eq!(forced[0], DarkRequest { integration_s: 8.0, exposures: 1, source: DarkSource::Shutter });
    }

    /// Identity: without a shutter darks come from the night only, and a night of short pauses completes what fits of the set.
    #[test]
    fn a_night_completes_the_set_and_the_day_takes_none() {
        let config = config(&[DarkSource::Night]);
        let setup = setup(IntegrationGrid::new(1e-3, 30.0, 0.0), false);
        let by_night = |known: &[DarkMetadata], now: UtcMicros, elevation: f64| {
            let pause = DarkPause { now, night: sun(elevation, -30.0), ..pause(&[0.01], 40.0) };
            plan_darks(&config, &setup, known, ModelState::None, &pause)
        };
        assert_eq!(by_night(&[], NOW, 5.0), []);
        assert_eq!(by_night(&[], NOW, -11.0), []);
        let mut known: Vec<DarkMetadata> = Vec::new();
        for minute in 0..40 {
            let now = NOW.plus_seconds(60.0 * f64::from(minute));
            for o in by_night(&known, now, -20.0) {
                assert_eq!(o.source, DarkSource::Night);
                known.push(DarkMetadata { time: now, ..dark(known.len() as i64, o.integration_s, 20.0, 0.0) });
            }
        }
        let mut times: Vec<f64> = known.iter().map(|n| n.integration_s).collect();
        times.sort_by(f64::total_cmp);
        assert_eq!(times, set_times_s(&config, &setup.grid, 60.0), "each once within the hour");
        assert!(by_night(&known, NOW.plus_seconds(3500.0), -20.0).is_empty());
        assert!(!by_night(&known, NOW.plus_seconds(7300.0), -20.0).is_empty(), "renewed after night_every_s");
    }

    /// Identity: a sun of unknown position is never night.
    #[test]
    fn no_night_dark_is_taken_where_the_sun_is_unknown() {
        let setup = setup(IntegrationGrid::new(1e-3, 10.0, 0.0), false);
        let pause = DarkPause { night: None, ..pause(&[0.01], 40.0) };
        assert_eq!(plan_darks(&config(&[DarkSource::Night]), &setup, &[], ModelState::None, &pause), []);
    }

    /// Identity: with a model, night darks wait for the end of twilight, or for the darkest part of a night without one; what
    /// was taken in twilight is taken again then.
    #[test]
    fn night_darks_are_taken_in_the_darkest_part_of_the_night() {
        let config = config(&[DarkSource::Night]);
        let setup = setup(IntegrationGrid::new(1e-3, 10.0, 0.0), false);
        let taken = |elevation: f64, lowest: f64, model: ModelState, known: &[DarkMetadata]| {
            let pause = DarkPause { night: sun(elevation, lowest), ..pause(&[], 40.0) };
            !plan_darks(&config, &setup, known, model, &pause).is_empty()
        };
        let model = ModelState::LawKnown;
        assert!(taken(-12.5, -30.0, ModelState::None, &[]), "without a model any night will do");
        for (elevation, lowest, want) in [
            (-12.5, -30.0, false),
            (-17.9, -30.0, false),
            (-18.1, -30.0, true),
            (-14.0, -16.0, false),
            (-14.6, -16.0, true),
        ] {
            assert_eq!(taken(elevation, lowest, model, &[]), want, "{elevation}° of {lowest}°");
        }
        assert!(
            taken(-12.1, -12.9, model, &[]) && !taken(-11.9, -12.9, model, &[]),
            "the set limit holds in any night"
        );
        // A moon of 0.001 lx is waited for with a model, one of 0.05 lx in any case.
        for (moon_lx, state, want) in [
            (1e-3, ModelState::None, true),
            (1e-3, model, false),
            (0.05, ModelState::None, false),
            (0.05, model, false),
        ] {
            let mut night = sun(-30.0, -40.0).unwrap();
            (night.sky.moon_lx, night.sky.moonless) = (moon_lx, false);
            let pause = DarkPause { night: Some(night), ..pause(&[], 40.0) };
            assert_eq!(!plan_darks(&config, &setup, &[], state, &pause).is_empty(), want, "{moon_lx} lx, {state:?}");
        }
        let times = set_times_s(&config, &setup.grid, 60.0);
        let all = |sky_lx: f64| -> Vec<DarkMetadata> {
            (0..).zip(&times).map(|(id, t)| DarkMetadata { sky_lx, ..dark(id, *t, 20.0, 60.0) }).collect()
        };
        assert!(taken(-20.0, -30.0, model, &all(0.01)));
        assert!(!taken(-20.0, -30.0, model, &all(0.0)));
    }

    /// Identity: a time that fits into no pause takes the place of a night reading, one at a time and seldom; by day, or
    /// where a pause may come, it waits.
    #[test]
    fn a_time_too_long_for_any_pause_is_taken_in_place_of_a_night_reading() {
        let config = config(&[DarkSource::Night]);
        let setup = setup(IntegrationGrid::new(1e-3, 30.0, 0.0), false);
        let long = |shortest_s: f64, known: &[DarkMetadata]| {
            let pause = DarkPause { night: sun(-30.0, -30.0), shortest_s, ..pause(&[], 4.0) };
            let all = plan_darks(&config, &setup, known, ModelState::LawKnown, &pause);
            all.into_iter().filter(|o| o.integration_s > 4.0).collect::<Vec<_>>()
        };
        assert_eq!(long(60.0, &[]), [], "a pause of a minute may come");
        let mut known = Vec::new();
        for minute in 0..8 {
            for o in long(4.0, &known) {
                assert_eq!((o.exposures, o.source), (1, DarkSource::Night));
                known.push(DarkMetadata { time: NOW.plus_seconds(-60.0), ..dark(minute, o.integration_s, 20.0, 0.0) });
            }
        }
        let times: Vec<f64> = set_times_s(&config, &setup.grid, 60.0).into_iter().filter(|t| *t > 3.6).collect();
        assert_eq!(known.len(), times.len(), "each once: {known:?}");
        let hours_ago = |h: f64| {
            known.iter().map(|n| DarkMetadata { time: NOW.plus_seconds(-3600.0 * h), ..n.clone() }).collect::<Vec<_>>()
        };
        assert_eq!(long(4.0, &hours_ago(2.0)), []);
        assert_eq!(long(4.0, &hours_ago(4.1)).len(), 1);
    }

    /// Identity: while the temperature law is unknown, a quarter of a kelvin calls for new darks of the set; once it is known,
    /// three kelvin do.
    #[test]
    fn an_unknown_temperature_law_calls_for_darks_at_every_temperature() {
        let config = config(&[DarkSource::Night]);
        let setup = setup(IntegrationGrid::new(1e-3, 10.0, 0.0), false);
        let times = set_times_s(&config, &setup.grid, 60.0);
        let due = |model: ModelState, temperature_c: f64| {
            let known: Vec<DarkMetadata> = (0..).zip(&times).map(|(id, t)| dark(id, *t, 20.0, 60.0)).collect();
            let pause =
                DarkPause { night: sun(-25.0, -30.0), temperature_c: Some(temperature_c), ..pause(&[], 1000.0) };
            plan_darks(&config, &setup, &known, model, &pause).len()
        };
        assert_eq!((due(ModelState::LawUnknown, 20.2), due(ModelState::LawUnknown, 20.3)), (0, times.len()));
        assert_eq!((due(ModelState::LawKnown, 22.9), due(ModelState::LawKnown, 23.1)), (0, times.len()));
    }

    /// Identity: by day the shutter adds one dark of the set a reading, until the set is complete.
    #[test]
    fn the_shutter_completes_the_set_one_dark_a_reading() {
        let config = config(&[DarkSource::Shutter]);
        let setup = setup(IntegrationGrid::new(1e-3, 10.0, 0.0), true);
        let mut known = vec![dark(0, 0.01, 20.0, 0.0)];
        for _ in 0..30 {
            let all = plan_darks(&config, &setup, &known, ModelState::None, &pause(&[0.01], 50.0));
            assert!(all.len() <= 1);
            known.extend(all.iter().map(|o| dark(9, o.integration_s, 20.0, 0.0)));
        }
        let times = set_times_s(&config, &setup.grid, 60.0);
        assert!(times.iter().all(|t| known.iter().any(|n| n.is_about(*t))));
        assert!(known.len() <= times.len() + 1, "none twice");
    }

    /// Identity: the set spans the grid, ends at its longest time, and a covered session takes each of it at least once.
    #[test]
    fn a_covered_session_asks_for_the_whole_set() {
        let config = config(&[DarkSource::Covered]);
        let grid = IntegrationGrid::new(1e-3, 60.0, 50.0);
        let all = plan_covered_darks(&config, &grid, 60.0, 0.4, 300.0);
        assert_eq!(all.len(), set_times_s(&config, &grid, 60.0).len());
        assert!((10..=18).contains(&all.len()), "{}", all.len());
        assert_eq!(all.last().map(|o| (o.integration_s, o.exposures)), Some((grid.longest(), 1)));
        assert_eq!(all[0].exposures, 8);
    }
}
