//! Loss of response, soiling, cleaning, tilt, and a dark current that doubles.

use crate::campaign::*;
use crate::closed_loop::Loop;
use vigilux::archive::daily;
use vigilux::archive::series::{Point, series};
use vigilux::clock::UtcMicros;
use vigilux::record::{EventKind, Flag, FlaggedInterval};
use vigilux::simulator::disturbances::{Disturbance, DisturbanceKind};
use vigilux::simulator::scenes::SkyKind;
use vigilux::summary::{Day, Rules};

const START: &str = "2026-05-01T00:00:00Z";
const LOSS: &str = "2026-05-13T10:05:00Z";

/// Largest errors of good values of `ppfd` and `uv_index` after a loss at once [1]: half of the limit and a day's scatter.
const SUDDEN_LOSS: (f64, f64) = (0.05, 0.09);
/// The same while a tenth is lost over a month. In one of the three summers the last check within the limit came when 6 % were lost.
/// Under the simulator's earlier sky 5 % and 9 % held; why clear days say less under Bird & Riordan's is not established.
const SLOW_LOSS: (f64, f64) = (0.07, 0.11);

fn run(seed: u64, disturbances: Vec<Disturbance>, until: &str) -> Loop {
    let mut bench = bench(seed, SkyKind::Changing);
    bench.disturbance = disturbances;
    let mut run = Loop::new(&bench, &station("0 */20 * * * *", 10.0), START);
    // The daemon is restarted in the middle of a day: what the saved_states know has to outlive it.
    run.run_until("2026-05-13T12:00:00Z");
    run.restart();
    run.run_until(until);
    run
}

/// Independent: the simulator's loss and light. A tenth lost at once, or over a month, is detected within ten clear days; no
/// value that is called good in the end is off by more than half the limit and a day's scatter.
#[test]
fn a_tenth_of_the_response_lost_is_found_within_ten_clear_days() {
    for (what, month) in [("at once", false), ("over a month", true)] {
        for seed in SEEDS {
            let mut loss = Disturbance { share: 0.1, ..disturbance(DisturbanceKind::ResponseLoss, LOSS) };
            loss.until = month.then(|| at("2026-06-12T10:05:00Z"));
            let run = run(seed, vec![loss], if month { "2026-07-01T00:00:00Z" } else { "2026-06-05T00:00:00Z" });
            let found = spans(&run, Flag::ResponseDrift);
            let first = found.first().unwrap_or_else(|| panic!("{what}, seed {seed}: not found"));
            let told = run.events.iter().find(|e| e.text.starts_with("response_drift")).expect("it is on record");
            let clear = |from| {
                let levels = response(&run).levels;
                levels.iter().filter(|k| k.time > from && k.time <= told.time).count()
            };
            let whole = if month { at("2026-06-12T10:05:00Z") } else { at(LOSS) };
            row(
                &format!("10 % of the response lost {what}"),
                seed,
                &format!(
                    "{} clear days after the first of it ({} after all of it), flagged from {}",
                    clear(at(LOSS)),
                    clear(whole),
                    &first.from.to_string()[..10]
                ),
            );
            assert!(clear(whole) <= 10, "{what}, seed {seed}: {} clear days", clear(whole));
            assert!(
                first.affects("ppfd") && first.affects("uv_index") && !first.affects("cct"),
                "{:?}",
                first.unaffected
            );
            nothing_wrong_since(&run, at(LOSS), first, &format!("{what}, seed {seed}"));
            if !month {
                days_follow(&run, first);
            }
            let (ppfd, uv_index) = if month { SLOW_LOSS } else { SUDDEN_LOSS };
            assert_eq!(wrong(&run, "ppfd", |truth| (ppfd * truth).max(1.0)), (0, None), "{what}, seed {seed}");
            assert_eq!(wrong(&run, "uv_index", |truth| (uv_index * truth).max(0.15)), (0, None), "{what}, seed {seed}");
        }
    }
}

/// Daily figures and series that the daemon had stored before the detection carry the flag as well; the day before does not.
fn days_follow(run: &Loop, interval: &FlaggedInterval) {
    let rules = Rules::of(&run.setup.config.station);
    let store = &run.station.store;
    let all = (UtcMicros(i64::MIN), UtcMicros(i64::MAX));
    let days = daily::days(store, &rules, "south", all.0, all.1).expect("days");
    let (inside, outside): (Vec<_>, Vec<_>) = days.iter().partition(|d| d.starts >= interval.from);
    let good = |day: &&&Day| day.verdicts["ppfd"][0] > 0;
    assert!(inside.len() > 3 && inside.iter().filter(|d| good(d)).count() == 0, "{:?}", inside.first());
    assert!(outside.iter().filter(|d| good(d)).count() > 3);
    assert!(inside.iter().all(|d| d.flags.get("response_drift").is_some_and(|n| *n == d.readings)));
    let course = series(store, "south", "ppfd", (interval.from, all.1), 50).expect("a course");
    let verdicts = |p: &Point| p.value.map_or([0; 3], |v| v.verdicts);
    // The first point begins with a whole hour, before the flagged interval does.
    let counted: Vec<[u32; 3]> = course.points.iter().skip(1).map(verdicts).collect();
    assert!(course.of_hours && counted.iter().all(|v| v[0] == 0) && counted.iter().any(|v| v[1] > 0), "{counted:?}");
}

