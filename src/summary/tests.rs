//! Daily figures of days with known closed-form results.

use super::*;
use crate::clock::UtcMicros;
use crate::config::{DailyConfig, StationKind};
use crate::record::{Flag, Flags, LampLevel, QuantityValue, Reading, Verdict};
use crate::sun::{self, Place};
use std::f64::consts::PI;

/// Rounding error of sums over a day.
const ROUNDING: f64 = 1e-9;

fn rules(kind: StationKind) -> Rules {
    Rules {
        kind,
        place: Place { latitude_deg: 48.0, longitude_deg: 0.0, altitude_m: 0.0 },
        time_zone: jiff::tz::TimeZone::UTC,
        day_starts_at_s: 0,
        lamps_s: vec![],
        days: DailyConfig::default(),
    }
}

fn at(text: &str) -> UtcMicros {
    UtcMicros::parse(text).unwrap()
}

/// A reading whose five values are `light` times 1, 50, 0.0001, 0.004 and 1, each uncertain by 5 %.
fn reading(t: UtcMicros, light: f64) -> Reading {
    let place = rules(StationKind::Roof).place;
    let sun = sun::position(place, t);
    let value = |v: f64| QuantityValue::Value { value: v, uncertainty: 0.05 * v, verdict: Verdict::Good };
    Reading {
        id: t.0 / 1_000_000,
        time_start: t,
        time_mid: t,
        time_end: t,
        instrument: "south".into(),
        sun_elevation: sun.map(|s| s.elevation_deg),
        sun_azimuth: sun.map(|s| s.azimuth_deg),
        relative_air_mass: None,
        detector_temperature: None,
        exposures: vec![],
        peak_level: 0.5,
        signal_to_noise: None,
        stray_floor: None,
        lamps: None,
        dark_age: None,
        flags: Flags::NONE,
        values: vec![value(light), value(50.0 * light), value(1e-4 * light), value(0.004 * light), value(1.1)],
        quantity_flags: vec![],
        uv_index_stray_share: None,
        window: vec![],
    }
}

/// One reading a minute from an hour before the day to an hour after, for the minutes of the day that `keep` selects.
fn minutes(date: &str, light: impl Fn(f64) -> f64, keep: impl Fn(i64) -> bool) -> Vec<Reading> {
    let start = at(&format!("{date}T00:00:00Z"));
    let minute = |m: i64| reading(start.plus_seconds(60.0 * m as f64), light(m as f64 * 60.0));
    (-60..1500).filter(|m| keep(*m)).map(minute).collect()
}

fn summed(rules: &Rules, date: &str, readings: Vec<Reading>) -> Day {
    day(rules, &rules.day_on(date.parse().unwrap()), readings)
}

/// Value, uncertainty and suspect share.
fn parts(day: &Day, id: &str) -> (f64, Option<f64>, f64) {
    match &day.figures[id] {
        Figure::Value { value, uncertainty, suspect_share, .. } => (*value, *uncertainty, *suspect_share),
        Figure::Null { reason } => panic!("{id}: {reason}"),
    }
}

fn value(day: &Day, id: &str) -> f64 {
    parts(day, id).0
}

fn close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance * want.abs().max(1.0), "want {want}, got {got}");
}

/// Identity: for constant light, integral and uncertainty are those of the light times the day: the uncertainty does not average
/// out.
#[test]
fn the_integral_of_constant_light_is_the_light_times_the_day() {
    let d = summed(&rules(StationKind::Lamp), "2026-06-21", minutes("2026-06-21", |_| 250.0, |_| true));
    let (dli, u, suspect) = parts(&d, "light_integral");
    close(dli, 250.0 * 86_400.0 / 1e6, ROUNDING);
    close(u.unwrap(), 0.05 * dli, ROUNDING);
    assert_eq!((d.data_coverage, d.partial, d.readings, suspect), (1.0, false, 1440, 0.0));
    close(value(&d, "lux_hours"), 12_500.0 * 24.0, ROUNDING);
    close(value(&d, "erythemal_dose"), 0.025 * 86_400.0, ROUNDING);
    close(value(&d, "erythemal_dose_sed"), 21.6, ROUNDING);
    close(value(&d, "uv_index_maximum"), 1.0, ROUNDING);
    close(value(&d, "photoperiod"), 24.0, ROUNDING);
    close(value(&d, "hours_above"), 24.0, ROUNDING);
    assert_eq!(value(&d, "ppfd_maximum"), 250.0);
    assert_eq!(d.figures["dusk_red_far_red_ratio"], Figure::null("the station receives no sunlight"));
    assert_eq!(d.verdicts["ppfd"], [1440, 0, 0, 0]);
    assert!(d.flags.is_empty());
}

