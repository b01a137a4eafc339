//! Which darks to take.
//!
//! Works on notes about the darks that are on record, never on their counts. What must stay true: a night dark is taken in
//! twilight only while there is nothing better, and a library time that no pause between readings is long enough for is
//! taken all the same, in place of a reading by night.

use crate::clock::UtcMicros;
use crate::config::meant::DarksConfig;
use crate::exposure::grid::Grid;
use crate::record::{DarkSource, Frame};

/// Integration times of the dark library in a decade.
const LIBRARY_STEPS_A_DECADE: f64 = 3.0;
/// Library darks are spread over temperatures this far apart [K], so that the rate's course can be fitted.
const LIBRARY_KELVIN: f64 = 3.0;
/// The same while that course is not known: a night that begins to cool is to show it soon.
const LIBRARY_KELVIN_UNKNOWN: f64 = 0.25;
/// The sun below this leaves nothing of its light in the sky (end of astronomical twilight) [degrees].
const DARKNESS_DEG: f64 = -18.0;
/// In a night that does not get so dark, its darkest part: the sun within this of its lowest [degrees].
const DARKEST_DEG: f64 = 1.5;
/// By the shutter, whose matched darks watch the detector all day, a library whose temperature law is known is renewed this
/// many times less often than by night.
const SHUTTER_RARER: f64 = 4.0;
/// Library darks that no pause is long enough for are renewed this many times less often than others.
const OVERLONG_RARER: f64 = 4.0;

/// What the choice has to know about a dark on record.
#[derive(Clone, Debug, PartialEq)]
pub struct DarkMetadata {
    /// Its row in the store.
    pub id: i64,
    /// How darkness was had.
    pub source: DarkSource,
    /// Integration time in force [s].
    pub integration_s: f64,
    /// Mean detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// When it was taken.
    pub time: UtcMicros,
    /// Exposures it sums.
    pub exposures: u32,
    /// Taken by night while the sun still lit the sky.
    pub twilight: bool,
}

/// Darks to take now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkRequest {
    /// Integration time to set [s].
    pub integration_s: f64,
    /// Exposures to sum.
    pub exposures: u32,
    /// Where darkness comes from.
    pub source: DarkSource,
}

/// How things stand when darks may be taken: right after a reading.
#[derive(Clone, Copy, Debug)]
pub struct DarkContext<'a> {
    /// The time.
    pub now: UtcMicros,
    /// Whether the instrument has a shutter.
    pub has_shutter: bool,
    /// Sun's apparent elevation [degrees]; `None` when unknown, which is never night.
    pub sun_elevation_deg: Option<f64>,
    /// The lowest the sun gets this night [degrees].
    pub sun_lowest_deg: Option<f64>,
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// Integration times the last reading used [s].
    pub used_s: &'a [f64],
    /// Time until the next reading is due [s].
    pub free_s: f64,
    /// What an exposure costs beside its light [s].
    pub overhead_s: f64,
    /// The shortest pause there is between two readings [s]: when a reading takes all the time it may.
    pub pause_s: f64,
    /// Integration times light frames are taken at; the library stays within them …
    pub grid: &'a Grid,
    /// … and within what a reading has time for [s].
    pub longest_s: f64,
    /// Whether a model of the darks can serve what is not matched.
    pub has_model: bool,
    /// Whether that model knows how the dark current goes with temperature.
    pub knows_law: bool,
}

/// Sun's elevation below which a night is as dark as it gets [degrees], by the lowest the sun gets in it.
///
/// Twilight sends light into the darks that no test of a single frame can find, and the zeros of all nights would be off by it.
pub fn darkest_below_deg(sun_lowest_deg: Option<f64>) -> f64 {
    sun_lowest_deg.map_or(DARKNESS_DEG, |lowest| DARKNESS_DEG.max(lowest + DARKEST_DEG))
}

