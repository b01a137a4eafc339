//! The figures of one day of one instrument, from its readings.
//!
//! Bad values and readings of a check source are excluded. Each figure states the share that comes from suspect values. See
//! [`super::course`] for gaps and uncertainty.

use super::calendar::DayBounds;
use super::course::{Course, Sum};
use super::figure::{FIGURES, Figure};
use super::lamps;
use super::rules::{DARK_BELOW_DEG, Rules};
use super::sample::Sample;
use super::switching::{Level, switchings};
use crate::clock::UtcMicros;
use crate::config::StationKind;
use crate::record::{Flag, QuantityValue, Reading, Verdict};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The quantities from which figures are computed, in the order in which [`day`] expects them in a reading.
pub const QUANTITIES: [&str; 5] = ["ppfd", "illuminance", "erythemal_irradiance", "uv_index", "red_far_red_ratio"];
const PPFD: usize = 0;
const LUX: usize = 1;
const ERYTHEMA: usize = 2;
const UV_INDEX: usize = 3;
const RED_FAR_RED: usize = 4;

/// Window of the highest UV index [µs]: WHO 2002, *Global Solar UV Index: A Practical Guide*, has the day's maximum reported as
/// a mean over 30 minutes.
const UV_WINDOW: i64 = 1_800_000_000;
/// A standard erythema dose [J m⁻²]: ISO/CIE 17166:2019.
const STANDARD_ERYTHEMA_DOSE: f64 = 100.0;
/// Standard uncertainties above which lamps are on in twilight.
const LAMPS_ON: f64 = 2.0;
/// Least light of lamps among daylight whose switching is of interest [µmol m⁻² s⁻¹].
const LEAST_LAMP: f64 = 1.0;
const MICROMOL_PER_MOL: f64 = 1e6;
const SECONDS_PER_HOUR: f64 = 3600.0;

/// The figures of a day.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Day {
    /// The date at its beginning, in local standard time.
    pub date: String,
    /// First instant of the day.
    pub starts: UtcMicros,
    /// First instant after the day.
    pub ends: UtcMicros,
    /// Number of readings, without those of a check source.
    pub readings: u32,
    /// Number of readings of a check source.
    pub references: u32,
    /// Data coverage: share of the day with known PPFD [1].
    pub data_coverage: f64,
    /// Whether the coverage is below 1.
    pub partial: bool,
    /// Figures by identifier; see [`FIGURES`].
    pub figures: BTreeMap<String, Figure>,
    /// Number of good, suspect, bad and null values of each quantity of [`QUANTITIES`].
    pub verdicts: BTreeMap<String, [u32; 4]>,
    /// Number of readings with each flag.
    pub flags: BTreeMap<String, u32>,
}

/// Samples and counts collected from the readings.
#[derive(Default)]
struct Collected {
    samples: [Vec<Sample>; QUANTITIES.len()],
    /// PPFD of the lamps in a glasshouse, where it is known.
    lamps: Vec<Sample>,
    /// The sun's elevation at each sample of PPFD.
    sun: Vec<Option<f64>>,
    /// Ratio of red to far red in evening twilight, and whether lamps are on; `None` where that is not known.
    dusk: Vec<(Sample, Option<bool>)>,
    verdicts: [[u32; 4]; QUANTITIES.len()],
    flags: [u32; 32],
    readings: u32,
    references: u32,
}