/// Independent: the closed forms of a half-sine day of 12 hours with 2000 at noon: integral 2000 × 12 h × 2/π, time above 200
/// 12 h × (1 − 2 asin(0.1)/π), highest half-hour mean sin(x)/x at x = π/48. Trapezoids of a minute are low by (π/720)²/12.
#[test]
fn a_half_sine_day_has_the_integral_of_a_half_sine() {
    let sine = |s: f64| (2000.0 * (PI * (s - 21_600.0) / 43_200.0).sin()).max(0.0);
    let d = summed(&rules(StationKind::Roof), "2026-03-20", minutes("2026-03-20", sine, |_| true));
    let trapezoid = 1.0 - (PI / 720.0).powi(2) / 12.0;
    let want = 2000.0 * 43_200.0 * 2.0 / PI / 1e6;
    close(value(&d, "light_integral"), want * trapezoid, 1e-8);
    let above = |level: f64| 12.0 * (1.0 - 2.0 * (level / 2000.0).asin() / PI);
    close(value(&d, "photoperiod"), above(1.0), 1e-5);
    close(value(&d, "hours_above"), above(200.0), 1e-6);
    let x = PI / 48.0;
    close(value(&d, "uv_index_maximum"), 8.0 * x.sin() / x, 1e-5);
    for (id, when) in [("ppfd_maximum", "2026-03-20T12:00:00Z"), ("uv_index_maximum", "2026-03-20T12:00:00Z")] {
        let Figure::Value { time, .. } = d.figures[id] else { panic!("{id}") };
        assert_eq!(time, Some(at(when)), "{id}");
    }
}

/// Lamps of 145.2 in cycles of 165 minutes on and 15 off, and when they are on in whole cycles of a day.
fn cycled(s: f64) -> f64 {
    if s.rem_euclid(10_800.0) < 9900.0 { 145.2 } else { 0.0 }
}

/// Independent: 8 cycles of 165 minutes with and 15 without 145.2 µmol m⁻² s⁻¹, read every 10 minutes. The true integral is 145.2
/// × 22 h, the true photoperiod 22 h; straight lines across the switchings gave 11.83 ± 0.19 mol and 24.0 h. The switching
/// instants are in step with the readings: 8 edges of 10 min in either direction have 8 × 10/√12 min, both directions √2 times
/// this, 33 min.
#[test]
fn a_sum_across_switched_lamps_holds_the_true_one() {
    let readings: Vec<Reading> = minutes("2026-06-21", cycled, |m| m % 10 == 0)
        .into_iter()
        .map(|mut r| {
            for v in &mut r.values {
                if let QuantityValue::Value { value, uncertainty, .. } = v {
                    *uncertainty = 0.008 * *value;
                }
            }
            r
        })
        .collect();
    let d = summed(&rules(StationKind::Lamp), "2026-06-21", readings);
    let (dli, u, _) = parts(&d, "light_integral");
    let (dli_true, u) = (145.2 * 22.0 * 3600.0 / 1e6, u.unwrap());
    assert!((dli - dli_true).abs() <= 2.0 * u, "{dli} ± {}, true {dli_true}", 2.0 * u);
    let edges = 145.2 * 8.0 * 600.0 / 12f64.sqrt() * 2f64.sqrt() / 1e6;
    close(u, edges.hypot(0.008 * dli), 1e-6);
    let (hours, u, _) = parts(&d, "photoperiod");
    let u = u.unwrap();
    close(u, 8.0 * 600.0 / 12f64.sqrt() * 2f64.sqrt() / 3600.0, 1e-9);
    assert!((hours - 22.0).abs() <= 2.0 * u, "{hours} ± {} h", 2.0 * u);
    close(hours, 24.0 - 8.0 / 6.0, 1e-9);
    // Read every minute, the integral is right within minutes.
    let d = summed(&rules(StationKind::Lamp), "2026-06-21", minutes("2026-06-21", cycled, |_| true));
    close(value(&d, "light_integral"), dli_true, 1e-3);
    close(value(&d, "photoperiod"), 22.0, 1e-3);
}