/// Integration times of the library [s]: about three a decade, out of the grid light frames use, up to the set length and
/// to the longest time a reading may use [s].
pub fn library_s(config: &DarksConfig, grid: &Grid, longest_s: f64) -> Vec<f64> {
    let most = config.dark_set_max_s.min(longest_s.max(grid.shortest()));
    let within: Vec<f64> = grid.times().iter().copied().filter(|t| *t <= most * (1.0 + 1e-9)).collect();
    let step = 10f64.powf(1.0 / LIBRARY_STEPS_A_DECADE) * 0.99;
    let mut library = Vec::new();
    for t in &within {
        if library.last().is_none_or(|last| t / last >= step) {
            library.push(*t);
        }
    }
    // The longest time anchors the rate of the dark current, so it is always there.
    match (within.last(), library.last_mut()) {
        (Some(longest), Some(last)) if *longest > *last * 1.3 => library.push(*longest),
        (Some(longest), Some(last)) => *last = *longest,
        _ => {}
    }
    library
}

/// What is to be taken now, most wanted first. All of it fits into the free time, with two exceptions, of one exposure each: a
/// matched dark where no model could serve, since without it the readings have no value at all; and by night a library time
/// that no pause is long enough for, which costs the reading after.
pub fn plan_darks(config: &DarksConfig, notes: &[DarkMetadata], context: &DarkContext) -> Vec<DarkRequest> {
    let shutter = context.has_shutter && config.sources.contains(&DarkSource::Shutter);
    let below = if context.has_model { darkest_below_deg(context.sun_lowest_deg) } else { f64::INFINITY };
    let night = config.sources.contains(&DarkSource::Night)
        && context.sun_elevation_deg.is_some_and(|e| e < config.night_below_deg.min(below));
    let mut free_s = context.free_s;
    let mut plan_darks: Vec<DarkRequest> = Vec::new();
    let mut place = |integration_s: f64, source: DarkSource, must: bool| -> bool {
        let cost = integration_s + context.overhead_s;
        let fit = (free_s / cost).floor().clamp(0.0, f64::from(config.exposures)) as u32;
        let exposures = if must { fit.max(1) } else { fit };
        let taken =
            exposures > 0 && !plan_darks.iter().any(|o| Frame::same_integration(o.integration_s, integration_s));
        if taken {
            free_s -= f64::from(exposures) * cost;
            plan_darks.push(DarkRequest { integration_s, exposures, source });
        }
        taken
    };
    if shutter {
        for &t in context.used_s {
            let fresh = |n: &DarkMetadata| {
                Frame::same_integration(n.integration_s, t)
                    && age_s(n, context.now) <= config.refresh_s
                    && near(config, n, context.temperature_c)
            };
            if !notes.iter().any(fresh) {
                let any = notes.iter().any(|n| Frame::same_integration(n.integration_s, t));
                place(t, DarkSource::Shutter, !context.has_model && !any);
            }
        }
    }
    if shutter || night {
        // By the shutter one a reading is enough: the library grows beside the day's work. Nights are short and are used.
        let source = if shutter { DarkSource::Shutter } else { DarkSource::Night };
        let mut left = if shutter { 1 } else { usize::MAX };
        let mut overlong = 1;
        for (age, t) in due_library(config, notes, context) {
            if left == 0 {
                break;
            }
            let too_long = t + context.overhead_s > context.pause_s;
            let must = night && too_long && overlong > 0 && age >= OVERLONG_RARER * config.night_every_s;
            let taken = place(t, source, must);
            left -= usize::from(taken);
            overlong -= usize::from(taken && must);
        }
    }
    plan_darks
}

/// Library times that are due with the age of what there is [s], the longest neglected first, never-taken ones before all
/// and long before short.
fn due_library(config: &DarksConfig, notes: &[DarkMetadata], context: &DarkContext) -> Vec<(f64, f64)> {
    let kelvin = if context.knows_law { LIBRARY_KELVIN } else { LIBRARY_KELVIN_UNKNOWN };
    let watched = context.has_shutter && config.sources.contains(&DarkSource::Shutter) && context.knows_law;
    let every_s = if watched { SHUTTER_RARER * config.night_every_s } else { config.night_every_s };
    let twilight = context.sun_elevation_deg.is_some_and(|e| e >= darkest_below_deg(context.sun_lowest_deg));
    let mut due: Vec<(f64, f64)> = library_s(config, context.grid, context.longest_s)
        .into_iter()
        .filter_map(|t| {
            let same = |n: &&DarkMetadata| {
                // The instrument may have rounded the time, and a dark at a neighbouring step tells the model as much.
                let alike = (n.integration_s / t - 1.0).abs() < 0.15;
                let warm = n.temperature_c.zip(context.temperature_c).is_none_or(|(a, b)| (a - b).abs() <= kelvin);
                alike && warm && (twilight || !n.twilight)
            };
            let age = notes.iter().filter(same).map(|n| age_s(n, context.now)).fold(f64::INFINITY, f64::min);
            (age >= every_s).then_some((age, t))
        })
        .collect();
    due.sort_by(|a, b| b.0.total_cmp(&a.0).then(b.1.total_cmp(&a.1)));
    due
}

