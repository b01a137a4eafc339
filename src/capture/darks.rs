//! Which darks to take, and which dark serves a frame.
//!
//! Works on notes about the darks that are on record, never on their counts. What must stay true: a dark that does not
//! match in integration time never counts as matched, and one of unknown or other temperature is never silently good.

use super::grid::Grid;
use crate::clock::UtcMicros;
use crate::config::meant::DarksConfig;
use crate::record::{DarkSource, Flag, Frame};

/// Integration times of the dark library in a decade.
const LIBRARY_STEPS_A_DECADE: f64 = 3.0;
/// Library darks are spread over temperatures this far apart [K], so that the rate's course can be fitted.
const LIBRARY_KELVIN: f64 = 3.0;

/// What the choice has to know about a dark on record.
#[derive(Clone, Debug, PartialEq)]
pub struct DarkNote {
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
}

/// Darks to take now.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkOrder {
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
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// Integration times the last reading used [s].
    pub used_s: &'a [f64],
    /// Time until the next reading is due [s].
    pub free_s: f64,
    /// What an exposure costs beside its light [s].
    pub overhead_s: f64,
    /// Integration times light frames are taken at; the library stays within them.
    pub grid: &'a Grid,
    /// Whether a model of the darks can serve what is not matched.
    pub has_model: bool,
}