/// Identity: the sampling uncertainty of values every `h` is h²/6 times the sum of squared second differences; a gap of twice the
/// length has four times the variance of its own differences.
#[test]
fn the_sampling_uncertainty_comes_from_second_differences() {
    let zigzag = |s: f64| 100.0 + if (s / 300.0) as i64 % 2 == 0 { 7.0 } else { -7.0 };
    let exact = |readings: Vec<Reading>| -> Vec<Reading> {
        let without = |mut r: Reading| {
            if let QuantityValue::Value { uncertainty, .. } = &mut r.values[0] {
                *uncertainty = 0.0;
            }
            r
        };
        readings.into_iter().map(without).collect()
    };
    let d = summed(&rules(StationKind::Roof), "2026-06-21", exact(minutes("2026-06-21", zigzag, |m| m % 5 == 0)));
    // Second differences of 28 at 288 samples.
    close(parts(&d, "light_integral").1.unwrap(), 300.0 * (288.0 * 28.0f64.powi(2) / 6.0).sqrt() / 1e6, 1e-9);
    let straight = |s: f64| 100.0 + 0.001 * s;
    let d = summed(
        &rules(StationKind::Roof),
        "2026-06-21",
        exact(minutes("2026-06-21", straight, |m| m % 5 == 0 || m > 700)),
    );
    assert!(parts(&d, "light_integral").1.unwrap() < 1e-9);
}

/// Gaps of 14 and 15 minutes are interpolated; 16 minutes make the day partial, lower the integral and are reported in the data
/// coverage.
#[test]
fn a_short_gap_is_interpolated_and_a_longer_one_makes_the_day_partial() {
    let with_gap = |gap: i64| {
        let keep = move |m: i64| m <= 700 || m >= 700 + gap;
        let light = |s: f64| 100.0 + s / 1000.0;
        summed(&rules(StationKind::Lamp), "2026-06-21", minutes("2026-06-21", light, keep))
    };
    let whole = value(&with_gap(1), "light_integral");
    for gap in [14, 15] {
        let d = with_gap(gap);
        assert!(!d.partial && d.data_coverage == 1.0, "{gap}");
        // Linear light is interpolated exactly.
        close(value(&d, "light_integral"), whole, ROUNDING);
    }
    let d = with_gap(16);
    assert!(d.partial);
    assert_eq!(d.data_coverage, (1440.0 - 16.0) / 1440.0);
    let lost = 16.0 * 60.0 * (100.0 + 708.0 * 60.0 / 1000.0) / 1e6;
    close(value(&d, "light_integral"), whole - lost, ROUNDING);
    let Figure::Value { data_coverage, .. } = d.figures["light_integral"] else { panic!() };
    assert_eq!(data_coverage, Some(d.data_coverage));
}