/// Independent: soiling of 0.3 % a day is estimated within 30 % after 30 days; cleaning is a step and ends the flagged interval.
#[test]
fn the_slope_of_dirt_and_the_step_of_a_wipe_are_estimated() {
    for seed in SEEDS {
        let dirt = Disturbance { share: 0.003, ..disturbance(DisturbanceKind::Soiling, "2026-05-06T00:00:00Z") };
        let wipe = disturbance(DisturbanceKind::Cleaning, "2026-06-06T04:00:00Z");
        let mut run = run(seed, vec![dirt, wipe], "2026-06-05T00:00:00Z");
        let soiling = response(&run).soiling().expect("there were enough clear days");
        row(
            "dirt of 0.3 % a day for 30 days",
            seed,
            &format!("{:.2} ± {:.2} % a day", 100.0 * soiling.per_day, 200.0 * soiling.uncertainty),
        );
        assert!((soiling.per_day / 0.003 - 1.0).abs() <= 0.3, "seed {seed}: {soiling:?}");
        run.run_until("2026-06-20T00:00:00Z");
        let (when, step) = response(&run).last_cleaning_step.expect("the wipe was seen");
        row("its wipe, 8.9 %", seed, &format!("{:+.1} % on {}", 100.0 * step, &when.to_string()[..10]));
        // Two clear days after it lie on new dirt.
        assert!((step - 0.089).abs() < 0.03, "seed {seed}: {step}");
        let found = spans(&run, Flag::ResponseDrift);
        assert!(found.iter().all(|s| s.until.is_some()), "the cleaning ends the flagged interval");
        // Until dirt has built up once more.
        let again = at("2026-06-10T00:00:00Z");
        for span in &found {
            let (since, until) = (span.from, span.until.unwrap_or(again).max(again));
            let off = |truth: f64| (0.02 * truth).max(1.0);
            let (all, later) = (wrong_since(&run, since, "ppfd", off).0, wrong_since(&run, until, "ppfd", off).0);
            assert_eq!(all, later, "seed {seed}: good values in the flagged interval {span:?} are wrong");
        }
        assert_eq!(wrong(&run, "ppfd", |truth| (0.05 * truth).max(1.0)), (0, None), "seed {seed}");
    }
}

/// Independent: a tilt of 3° to the east is estimated in degrees within ten clear days.
#[test]
fn a_lean_of_three_degrees_is_told_within_ten_clear_days() {
    for seed in SEEDS {
        let lean = Disturbance { degrees: 3.0, azimuth_deg: 90.0, ..disturbance(DisturbanceKind::Tilt, LOSS) };
        let run = run(seed, vec![lean], "2026-06-05T00:00:00Z");
        let told = run.events.iter().find(|e| e.kind == EventKind::Drift && e.text.contains("tilted"));
        let told = told.unwrap_or_else(|| panic!("seed {seed}: not told, {:?}", response(&run).tilt_change_deg()));
        let levels = response(&run).levels;
        let clear = levels.iter().filter(|k| k.time > at(LOSS) && k.time <= told.time).count();
        let lean = response(&run).tilt_change_deg().expect("it was told");
        row("tilt of 3° to the east", seed, &format!("{clear} clear days, {lean:+.1}°"));
        assert!(clear <= 10 && (lean - 3.0).abs() < 0.8, "seed {seed}: {clear} days, {lean}");
        assert!(told.text.contains("to the east"), "{}", told.text);
        let found = spans(&run, Flag::ResponseDrift);
        assert!(found.len() == 1 && found[0].until.is_none() && found[0].text.contains("tilted"), "{found:?}");
        nothing_wrong_since(&run, at(LOSS), &found[0], &format!("seed {seed}"));
    }
}

/// The simulator's dark current doubles; this is recorded within a day.
#[test]
fn a_doubled_dark_current_is_found_within_a_day() {
    for seed in SEEDS {
        let mut bench = bench(seed, SkyKind::Changing);
        bench.ambient.amplitude_k = 5.0;
        let from = "2026-05-03T12:05:00Z";
        bench.disturbance = vec![disturbance(DisturbanceKind::DarkCurrent, from)];
        let mut run = Loop::new(&bench, &station("0 */5 * * * *", -90.0), START);
        run.run_until("2026-05-04T13:00:00Z");
        let told = run.events.iter().find(|e| e.kind == EventKind::Drift && e.text.contains("dark rate"));
        let told = told.unwrap_or_else(|| panic!("seed {seed}: not found"));
        let hours = told.time.seconds_since(at(from)) / 3600.0;
        row("dark current doubled", seed, &format!("{hours:.1} h: {}", told.text));
        let found = spans(&run, Flag::DarkDrift);
        // Until it was found; from then on each reading is flagged by itself.
        let until = found.first().and_then(|s| s.until).map_or(f64::NAN, |t| t.seconds_since(told.time));
        assert!(found.len() == 1 && found[0].from <= told.time && until.abs() < 60.0, "{found:?} {told:?}");
        assert!(!found[0].affects("ppfd"), "{:?}", found[0].unaffected);
        assert!((0.0..24.0).contains(&hours), "seed {seed}: {hours} h");
        assert_eq!(wrong(&run, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None), "seed {seed}");
        assert_eq!(wrong(&run, "uv_index", |truth| (0.06 * truth).max(0.15)), (0, None), "seed {seed}");
    }
}