/// The figures of a day.
///
/// `readings`: the readings of one instrument in the range of [`Rules::reads`], in any order, with the values of [`QUANTITIES`]
/// and with flagged intervals applied. The same readings give the same bits.
pub fn day(rules: &Rules, bounds: &DayBounds, mut readings: Vec<Reading>) -> Day {
    // After a clock was set back two readings may have the same instant: the one stored last is used.
    readings.sort_by_key(|r| (r.time_mid, r.id));
    let span = (bounds.starts.0, bounds.ends.0);
    let mut g = Collected::default();
    readings.iter().for_each(|r| g.take(r, span));
    let interpolate_up_to = rules.interpolate_up_to_us();
    let has_gap = g.has_gap(span, interpolate_up_to);
    let dark =
        if has_gap { rules.dark_within(span.0 - interpolate_up_to, span.1 + interpolate_up_to) } else { Vec::new() };
    let switchings = switchings(&g.lamp_levels(rules.kind), interpolate_up_to);
    let course_of = |samples: &[Sample]| Course::new(samples, span, interpolate_up_to, &dark, &switchings);
    let course = |q: usize| course_of(&g.samples[q]);
    let light = course(PPFD);
    let why = |q: usize| g.null_reason(q, rules.days.interpolate_up_to_s);
    let integral = |q: usize, c: &Course, scale: f64| {
        if c.is_measured() { over_day(c.sum(), c.data_coverage(), scale) } else { Figure::null(why(q)) }
    };
    let hours = |level: f64| {
        if !light.is_measured() {
            return Figure::null(why(PPFD));
        }
        let (seconds, uncertainty_s, suspect_share) = light.above(level);
        let (value, data_coverage) = (seconds / SECONDS_PER_HOUR, Some(light.data_coverage()));
        let uncertainty = Some(uncertainty_s / SECONDS_PER_HOUR);
        Figure::Value { value, uncertainty, suspect_share, data_coverage, time: None }
    };
    let lit: Vec<lamps::Lit> = g.samples[PPFD].iter().copied().zip(g.sun.iter().copied()).collect();
    let [scheduled_sun, scheduled] = lamps::by_schedule(rules, &light, span, &lit);
    let by_spectrum = lamps::by_spectrum(&light, &course_of(&g.lamps));
    let [sun, lamp] = by_spectrum.unwrap_or_else(|| [scheduled_sun, scheduled.clone()]);
    let erythema = course(ERYTHEMA);
    let [ratio, minutes] = g.dusk(rules);
    let figures = [
        integral(PPFD, &light, 1.0 / MICROMOL_PER_MOL),
        sun,
        lamp,
        scheduled,
        hours(rules.days.photoperiod_ppfd),
        hours(rules.days.hours_above_ppfd),
        g.highest(PPFD, span),
        integral(LUX, &course(LUX), 1.0 / SECONDS_PER_HOUR),
        integral(ERYTHEMA, &erythema, 1.0),
        integral(ERYTHEMA, &erythema, 1.0 / STANDARD_ERYTHEMA_DOSE),
        highest_uv_index(&course(UV_INDEX)),
        ratio,
        minutes,
    ];
    let named = |k: usize| QUANTITIES[k].to_owned();
    let flags = Flag::ALL.iter().map(|f| (f.name().to_owned(), g.flags[*f as usize]));
    Day {
        date: bounds.date.to_string(),
        starts: bounds.starts,
        ends: bounds.ends,
        readings: g.readings,
        references: g.references,
        data_coverage: light.data_coverage(),
        partial: !(light.data_coverage() >= 1.0),
        figures: FIGURES.iter().map(|f| f.id.to_owned()).zip(figures).collect(),
        verdicts: g.verdicts.iter().enumerate().map(|(k, v)| (named(k), *v)).collect(),
        flags: flags.filter(|(_, n)| *n > 0).collect(),
    }
}

impl Collected {
    fn take(&mut self, r: &Reading, (starts, ends): (i64, i64)) {
        let t = r.time_mid.0;
        let within = (starts..ends).contains(&t);
        if r.flags.has(Flag::CheckSource) {
            self.references += u32::from(within);
            return;
        }
        if within {
            self.readings += 1;
            r.flags.iter().for_each(|f| self.flags[f as usize] += 1);
        }
        for (q, value) in r.values.iter().enumerate().take(QUANTITIES.len()) {
            let verdict = value.verdict();
            self.verdicts[q][verdict.map_or(3, |v| v as usize)] += u32::from(within);
            let (QuantityValue::Value { value, uncertainty, .. }, true) = (value, verdict < Some(Verdict::Bad)) else {
                continue;
            };
            let sample =
                Sample { t, value: *value, uncertainty: *uncertainty, suspect: verdict == Some(Verdict::Suspect) };
            if self.samples[q].last().is_some_and(|last| last.t == t) {
                self.samples[q].pop();
                if q == PPFD {
                    self.sun.pop();
                    self.lamps.pop_if(|l| l.t == t);
                }
            }
            self.samples[q].push(sample);
            if q == PPFD {
                self.sun.push(r.sun_elevation);
                let lamps = r.lamps.map(|l| Sample { value: l.ppfd, uncertainty: l.uncertainty, ..sample });
                self.lamps.extend(lamps);
            }
            let evening = r.sun_elevation.is_some_and(|h| (DARK_BELOW_DEG..=0.0).contains(&h))
                && r.sun_azimuth.is_some_and(|a| a > 180.0);
            if q == RED_FAR_RED && within && evening {
                let on = r.lamps.map(|l| l.ppfd > LAMPS_ON * l.uncertainty);
                self.dusk.push((sample, on));
            }
        }
    }