/// What a person with a cover is to be asked for: the whole library, long exposures fewer, within about `allowed_s` [s].
/// Every time is taken at least once, also when that takes longer.
pub fn plan_covered_darks(
    config: &DarksConfig,
    grid: &Grid,
    longest_s: f64,
    overhead_s: f64,
    allowed_s: f64,
) -> Vec<DarkRequest> {
    let times = library_s(config, grid, longest_s);
    let share = allowed_s / times.len().max(1) as f64;
    let order = |t: &f64| DarkRequest {
        integration_s: *t,
        exposures: ((share / (t + overhead_s)).floor() as u32).clamp(1, config.exposures.max(1)),
        source: DarkSource::Covered,
    };
    times.iter().map(order).collect()
}

/// Distance in time [s]; a dark taken after the frame is as good as one taken before.
pub(super) fn age_s(note: &DarkMetadata, now: UtcMicros) -> f64 {
    now.seconds_since(note.time).abs()
}

/// Whether the dark's temperature is near enough. Where neither knows a temperature there is no sensor, and age alone
/// decides; where one of them does, the other's cannot be vouched for.
pub(super) fn near(config: &DarksConfig, note: &DarkMetadata, temperature_c: Option<f64>) -> bool {
    match (note.temperature_c, temperature_c) {
        (Some(a), Some(b)) => (a - b).abs() <= config.max_temperature_difference_k,
        (None, None) => true,
        _ => false,
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::darks) const NOW: UtcMicros = UtcMicros(1_800_000_000_000_000);

    pub(in crate::darks) fn config(sources: &[DarkSource]) -> DarksConfig {
        DarksConfig {
            sources: sources.to_vec(),
            exposures: 8,
            refresh_s: 1200.0,
            max_age_s: 3600.0,
            max_temperature_difference_k: 1.0,
            night_below_deg: -12.0,
            night_every_s: 3600.0,
            model_max_age_s: 30.0 * 86_400.0,
            dark_set_max_s: 60.0,
        }
    }

    pub(in crate::darks) fn note(id: i64, integration_s: f64, temperature_c: f64, age_s: f64) -> DarkMetadata {
        DarkMetadata {
            id,
            source: DarkSource::Shutter,
            integration_s,
            temperature_c: Some(temperature_c),
            time: NOW.plus_seconds(-age_s),
            exposures: 8,
            twilight: false,
        }
    }

    fn context<'a>(grid: &'a Grid, used_s: &'a [f64], free_s: f64) -> DarkContext<'a> {
        DarkContext {
            now: NOW,
            has_shutter: true,
            sun_elevation_deg: Some(30.0),
            sun_lowest_deg: Some(-30.0),
            temperature_c: Some(20.0),
            used_s,
            free_s,
            overhead_s: 0.4,
            pause_s: 60.0,
            grid,
            longest_s: 60.0,
            has_model: false,
            knows_law: true,
        }
    }

    /// Identity: a dark follows every change of the integration time, of temperature past the limit, and of time past the refresh.
    #[test]
    fn the_dark_follows_integration_time_temperature_and_age() {
        let config = config(&[DarkSource::Shutter]);
        let grid = Grid::new(1e-3, 10.0, 0.0);
        let matched = |notes: &[DarkMetadata]| {
            let all = plan_darks(&config, notes, &context(&grid, &[0.01], 30.0));
            all.first().is_some_and(|o| o.integration_s == 0.01 && o.exposures == 8)
        };
        assert!(matched(&[]));
        assert!(!matched(&[note(1, 0.01, 20.5, 1100.0)]));
        assert!(matched(&[note(1, 0.01, 21.5, 100.0)]), "temperature");
        assert!(matched(&[note(1, 0.01, 20.0, 1300.0)]), "age");
        assert!(matched(&[note(1, 0.0121, 20.0, 10.0)]), "integration time");
        let none = DarkMetadata { temperature_c: None, ..note(1, 0.01, 0.0, 10.0) };
        assert!(matched(&[none]), "a dark of unknown temperature is not vouched for");
    }

    /// Identity: plan_darks fit into the free time; only where nothing else could serve is one exposure taken that does not.
    #[test]
    fn orders_fit_into_the_free_time() {
        let config = config(&[DarkSource::Shutter, DarkSource::Night]);
        let grid = Grid::new(1e-3, 60.0, 0.0);
        for free in [0.0, 1.0, 5.0, 20.0, 45.0, 600.0] {
            for elevation in [-30.0, 30.0] {
                let c = DarkContext {
                    has_model: true,
                    sun_elevation_deg: Some(elevation),
                    ..context(&grid, &[0.01, 8.0], free)
                };
                let all = plan_darks(&config, &[], &c);
                let cost: f64 = all.iter().map(|o| f64::from(o.exposures) * (o.integration_s + 0.4)).sum();
                assert!(cost <= free, "{free}: {all:?}");
                assert!(all.iter().all(|o| (1..=8).contains(&o.exposures)));
            }
        }
        let forced = plan_darks(&config, &[], &context(&grid, &[8.0], 1.0));
        assert_eq!(forced[0], DarkRequest { integration_s: 8.0, exposures: 1, source: DarkSource::Shutter });
    }

    /// Identity: without a shutter darks come from the night only, and a night of short pauses completes what fits of the library.
    #[test]
    fn a_night_completes_the_library_and_the_day_takes_none() {
        let config = config(&[DarkSource::Night]);
        let grid = Grid::new(1e-3, 30.0, 0.0);
        let by_night = |notes: &[DarkMetadata], now: UtcMicros, elevation: f64| {
            let c = DarkContext {
                now,
                has_shutter: false,
                sun_elevation_deg: Some(elevation),
                ..context(&grid, &[0.01], 40.0)
            };
            plan_darks(&config, notes, &c)
        };
        assert_eq!(by_night(&[], NOW, 5.0), []);
        assert_eq!(by_night(&[], NOW, -11.0), []);
        let mut notes: Vec<DarkMetadata> = Vec::new();
        for minute in 0..40 {
            let now = NOW.plus_seconds(60.0 * f64::from(minute));
            for o in by_night(&notes, now, -20.0) {
                assert_eq!(o.source, DarkSource::Night);
                notes.push(DarkMetadata { time: now, ..note(notes.len() as i64, o.integration_s, 20.0, 0.0) });
            }
        }
        let mut times: Vec<f64> = notes.iter().map(|n| n.integration_s).collect();
        times.sort_by(f64::total_cmp);
        assert_eq!(times, library_s(&config, &grid, 60.0), "each once within the hour");
        assert!(by_night(&notes, NOW.plus_seconds(3500.0), -20.0).is_empty());
        assert!(!by_night(&notes, NOW.plus_seconds(7300.0), -20.0).is_empty(), "renewed after night_every_s");
    }

    /// Identity: with a model, night darks wait for the end of twilight, or for the darkest part of a night without one; what
    /// was taken in twilight is taken again then.
    #[test]
    fn night_darks_are_taken_in_the_darkest_part_of_the_night() {
        let config = config(&[DarkSource::Night]);
        let grid = Grid::new(1e-3, 10.0, 0.0);
        let taken = |elevation: f64, lowest: f64, has_model: bool, notes: &[DarkMetadata]| {
            let c = DarkContext {
                has_shutter: false,
                sun_elevation_deg: Some(elevation),
                sun_lowest_deg: Some(lowest),
                has_model,
                ..context(&grid, &[], 40.0)
            };
            !plan_darks(&config, notes, &c).is_empty()
        };
        assert!(taken(-12.5, -30.0, false, &[]), "without a model any night will do");
        for (elevation, lowest, want) in [
            (-12.5, -30.0, false),
            (-17.9, -30.0, false),
            (-18.1, -30.0, true),
            (-14.0, -16.0, false),
            (-14.6, -16.0, true),
        ] {
            assert_eq!(taken(elevation, lowest, true, &[]), want, "{elevation}° of {lowest}°");
        }
        assert!(taken(-12.1, -12.9, true, &[]) && !taken(-11.9, -12.9, true, &[]), "the set limit holds in any night");
        let library = library_s(&config, &grid, 60.0);
        let all = |twilight: bool| -> Vec<DarkMetadata> {
            (0..).zip(&library).map(|(id, t)| DarkMetadata { twilight, ..note(id, *t, 20.0, 60.0) }).collect()
        };
        assert!(taken(-20.0, -30.0, true, &all(true)));
        assert!(!taken(-20.0, -30.0, true, &all(false)));
    }

    /// Identity: a library time that fits into no pause takes the place of a night reading, one at a time and seldom; by day, or
    /// where a pause may come, it waits.
    #[test]
    fn a_time_too_long_for_any_pause_is_taken_in_place_of_a_night_reading() {
        let config = config(&[DarkSource::Night]);
        let grid = Grid::new(1e-3, 30.0, 0.0);
        let long = |pause_s: f64, notes: &[DarkMetadata]| {
            let c = DarkContext {
                has_shutter: false,
                sun_elevation_deg: Some(-30.0),
                has_model: true,
                pause_s,
                ..context(&grid, &[], 4.0)
            };
            plan_darks(&config, notes, &c).into_iter().filter(|o| o.integration_s > 4.0).collect::<Vec<_>>()
        };
        assert_eq!(long(60.0, &[]), [], "a pause of a minute may come");
        let mut notes = Vec::new();
        for minute in 0..8 {
            for o in long(4.0, &notes) {
                assert_eq!((o.exposures, o.source), (1, DarkSource::Night));
                notes.push(DarkMetadata { time: NOW.plus_seconds(-60.0), ..note(minute, o.integration_s, 20.0, 0.0) });
            }
        }
        let times: Vec<f64> = library_s(&config, &grid, 60.0).into_iter().filter(|t| *t > 3.6).collect();
        assert_eq!(notes.len(), times.len(), "each once: {notes:?}");
        let hours_ago = |h: f64| {
            notes.iter().map(|n| DarkMetadata { time: NOW.plus_seconds(-3600.0 * h), ..n.clone() }).collect::<Vec<_>>()
        };
        assert_eq!(long(4.0, &hours_ago(2.0)), []);
        assert_eq!(long(4.0, &hours_ago(4.1)).len(), 1);
    }

    /// Identity: by day the shutter adds one library dark a reading, until the library is complete.
    #[test]
    fn the_shutter_fills_the_library_one_dark_a_reading() {
        let config = config(&[DarkSource::Shutter]);
        let grid = Grid::new(1e-3, 10.0, 0.0);
        let mut notes = vec![note(0, 0.01, 20.0, 0.0)];
        for _ in 0..30 {
            let all = plan_darks(&config, &notes, &context(&grid, &[0.01], 50.0));
            assert!(all.len() <= 1);
            notes.extend(all.iter().map(|o| note(9, o.integration_s, 20.0, 0.0)));
        }
        let library = library_s(&config, &grid, 60.0);
        assert!(library.iter().all(|t| notes.iter().any(|n| (n.integration_s / t - 1.0).abs() < 0.15)));
        assert!(notes.len() <= library.len() + 1, "none twice");
    }

    /// Identity: the library spans the grid, ends at its longest time, and a covered session takes each of it at least once.
    #[test]
    fn a_covered_session_asks_for_the_whole_library() {
        let config = config(&[DarkSource::Covered]);
        let grid = Grid::new(1e-3, 60.0, 50.0);
        let all = plan_covered_darks(&config, &grid, 60.0, 0.4, 300.0);
        assert_eq!(all.len(), library_s(&config, &grid, 60.0).len());
        assert!((10..=18).contains(&all.len()), "{}", all.len());
        assert_eq!(all.last().map(|o| (o.integration_s, o.exposures)), Some((grid.longest(), 1)));
        assert_eq!(all[0].exposures, 8);
    }
}