/// A bad value is treated as missing, a suspect one is used and counts in the suspect share, and readings of a check source are
/// excluded.
#[test]
fn bad_values_are_gaps_and_suspect_ones_count_in_the_suspect_share() {
    let mut readings = minutes("2026-06-21", |_| 100.0, |_| true);
    let set = |r: &mut Reading, v: Verdict| {
        if let QuantityValue::Value { verdict, .. } = &mut r.values[0] {
            *verdict = v;
        }
    };
    readings[200..230].iter_mut().for_each(|r| set(r, Verdict::Bad));
    readings[400..543].iter_mut().for_each(|r| set(r, Verdict::Suspect));
    readings[400].flags.raise(Flag::Obstructed);
    let mut source = reading(at("2026-06-21T12:00:30Z"), 9000.0);
    source.flags.raise(Flag::CheckSource);
    readings.push(source);
    let d = summed(&rules(StationKind::Lamp), "2026-06-21", readings);
    assert_eq!((d.readings, d.references, d.partial), (1440, 1, true));
    assert_eq!(d.data_coverage, (1440.0 - 31.0) / 1440.0);
    assert_eq!((d.verdicts["ppfd"], d.verdicts["illuminance"]), ([1267, 143, 30, 0], [1440, 0, 0, 0]));
    close(parts(&d, "light_integral").2, 144.0 / 1409.0, ROUNDING);
    close(value(&d, "lux_hours"), 5000.0 * 24.0, ROUNDING);
    assert_eq!(value(&d, "ppfd_maximum"), 100.0);
    assert_eq!(d.flags, [("obstructed".to_owned(), 1)].into());
}

/// A station without readings while the sun is below −6° has complete days, because it is dark then; a station without readings
/// below 0° has not, nor has a glasshouse without a lamp schedule, whose lamps may have been on.
#[test]
fn a_night_without_readings_is_dark_under_the_open_sky() {
    let place = rules(StationKind::Roof).place;
    let seen = |limit: f64| {
        let light = move |s: f64| {
            let t = at("2026-06-21T00:00:00Z").plus_seconds(s);
            let h = sun::position(place, t).unwrap().elevation_deg;
            if h > limit { 50.0 + 10.0 * (h + 6.0) } else { f64::NAN }
        };
        let readings = minutes("2026-06-21", light, |_| true);
        readings.into_iter().filter(|r| r.values[0].value().is_some_and(|v| v.is_finite())).collect::<Vec<_>>()
    };
    let d = summed(&rules(StationKind::Roof), "2026-06-21", seen(-6.0));
    assert!(!d.partial && d.readings < 1200, "{d:?}");
    let missed = summed(&rules(StationKind::Roof), "2026-06-21", seen(0.0));
    assert!(missed.partial && missed.data_coverage > 0.9);
    assert!(value(&missed, "light_integral") < value(&d, "light_integral"));
    let glass = Rules { kind: StationKind::Glasshouse, ..rules(StationKind::Roof) };
    assert!(summed(&glass, "2026-06-21", seen(-6.0)).partial);
    let known = Rules { lamps_s: vec![(6 * 3600, 7 * 3600)], ..glass };
    assert!(!summed(&known, "2026-06-21", seen(-6.0)).partial);
}

