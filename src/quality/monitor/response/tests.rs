use super::*;

const LIMIT: f64 = 0.07;

fn at(day: f64) -> UtcMicros {
    UtcMicros(0).plus_seconds(day * DAY_S)
}

/// Reproducible scatter without a trend [1].
fn scatter(day: u32) -> f64 {
    let x = u64::from(day).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    ((x >> 40) as f64 / f64::from(1u32 << 24) - 0.5) * 0.03
}

fn level(day: u32, change: f64) -> Level {
    Level { time: at(f64::from(day)), level: 7.5 + change, slope: (-0.12, 0.004), tilt_east_deg: Some(0.3) }
}

/// Observes one level per day; returns the transitions with their days.
fn run(drift: &mut ResponseDrift, days: std::ops::Range<u32>, change: impl Fn(u32) -> f64) -> Vec<(u32, Transition)> {
    days.filter_map(|d| drift.observe_level(level(d, change(d)), LIMIT).map(|t| (d, t))).collect()
}

fn started() -> ResponseDrift {
    let mut drift = ResponseDrift::default();
    drift.set_calibration("first", at(0.0));
    drift
}

/// Scatter causes no transition. Readings are flagged from the last level within the limit on.
#[test]
fn a_sudden_loss_is_detected_on_the_second_clear_day() {
    let mut drift = started();
    assert_eq!(run(&mut drift, 1..40, scatter), []);
    let transitions = run(&mut drift, 40..45, |d| scatter(d) - 0.1);
    assert_eq!(transitions, [(41, Transition::Exceeded(UtcMicros(at(39.0).0 + 1)))]);
    assert!(drift.change().is_some_and(|c| (c + 0.1).abs() < 0.02), "{:?}", drift.change());
    assert!((drift.expected_scale() - 0.9).abs() < 0.02);
    let transitions = run(&mut drift, 45..50, scatter);
    assert_eq!(transitions, [(46, Transition::Cleared(at(46.0)))]);
}

/// For a loss of 10 % over a month.
#[test]
fn a_slow_loss_is_flagged_from_where_it_exceeded_half_of_the_limit() {
    let mut drift = started();
    run(&mut drift, 1..20, scatter);
    let transitions = run(&mut drift, 20..60, |d| scatter(d) - 0.1 * (f64::from(d - 20) / 30.0).min(1.0));
    let [(detected, Transition::Exceeded(from))] = transitions[..] else { panic!("{transitions:?}") };
    assert!(detected <= 50, "detected on day {detected}");
    let lost = 0.1 * (from.seconds() / DAY_S - 20.0) / 30.0;
    assert!(lost < PASS_SHARE * LIMIT + 0.015, "a loss of {lost} is not flagged");
}

/// Identity: soiling of 0.3 % per day and a cleaning step of 9 % are recovered; turbidity, which changes the slope, has no effect.
#[test]
fn soiling_and_cleaning_are_estimated_independently_of_turbidity() {
    let mut drift = started();
    for d in 1..36 {
        let soiling = -0.003 * f64::from(d.max(5) - 5);
        let turbidity = 0.03 * scatter(d) / 0.015;
        let mut level = level(d, soiling - 1.4 * turbidity);
        level.slope.0 -= turbidity;
        drift.observe_level(level, LIMIT);
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

#[test]
fn a_tilt_is_compared_with_that_of_the_baseline() {
    let mut drift = started();
    run(&mut drift, 1..10, scatter);
    assert!(drift.tilt_change_deg().is_some_and(|t| t.abs() < 1e-9));
    (10..14).for_each(|d| {
        let mut tilted = level(d, 0.0);
        tilted.tilt_east_deg = Some(-2.7);
        drift.observe_level(tilted, LIMIT);
    });
    assert!(drift.tilt_change_deg().is_some_and(|t| (t + 3.0).abs() < 1e-9));
    // Flagged from the last day without the tilt on, although the level is within its limit, until the tilt is gone.
    assert_eq!(
        (drift.tilt_limit.exceeded_since, drift.level_limit.exceeded_since),
        (Some(UtcMicros(at(9.0).0 + 1)), None)
    );
    assert_eq!(drift.limit_state().exceeded_since, drift.tilt_limit.exceeded_since);
    run(&mut drift, 14..20, scatter);
    assert_eq!(drift.limit_state(), LimitState { last_within_limit: Some(at(19.0)), exceeded_since: None });
}

/// Another calibration restarts the monitor.
#[test]
fn a_seasonal_course_is_subtracted_in_the_second_year() {
    let mut drift = started();
    let season = |d: u32| 0.03 * (std::f64::consts::TAU * f64::from(d) / 365.25).sin();
    assert_eq!(run(&mut drift, 1..800, |d| season(d) + 0.5 * scatter(d)), []);
    let second: Vec<f64> = drift.levels.iter().rev().take(300).map(|k| k.change.abs()).collect();
    assert!(median(second).is_some_and(|m| m < 0.02));
    assert!(drift.levels.len() <= MAX_LEVELS);
    assert_eq!(drift.set_calibration("second", at(900.0)), (true, None));
    assert!(drift.baseline.is_none() && drift.levels.is_empty());
}