    /// The light of the lamps, from which their switching is detected.
    fn lamp_levels(&self, kind: StationKind) -> Vec<Level> {
        let samples = match kind {
            StationKind::Lamp => &self.samples[PPFD],
            // Without lamps, what is left of twilight counts as theirs.
            _ if self.lamps.iter().all(|s| s.value < LEAST_LAMP) => return Vec::new(),
            _ => &self.lamps,
        };
        samples.iter().map(|s| Level { t: s.t, value: s.value, uncertainty: s.uncertainty }).collect()
    }

    /// Whether any quantity has a gap too long for interpolation.
    fn has_gap(&self, (starts, ends): (i64, i64), interpolate_up_to: i64) -> bool {
        self.samples[..RED_FAR_RED].iter().any(|samples| {
            let edges = [samples.first().is_none_or(|s| s.t > starts), samples.last().is_none_or(|s| s.t < ends)];
            edges.contains(&true) || samples.windows(2).any(|p| p[1].t - p[0].t > interpolate_up_to)
        })
    }

    fn null_reason(&self, q: usize, interpolate_up_to_s: f64) -> String {
        if self.samples[q].is_empty() {
            format!("no good or suspect value of {}", QUANTITIES[q])
        } else {
            format!("no two values of {} within {} min of each other", QUANTITIES[q], interpolate_up_to_s / 60.0)
        }
    }

    /// The highest value of the day; the earliest of equal ones.
    fn highest(&self, q: usize, (starts, ends): (i64, i64)) -> Figure {
        let within = self.samples[q].iter().filter(|s| s.t >= starts && s.t < ends);
        let highest = within.fold(None::<&Sample>, |best, s| match best {
            Some(b) if b.value >= s.value => Some(b),
            _ => Some(s),
        });
        match highest {
            Some(s) => Figure::Value {
                value: s.value,
                uncertainty: Some(s.uncertainty),
                suspect_share: f64::from(u8::from(s.suspect)),
                data_coverage: None,
                time: Some(UtcMicros(s.t)),
            },
            None => Figure::null(format!("no good or suspect value of {}", QUANTITIES[q])),
        }
    }

    fn dusk(&self, rules: &Rules) -> [Figure; 2] {
        let none = |why: &str| [Figure::null(why), Figure::null(why)];
        if !rules.kind.sunlit() {
            return none("the station receives no sunlight");
        }
        if self.dusk.is_empty() {
            return none("no value of red_far_red_ratio in the evening's civil twilight");
        }
        // Lamps outshine the twilight: what is left of it in a reading says nothing.
        let is_sunlit = |(s, on): &&(Sample, Option<bool>)| !on.unwrap_or_else(|| rules.lamps_on(s.t));
        let sunlit: Vec<&Sample> = self.dusk.iter().filter(is_sunlit).map(|(s, _)| s).collect();
        let (Some(first), Some(last)) = (sunlit.first(), sunlit.last()) else {
            return none("lamps are on throughout the evening's civil twilight");
        };
        let n = sunlit.len() as f64;
        let mean = |of: fn(&Sample) -> f64| sunlit.iter().map(|s| of(s)).sum::<f64>() / n;
        let suspect_share = mean(|s| f64::from(u8::from(s.suspect)));
        let ratio = Figure::Value {
            value: mean(|s| s.value),
            uncertainty: Some(mean(|s| s.uncertainty)),
            suspect_share,
            data_coverage: None,
            time: None,
        };
        let value = (last.t - first.t) as f64 / 60e6;
        [ratio, Figure::Value { value, uncertainty: None, suspect_share, data_coverage: None, time: None }]
    }
}

fn over_day(sum: Sum, data_coverage: f64, scale: f64) -> Figure {
    Figure::Value {
        value: sum.amount * scale,
        uncertainty: Some(sum.uncertainty() * scale),
        suspect_share: sum.suspect_share(),
        data_coverage: Some(data_coverage),
        time: None,
    }
}

fn highest_uv_index(course: &Course) -> Figure {
    let best = if course.is_measured() { course.highest_mean(UV_WINDOW) } else { None };
    let Some((sum, middle)) = best else { return Figure::null("no 30 minutes of uv_index without a gap") };
    let seconds = UV_WINDOW as f64 * 1e-6;
    Figure::Value {
        value: sum.amount / seconds,
        uncertainty: Some(sum.uncertainty() / seconds),
        suspect_share: sum.suspect_share(),
        data_coverage: None,
        time: Some(UtcMicros(middle)),
    }
}