/// Identity: the shares of lamps of 150 from 02:00 to 22:00 and of a known sun are found; lamps that are dimmed, unsteady or
/// never measured without sun give null.
#[test]
fn lamps_are_separated_from_the_sun_by_their_level_at_night() {
    let lamps = Rules { lamps_s: vec![(2 * 3600, 22 * 3600)], ..rules(StationKind::Glasshouse) };
    let on = |s: f64| (7200.0..79_200.0).contains(&s);
    let sun = |s: f64| {
        (800.0 * (PI * (s - 28_800.0) / 28_800.0).sin()).max(0.0) * f64::from((28_800.0..57_600.0).contains(&s))
    };
    let light = |s: f64| sun(s) + if on(s) { 150.0 } else { 0.0 };
    let d = summed(&lamps, "2026-12-21", minutes("2026-12-21", light, |_| true));
    let (of_lamps, of_sun) = (150.0 * 72_000.0, 800.0 * 28_800.0 * 2.0 / PI);
    // Ramps of a minute at either switching.
    close(value(&d, "lamps_share"), of_lamps / (of_lamps + of_sun), 1e-4);
    close(value(&d, "sun_share") + value(&d, "lamps_share"), 1.0, ROUNDING);
    let reason = |rules: &Rules, date: &str, light: &dyn Fn(f64) -> f64| match &summed(
        rules,
        date,
        minutes(date, light, |_| true),
    )
    .figures["lamps_share"]
    {
        Figure::Null { reason } => reason.clone(),
        other => panic!("{other:?}"),
    };
    let unsteady = |s: f64| light(s) * (1.0 + 0.1 * (s / 600.0).sin());
    assert!(reason(&lamps, "2026-12-21", &unsteady).contains("not steady"));
    let dimmed = |s: f64| if (30_000.0..57_000.0).contains(&s) { 1.0 } else { light(s) };
    assert!(reason(&lamps, "2026-12-21", &dimmed).contains("exceeds the total light"));
    let by_day = Rules { lamps_s: vec![(9 * 3600, 15 * 3600)], ..lamps.clone() };
    assert!(reason(&by_day, "2026-06-21", &light).contains("too few readings with lamps on"));
    assert!(reason(&rules(StationKind::Roof), "2026-12-21", &light).contains("no schedule"));
    let bench = Rules { kind: StationKind::Lamp, ..lamps };
    assert_eq!(value(&summed(&bench, "2026-12-21", minutes("2026-12-21", light, |_| true)), "lamps_share"), 1.0);
}

/// Identity: lamps that follow no schedule and never burn alone, 150 from 09:00 to 15:00 with the sun: their share is that of their part of
/// each reading, their switching is a step, and the schedule's share stands beside it. Where the part of many readings is not
/// known, the share is that of the schedule.
#[test]
fn lamps_are_separated_from_the_sun_by_their_part_of_each_reading() {
    let rules = Rules { lamps_s: vec![(2 * 3600, 4 * 3600)], ..rules(StationKind::Glasshouse) };
    let on = |s: f64| (32_400.0..54_000.0).contains(&s);
    let level = |s: f64| if on(s) { 150.0 } else { 0.0 };
    let light = |s: f64| 100.0 + level(s);
    // Every ten minutes, at five past.
    let mut readings = minutes("2026-12-21", light, |m| m.rem_euclid(10) == 5);
    let midnight = at("2026-12-21T00:00:00Z");
    for r in &mut readings {
        let ppfd = level(r.time_mid.seconds_since(midnight));
        r.lamps = Some(LampLevel { ppfd, uncertainty: 0.02 * ppfd + 0.5 });
    }
    let d = summed(&rules, "2026-12-21", readings.clone());
    let (of_lamps, of_sun) = (150.0 * 21_600.0, 100.0 * 86_400.0);
    close(value(&d, "lamps_share"), of_lamps / (of_lamps + of_sun), ROUNDING);
    close(value(&d, "light_integral"), (of_lamps + of_sun) / 1e6, ROUNDING);
    close(value(&d, "sun_share") + value(&d, "lamps_share"), 1.0, ROUNDING);
    assert!(value(&d, "lamps_share_by_schedule") > 0.05, "{:?}", d.figures["lamps_share_by_schedule"]);
    readings.iter_mut().step_by(2).for_each(|r| r.lamps = None);
    readings.iter_mut().skip(40).for_each(|r| r.lamps = None);
    let d = summed(&rules, "2026-12-21", readings);
    assert_eq!(d.figures["lamps_share"], d.figures["lamps_share_by_schedule"]);
}

/// The ratio of red to far red at dusk uses evening twilight only, not the morning's.
#[test]
fn dusk_is_the_evenings_civil_twilight() {
    let mut readings = minutes("2026-03-20", |_| 1.0, |_| true);
    let ratio = |v: f64| QuantityValue::Value { value: v, uncertainty: 0.02, verdict: Verdict::Good };
    readings
        .iter_mut()
        .for_each(|r| r.values[4] = ratio(if r.time_mid > at("2026-03-20T12:00:00Z") { 0.7 } else { 1.2 }));
    let d = summed(&rules(StationKind::Roof), "2026-03-20", readings);
    close(value(&d, "dusk_red_far_red_ratio"), 0.7, ROUNDING);
    // 6° at 48° north at the equinox: 6° / (15°/h × cos 48°) = 36 min, without refraction at the horizon.
    assert!((31.0..=37.0).contains(&value(&d, "dusk_minutes")), "{}", value(&d, "dusk_minutes"));
}

