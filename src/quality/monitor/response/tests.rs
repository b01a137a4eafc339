use super::*;

const LIMIT: f64 = 0.07;

fn at(day: f64) -> UtcMicros {
    UtcMicros(0).plus_seconds(day * DAY_S)
}

/// A scatter that repeats and has no trend [1].
fn scatter(day: u32) -> f64 {
    let x = u64::from(day).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    ((x >> 40) as f64 / f64::from(1u32 << 24) - 0.5) * 0.03
}

fn level(day: u32, change: f64) -> Level {
    Level { time: at(f64::from(day)), level: 7.5 + change, slope: (-0.12, 0.004), tilt_east_deg: Some(0.3) }
}

/// Runs days, one level each; returns the turns with the days they came.
fn run(drift: &mut ResponseDrift, days: std::ops::Range<u32>, change: impl Fn(u32) -> f64) -> Vec<(u32, Transition)> {
    days.filter_map(|d| drift.observe_level(level(d, change(d)), LIMIT).map(|t| (d, t))).collect()
}

fn begun() -> ResponseDrift {
    let mut drift = ResponseDrift::default();
    drift.set_calibration("first", at(0.0));
    drift
}

/// Identity: days that scatter turn nothing; a tenth lost at once is found on the second day, back to the last good one.
#[test]
fn a_sudden_loss_is_found_on_the_second_clear_day() {
    let mut drift = begun();
    assert_eq!(run(&mut drift, 1..40, scatter), []);
    let turns = run(&mut drift, 40..45, |d| scatter(d) - 0.1);
    assert_eq!(turns, [(41, Transition::Exceeded(UtcMicros(at(39.0).0 + 1)))]);
    assert!(drift.change().is_some_and(|c| (c + 0.1).abs() < 0.02), "{:?}", drift.change());
    assert!((drift.expected_scale() - 0.9).abs() < 0.02);
    let turns = run(&mut drift, 45..50, scatter);
    assert_eq!(turns, [(46, Transition::Cleared(at(46.0)))]);
}

/// Identity: a tenth lost over a month is found before it is all lost, back to where it was halfway to the limit.
#[test]
fn a_slow_loss_is_marked_back_to_where_it_was_halfway_to_the_limit() {
    let mut drift = begun();
    run(&mut drift, 1..20, scatter);
    let turns = run(&mut drift, 20..60, |d| scatter(d) - 0.1 * (f64::from(d - 20) / 30.0).min(1.0));
    let [(found, Transition::Exceeded(from))] = turns[..] else { panic!("{turns:?}") };
    assert!(found <= 50, "found on day {found}");
    let lost = 0.1 * (from.seconds() / DAY_S - 20.0) / 30.0;
    assert!(lost < PASS_SHARE * LIMIT + 0.015, "{lost} lost when the doubt begins");
}

/// Identity: dirt of 0.3 % a day and a wipe come back; the turbidity that goes with the slope does not show.
#[test]
fn dirt_is_a_slope_a_wipe_is_a_step_and_turbid_days_are_neither() {
    let mut drift = begun();
    for d in 1..36 {
        let dirt = -0.003 * f64::from(d.max(5) - 5);
        let turbid = 0.03 * scatter(d) / 0.015;
        let mut l = level(d, dirt - 1.4 * turbid);
        l.slope.0 -= turbid;
        drift.observe_level(l, LIMIT);
    }
    let soiling = drift.soiling().unwrap();
    assert!((soiling.per_day / 0.003 - 1.0).abs() < 0.3, "{soiling:?}");
    drift.cleaned(at(35.5));
    assert!(drift.last_cleaning().is_some_and(|(when, step)| when == at(35.5) && step.is_none()));
    run(&mut drift, 36..45, |_| 0.0);
    let (_, step) = drift.last_cleaning().unwrap();
    assert!(step.is_some_and(|s| (s - 0.09).abs() < 0.02), "{step:?}");
    let (when, step) = drift.last_cleaning_step.unwrap();
    assert!(when == at(36.0) && (step - 0.09).abs() < 0.02, "{when:?} {step}");
    assert!(drift.soiling().is_some_and(|s| s.per_day.abs() < 1e-3 && s.levels < 12), "{:?}", drift.soiling());
}

/// Identity: a lean is told against the beginning's.
#[test]
fn a_lean_is_told_against_the_beginnings() {
    let mut drift = begun();
    run(&mut drift, 1..10, scatter);
    assert!(drift.tilt_change_deg().is_some_and(|t| t.abs() < 1e-9));
    (10..14).for_each(|d| {
        let mut leaning = level(d, 0.0);
        leaning.tilt_east_deg = Some(-2.7);
        drift.observe_level(leaning, LIMIT);
    });
    assert!(drift.tilt_change_deg().is_some_and(|t| (t + 3.0).abs() < 1e-9));
    // In doubt since the last day that stood upright, though its level is right, and until days stand upright again.
    assert_eq!(
        (drift.tilt_limit.exceeded_since, drift.level_limit.exceeded_since),
        (Some(UtcMicros(at(9.0).0 + 1)), None)
    );
    assert_eq!(drift.limit_state().exceeded_since, drift.tilt_limit.exceeded_since);
    run(&mut drift, 14..20, scatter);
    assert_eq!(drift.limit_state(), LimitState { last_within_limit: Some(at(19.0)), exceeded_since: None });
}

/// Identity: a course that comes back every year is no drift in the second; another calibration begins anew.
#[test]
fn the_seasons_own_course_is_no_drift_in_the_second_year() {
    let mut drift = begun();
    let season = |d: u32| 0.03 * (std::f64::consts::TAU * f64::from(d) / 365.25).sin();
    assert_eq!(run(&mut drift, 1..800, |d| season(d) + 0.5 * scatter(d)), []);
    let second: Vec<f64> = drift.levels.iter().rev().take(300).map(|k| k.change.abs()).collect();
    assert!(median(second).is_some_and(|m| m < 0.02));
    assert!(drift.levels.len() <= MAX_LEVELS);
    assert_eq!(drift.set_calibration("second", at(900.0)), (true, None));
    assert!(drift.baseline.is_none() && drift.levels.is_empty());
}