/// Integration times of the library [s]: about three a decade, out of the grid light frames use, up to the set length.
pub fn library_s(config: &DarksConfig, grid: &Grid) -> Vec<f64> {
    let within: Vec<f64> = grid.times().iter().copied().filter(|t| *t <= config.library_max_s).collect();
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

/// What is to be taken now, most wanted first. All of it fits into the free time, but for a matched dark where no model
/// could serve: one exposure of that is taken even so, since without it the readings have no value at all.
pub fn orders(config: &DarksConfig, notes: &[DarkNote], context: &DarkContext) -> Vec<DarkOrder> {
    let shutter = context.has_shutter && config.sources.contains(&DarkSource::Shutter);
    let night = config.sources.contains(&DarkSource::Night)
        && context.sun_elevation_deg.is_some_and(|e| e < config.night_below_deg);
    let mut free_s = context.free_s;
    let mut orders: Vec<DarkOrder> = Vec::new();
    let mut place = |integration_s: f64, source: DarkSource, must: bool| -> bool {
        let cost = integration_s + context.overhead_s;
        let fit = (free_s / cost).floor().clamp(0.0, f64::from(config.exposures)) as u32;
        let exposures = if must { fit.max(1) } else { fit };
        let taken = exposures > 0 && !orders.iter().any(|o| Frame::same_integration(o.integration_s, integration_s));
        if taken {
            free_s -= f64::from(exposures) * cost;
            orders.push(DarkOrder { integration_s, exposures, source });
        }
        taken
    };
    if shutter {
        for &t in context.used_s {
            let fresh = |n: &DarkNote| {
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
        for t in due_library(config, notes, context) {
            if left == 0 {
                break;
            }
            left -= usize::from(place(t, source, false));
        }
    }
    orders
}

/// Library times that are due, the longest neglected first, never-taken ones before all and long before short.
fn due_library(config: &DarksConfig, notes: &[DarkNote], context: &DarkContext) -> Vec<f64> {
    let mut due: Vec<(f64, f64)> = library_s(config, context.grid)
        .into_iter()
        .filter_map(|t| {
            let same = |n: &&DarkNote| {
                // The instrument may have rounded the time, and a dark at a neighbouring step tells the model as much.
                let alike = (n.integration_s / t - 1.0).abs() < 0.15;
                let warm =
                    n.temperature_c.zip(context.temperature_c).is_none_or(|(a, b)| (a - b).abs() <= LIBRARY_KELVIN);
                alike && warm
            };
            let age = notes.iter().filter(same).map(|n| age_s(n, context.now)).fold(f64::INFINITY, f64::min);
            (age >= config.night_every_s).then_some((age, t))
        })
        .collect();
    due.sort_by(|a, b| b.0.total_cmp(&a.0).then(b.1.total_cmp(&a.1)));
    due.into_iter().map(|(_, t)| t).collect()
}

/// What a person with a cover is to be asked for: the whole library, long exposures fewer, within about `allowed_s` [s].
/// Every time is taken at least once, also when that takes longer.
pub fn covered_orders(config: &DarksConfig, grid: &Grid, overhead_s: f64, allowed_s: f64) -> Vec<DarkOrder> {
    let times = library_s(config, grid);
    let share = allowed_s / times.len().max(1) as f64;
    let order = |t: &f64| DarkOrder {
        integration_s: *t,
        exposures: ((share / (t + overhead_s)).floor() as u32).clamp(1, config.exposures.max(1)),
        source: DarkSource::Covered,
    };
    times.iter().map(order).collect()
}

/// The frame a dark is wanted for, and what else could serve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkWanted {
    /// When its light was collected.
    pub time: UtcMicros,
    /// Integration time in force [s].
    pub integration_s: f64,
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// When the dark model was last fed with a dark; `None` when no model can serve this frame.
    pub model_fitted: Option<UtcMicros>,
}

/// Which dark serves a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DarkChoice {
    /// This one, taken alike and lately.
    Matched(i64),
    /// The model.
    Model {
        /// Its darks are older than allowed.
        stale: bool,
    },
    /// This one: same integration time, but too old or from another temperature; there is no better.
    Stale(i64),
    /// None.
    Missing,
}

impl DarkChoice {
    /// The flag it raises.
    pub fn flag(self) -> Option<Flag> {
        match self {
            Self::Matched(_) => None,
            Self::Model { stale: false } => Some(Flag::DarkModelled),
            Self::Model { stale: true } | Self::Stale(_) => Some(Flag::DarkStale),
            Self::Missing => Some(Flag::DarkMissing),
        }
    }
}

/// Which dark serves. Matched wins, then a model in date, then a matched dark that is too old or too far in temperature
/// if it is younger than the model's darks, then the old model.
pub fn choose(config: &DarksConfig, notes: &[DarkNote], wanted: &DarkWanted) -> DarkChoice {
    let same = || notes.iter().filter(|n| Frame::same_integration(n.integration_s, wanted.integration_s));
    let distance = |n: &DarkNote| {
        let kelvin = n.temperature_c.zip(wanted.temperature_c).map_or(0.0, |(a, b)| (a - b).abs());
        age_s(n, wanted.time) / config.max_age_s.max(1.0) + kelvin / config.max_temperature_difference_k.max(1e-3)
    };
    let nearest = |a: &&DarkNote, b: &&DarkNote| distance(a).total_cmp(&distance(b));
    let serves = |n: &&DarkNote| age_s(n, wanted.time) <= config.max_age_s && near(config, n, wanted.temperature_c);
    if let Some(n) = same().filter(serves).min_by(nearest) {
        return DarkChoice::Matched(n.id);
    }
    let model_age = wanted.model_fitted.map(|t| wanted.time.seconds_since(t).abs());
    if model_age.is_some_and(|age| age <= config.model_max_age_s) {
        return DarkChoice::Model { stale: false };
    }
    match (same().min_by(nearest), model_age) {
        (Some(n), Some(model)) if age_s(n, wanted.time) > model => DarkChoice::Model { stale: true },
        (Some(n), _) => DarkChoice::Stale(n.id),
        (None, Some(_)) => DarkChoice::Model { stale: true },
        (None, None) => DarkChoice::Missing,
    }
}

/// Distance in time [s]; a dark taken after the frame is as good as one taken before.
fn age_s(note: &DarkNote, now: UtcMicros) -> f64 {
    now.seconds_since(note.time).abs()
}

/// Whether the dark's temperature is near enough. Where neither knows a temperature there is no sensor, and age alone
/// decides; where one of them does, the other's cannot be vouched for.
fn near(config: &DarksConfig, note: &DarkNote, temperature_c: Option<f64>) -> bool {
    match (note.temperature_c, temperature_c) {
        (Some(a), Some(b)) => (a - b).abs() <= config.max_temperature_difference_k,
        (None, None) => true,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: UtcMicros = UtcMicros(1_800_000_000_000_000);

    fn config(sources: &[DarkSource]) -> DarksConfig {
        DarksConfig {
            sources: sources.to_vec(),
            exposures: 8,
            refresh_s: 1200.0,
            max_age_s: 3600.0,
            max_temperature_difference_k: 1.0,
            night_below_deg: -12.0,
            night_every_s: 3600.0,
            model_max_age_s: 30.0 * 86_400.0,
            library_max_s: 60.0,
        }
    }

    fn note(id: i64, integration_s: f64, temperature_c: f64, age_s: f64) -> DarkNote {
        DarkNote {
            id,
            source: DarkSource::Shutter,
            integration_s,
            temperature_c: Some(temperature_c),
            time: NOW.plus_seconds(-age_s),
            exposures: 8,
        }
    }

    fn context<'a>(grid: &'a Grid, used_s: &'a [f64], free_s: f64) -> DarkContext<'a> {
        DarkContext {
            now: NOW,
            has_shutter: true,
            sun_elevation_deg: Some(30.0),
            temperature_c: Some(20.0),
            used_s,
            free_s,
            overhead_s: 0.4,
            grid,
            has_model: false,
        }
    }

    /// Identity: a dark follows every change of the integration time, of temperature past the limit, and of time past the refresh.
    #[test]
    fn the_dark_follows_integration_time_temperature_and_age() {
        let config = config(&[DarkSource::Shutter]);
        let grid = Grid::new(1e-3, 10.0, 0.0);
        let matched = |notes: &[DarkNote]| {
            let all = orders(&config, notes, &context(&grid, &[0.01], 30.0));
            all.first().is_some_and(|o| o.integration_s == 0.01 && o.exposures == 8)
        };
        assert!(matched(&[]));
        assert!(!matched(&[note(1, 0.01, 20.5, 1100.0)]));
        assert!(matched(&[note(1, 0.01, 21.5, 100.0)]), "temperature");
        assert!(matched(&[note(1, 0.01, 20.0, 1300.0)]), "age");
        assert!(matched(&[note(1, 0.0121, 20.0, 10.0)]), "integration time");
        let none = DarkNote { temperature_c: None, ..note(1, 0.01, 0.0, 10.0) };
        assert!(matched(&[none]), "a dark of unknown temperature is not vouched for");
    }

    /// Identity: orders fit into the free time; only where nothing else could serve is one exposure taken that does not.
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
                let all = orders(&config, &[], &c);
                let cost: f64 = all.iter().map(|o| f64::from(o.exposures) * (o.integration_s + 0.4)).sum();
                assert!(cost <= free, "{free}: {all:?}");
                assert!(all.iter().all(|o| (1..=8).contains(&o.exposures)));
            }
        }
        let forced = orders(&config, &[], &context(&grid, &[8.0], 1.0));
        assert_eq!(forced[0], DarkOrder { integration_s: 8.0, exposures: 1, source: DarkSource::Shutter });
    }

    /// Identity: without a shutter darks come from the night only, and a night of short pauses completes what fits of the library.
    #[test]
    fn a_night_completes_the_library_and_the_day_takes_none() {
        let config = config(&[DarkSource::Night]);
        let grid = Grid::new(1e-3, 30.0, 0.0);
        let by_night = |notes: &[DarkNote], now: UtcMicros, elevation: f64| {
            let c = DarkContext {
                now,
                has_shutter: false,
                sun_elevation_deg: Some(elevation),
                ..context(&grid, &[0.01], 40.0)
            };
            orders(&config, notes, &c)
        };
        assert_eq!(by_night(&[], NOW, 5.0), []);
        assert_eq!(by_night(&[], NOW, -11.0), []);
        let mut notes: Vec<DarkNote> = Vec::new();
        for minute in 0..40 {
            let now = NOW.plus_seconds(60.0 * f64::from(minute));
            for o in by_night(&notes, now, -20.0) {
                assert_eq!(o.source, DarkSource::Night);
                notes.push(DarkNote { time: now, ..note(notes.len() as i64, o.integration_s, 20.0, 0.0) });
            }
        }
        let mut times: Vec<f64> = notes.iter().map(|n| n.integration_s).collect();
        times.sort_by(f64::total_cmp);
        assert_eq!(times, library_s(&config, &grid), "each once within the hour");
        assert!(by_night(&notes, NOW.plus_seconds(3500.0), -20.0).is_empty());
        assert!(!by_night(&notes, NOW.plus_seconds(7300.0), -20.0).is_empty(), "renewed after night_every_s");
    }

    /// Identity: by day the shutter adds one library dark a reading, until the library is complete.
    #[test]
    fn the_shutter_fills_the_library_one_dark_a_reading() {
        let config = config(&[DarkSource::Shutter]);
        let grid = Grid::new(1e-3, 10.0, 0.0);
        let mut notes = vec![note(0, 0.01, 20.0, 0.0)];
        for _ in 0..30 {
            let all = orders(&config, &notes, &context(&grid, &[0.01], 50.0));
            assert!(all.len() <= 1);
            notes.extend(all.iter().map(|o| note(9, o.integration_s, 20.0, 0.0)));
        }
        let library = library_s(&config, &grid);
        assert!(library.iter().all(|t| notes.iter().any(|n| (n.integration_s / t - 1.0).abs() < 0.15)));
        assert!(notes.len() <= library.len() + 1, "none twice");
    }

    /// Identity: the library spans the grid, ends at its longest time, and a covered session takes each of it at least once.
    #[test]
    fn a_covered_session_asks_for_the_whole_library() {
        let config = config(&[DarkSource::Covered]);
        let grid = Grid::new(1e-3, 60.0, 50.0);
        let all = covered_orders(&config, &grid, 0.4, 300.0);
        assert_eq!(all.len(), library_s(&config, &grid).len());
        assert!((10..=18).contains(&all.len()), "{}", all.len());
        assert_eq!(all.last().map(|o| (o.integration_s, o.exposures)), Some((grid.longest(), 1)));
        assert_eq!(all[0].exposures, 8);
    }

    /// Identity: the order of preference, each with the flag that goes with it.
    #[test]
    fn matched_wins_then_the_model_then_what_is_stale() {
        let config = config(&[DarkSource::Shutter]);
        let wanted = |model: Option<f64>| DarkWanted {
            time: NOW,
            integration_s: 0.01,
            temperature_c: Some(20.0),
            model_fitted: model.map(|age| NOW.plus_seconds(-age)),
        };
        let day = 86_400.0;
        let fresh = note(1, 0.01, 20.5, 60.0);
        let older = note(2, 0.01, 20.0, 3000.0);
        let cold = note(3, 0.01, 5.0, 60.0);
        let other = note(4, 0.02, 20.0, 1.0);
        let choice = |notes: &[DarkNote], model| choose(&config, notes, &wanted(model));
        assert_eq!(choice(&[older.clone(), fresh.clone()], Some(0.0)), DarkChoice::Matched(1));
        assert_eq!(choice(&[cold.clone(), older], None), DarkChoice::Matched(2));
        assert_eq!(choice(&[cold.clone(), other.clone()], Some(day)), DarkChoice::Model { stale: false });
        assert_eq!(choice(std::slice::from_ref(&cold), Some(40.0 * day)), DarkChoice::Stale(3));
        assert_eq!(choice(&[note(5, 0.01, 20.0, 90.0 * day)], Some(40.0 * day)), DarkChoice::Model { stale: true });
        assert_eq!(choice(&[other], None), DarkChoice::Missing);
        let after = note(6, 0.01, 20.0, -30.0);
        assert_eq!(choice(&[after], None), DarkChoice::Matched(6), "a dark taken right after the reading serves it");
        let flags =
            [DarkChoice::Matched(1), DarkChoice::Model { stale: false }, DarkChoice::Stale(1), DarkChoice::Missing];
        let want = [None, Some(Flag::DarkModelled), Some(Flag::DarkStale), Some(Flag::DarkMissing)];
        assert_eq!(flags.map(DarkChoice::flag), want);
    }
}