/// Under lamps the ratio of a reading at dusk is theirs: only readings with lamps off by schedule count, and where there is none
/// the figure is null with the reason.
#[test]
fn dusk_under_lamps_is_not_that_of_the_sun() {
    let ratio = |v: f64| QuantityValue::Value { value: v, uncertainty: 0.02, verdict: Verdict::Good };
    let figures = |lamps_s: Vec<(u32, u32)>| {
        let rules = Rules { lamps_s: lamps_s.clone(), ..rules(StationKind::Glasshouse) };
        let mut readings = minutes("2026-03-20", |_| 1.0, |_| true);
        for r in &mut readings {
            r.values[4] = ratio(if rules.lamps_on(r.time_mid.0) { 1949.0 } else { 0.7 });
        }
        let d = summed(&rules, "2026-03-20", readings);
        (d.figures["dusk_red_far_red_ratio"].clone(), d.figures["dusk_minutes"].value())
    };
    let (whole, minutes) = figures(vec![(2 * 3600, 16 * 3600)]);
    close(whole.value().unwrap(), 0.7, ROUNDING);
    // The sun sets at about 18:10 UTC; the lamps go on at 18:30.
    let (half, fewer) = figures(vec![(18 * 3600 + 1800, 23 * 3600)]);
    close(half.value().unwrap(), 0.7, ROUNDING);
    assert!(fewer.unwrap() < minutes.unwrap() - 10.0, "{fewer:?} of {minutes:?}");
    let (none, _) = figures(vec![(2 * 3600, 20 * 3600)]);
    assert_eq!(none, Figure::null("lamps are on throughout the evening's civil twilight"));
}

/// Lamps that their spectrum shows are kept out of dusk although the schedule does not name them, and those that are off by their spectrum do
/// not end it.
#[test]
fn dusk_follows_the_spectrum_where_it_is_known() {
    let rules = Rules { lamps_s: vec![(17 * 3600, 20 * 3600)], ..rules(StationKind::Glasshouse) };
    let with = |lamps: &dyn Fn(UtcMicros) -> f64| {
        let mut readings = minutes("2026-03-20", |_| 1.0, |_| true);
        for r in &mut readings {
            let ppfd = lamps(r.time_mid);
            r.lamps = Some(LampLevel { ppfd, uncertainty: 0.01 });
            let ratio = if ppfd > 0.0 { 1949.0 } else { 0.7 };
            r.values[4] = QuantityValue::Value { value: ratio, uncertainty: 0.02, verdict: Verdict::Good };
        }
        summed(&rules, "2026-03-20", readings).figures["dusk_red_far_red_ratio"].value()
    };
    close(with(&|_| 0.0).unwrap(), 0.7, ROUNDING);
    let late = at("2026-03-20T18:30:00Z");
    close(with(&|t| if t > late { 50.0 } else { 0.0 }).unwrap(), 0.7, ROUNDING);
    assert_eq!(with(&|_| 50.0), None);
}

/// A day that begins at 04:00 integrates from 04:00 on; readings beyond its edges are used only for interpolation to the edges.
#[test]
fn a_day_that_begins_at_four_integrates_from_four_on() {
    let early = Rules { day_starts_at_s: 4 * 3600, ..rules(StationKind::Lamp) };
    let step = |s: f64| if s < 4.0 * 3600.0 { 500.0 } else { 10.0 };
    let mut readings = minutes("2026-06-21", step, |_| true);
    readings.extend(minutes("2026-06-22", |_| 10.0, |m| m > 59));
    let d = summed(&early, "2026-06-21", readings);
    assert_eq!((d.starts, d.ends), (at("2026-06-21T04:00:00Z"), at("2026-06-22T04:00:00Z")));
    assert!(!d.partial);
    close(value(&d, "light_integral"), 10.0 * 86_400.0 / 1e6, ROUNDING);
}

/// For random readings every figure is finite, shares are from 0 to 1, the JSON text reads back to the same bits, and the order
/// of the readings has no effect.
#[test]
fn any_readings_give_a_day_that_is_read_back_from_its_text() {
    use proptest::prelude::*;
    let one = (0i64..2880, -10.0..2000.0f64, 0u8..4, 0u32..2);
    proptest!(ProptestConfig::with_cases(200), |(picks in proptest::collection::vec(one, 0..300))| {
        let start = at("2026-06-20T22:00:00Z");
        let mut readings: Vec<Reading> = picks.iter().map(|(half, light, verdict, windy)| {
            let mut r = reading(start.plus_seconds(*half as f64 * 37.0), *light);
            for v in &mut r.values {
                match (verdict, &mut *v) {
                    (3, v) => *v = QuantityValue::Null("none".into()),
                    (k, QuantityValue::Value { verdict, .. }) => *verdict = Verdict::ALL[*k as usize],
                    _ => {}
                }
            }
            r.flags.raise_if(*windy == 1, Flag::Unsteady);
            r
        }).collect();
        // One reading per instant, as stored for one instrument.
        readings.sort_by_key(|r| r.id);
        readings.dedup_by_key(|r| r.id);
        for kind in [StationKind::Roof, StationKind::Glasshouse, StationKind::Lamp] {
            let rules = Rules { lamps_s: vec![(0, 6 * 3600)], ..rules(kind) };
            let d = summed(&rules, "2026-06-21", readings.clone());
            let backwards = summed(&rules, "2026-06-21", readings.iter().rev().cloned().collect());
            prop_assert_eq!(&d, &backwards);
            let text = serde_json::to_string(&d).unwrap();
            prop_assert_eq!(&d, &serde_json::from_str::<Day>(&text).unwrap());
            prop_assert!((0.0..=1.0).contains(&d.data_coverage));
            for FigureInfo { id, attributes, .. } in FIGURES {
                let figure = &d.figures[id];
                if let Figure::Value { value, suspect_share, uncertainty, data_coverage, time } = figure {
                    let has = Attributes { uncertainty: uncertainty.is_some(), data_coverage: data_coverage.is_some(), time: time.is_some() };
                    prop_assert_eq!(has, attributes, "{}", id);
                    prop_assert!(value.is_finite() && (0.0..=1.0).contains(suspect_share), "{id} {figure:?}");
                }
            }
        }
    });
}

/// An hour has minimum, mean and maximum of the values that are not bad, and the count of every verdict.
#[test]
fn an_hour_has_the_range_of_the_values_that_are_not_bad() {
    let mut readings: Vec<Reading> = [3.0, 1.0, 8.0, 2.0].map(|v| reading(at("2026-06-21T12:00:00Z"), v)).into();
    for (r, v) in readings.iter_mut().zip([Verdict::Good, Verdict::Suspect, Verdict::Bad, Verdict::Good]) {
        if let QuantityValue::Value { verdict, .. } = &mut r.values[0] {
            *verdict = v;
        }
        r.values[4] = QuantityValue::Null("dark".into());
        if let QuantityValue::Value { verdict, .. } = &mut r.values[3] {
            *verdict = Verdict::Bad;
        }
    }
    let hours = hour(readings.iter(), 5);
    let ppfd = hours[0].unwrap();
    assert_eq!((ppfd.range, ppfd.verdicts, ppfd.used()), (Some([1.0, 2.0, 3.0]), [2, 1, 1], 3));
    assert_eq!((hours[3].unwrap().range, hours[3].unwrap().verdicts), (None, [0, 0, 4]));
    assert_eq!(hours[4], None);
}
