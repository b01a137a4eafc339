//! The intervals of single pixels.

use super::*;

fn open_pixels(e: &Example) -> Vec<Option<usize>> {
    e.open_of(Flag::PixelFault).iter().map(|s| s.pixel).collect()
}

#[test]
fn each_anomalous_pixel_has_one_interval_with_its_number() {
    let mut e = Example::roof();
    e.read();
    let found = e.now();
    e.anomaly(50, 5000.0);
    e.anomaly(60, 5000.0);
    let actions = e.read();
    assert_eq!(open_pixels(&e), [Some(50), Some(60)]);
    let interval = opened(&actions)[0];
    assert_eq!((interval.from, interval.until), (found, None));
    assert!(
        interval.text.starts_with("pixel 50 (300.0 nm): +50000 counts from its dark baseline"),
        "{}",
        interval.text
    );
    assert_eq!(e.events().len(), 2);
    assert_eq!(e.read(), [], "one interval each");
}

#[test]
fn an_ultraviolet_pixel_affects_the_uv_index_and_not_visible_quantities() {
    let mut e = Example::roof();
    e.anomaly(50, 5000.0);
    let actions = e.read();
    let interval = opened(&actions)[0];
    assert!(affects(interval, "uv_index") && !affects(interval, "ppfd") && !affects(interval, "illuminance"));
}

#[test]
fn a_pixel_that_affects_no_quantity_is_reported_once_and_has_no_interval() {
    let mut e = Example::roof();
    e.anomaly(300, 0.01);
    for light in [100.0, 1000.0, 2000.0] {
        e.observe_light(light);
        assert_eq!(e.execute(), []);
    }
    let [text] = e.events()[..] else { panic!("{:?}", e.events()) };
    assert!(text.starts_with("pixel_fault: pixel 300 (") && text.ends_with("no quantity is affected"), "{text}");
    e.monitors.pixels.drift.anomalies.clear();
    assert_eq!(e.read(), []);
    assert_eq!(e.events()[1], "pixel_fault: pixel 300 is at its dark baseline again");
}

#[test]
fn without_light_a_pixel_is_assessed_after_a_day() {
    let mut e = Example::roof();
    e.anomaly(50, 5000.0);
    let night = |e: &Example| (e.reading_with(0.01, -20.0, Flags::NONE), e.reduced(0.01, 0.0));
    e.observe(night);
    assert_eq!(e.execute(), []);
    e.minute = 1439.0;
    e.observe(night);
    assert_eq!(open_pixels(&e), []);
    e.execute();
    assert_eq!(open_pixels(&e), [Some(50)]);
}

#[test]
fn a_pixel_is_assessed_again_in_stronger_light_and_its_interval_is_only_widened() {
    let mut e = Example::roof();
    e.anomaly(50, 5000.0);
    for light in [50.0, 55.0] {
        e.observe_light(light);
        e.execute();
        assert_eq!(e.monitors.reported.pixels[&50], 50.0, "not assessed again at {light}");
    }
    e.restart();
    assert_eq!(e.monitors.reported.pixels[&50], 50.0);
    e.anomaly(50, 5e6);
    e.observe_light(61.0);
    let actions = e.execute();
    let [MonitorAction::Widen { unaffected, .. }] = &actions[..] else { panic!("{actions:?}") };
    assert!(!unaffected.contains(&"irradiance".to_owned()), "{unaffected:?}");
    e.anomaly(50, 5000.0);
    e.observe_light(100.0);
    assert_eq!((e.execute(), e.monitors.reported.pixels[&50]), (vec![], 100.0));
    assert_eq!((open_pixels(&e), &e.database.intervals[0].unaffected), (vec![Some(50)], unaffected));
}

#[test]
fn a_cleared_pixel_ends_its_own_interval_regardless_of_the_text() {
    let mut e = Example::roof();
    e.anomaly(50, 5000.0);
    e.anomaly(60, 5000.0);
    e.read();
    e.database.intervals.iter_mut().for_each(|s| s.text = "pixel 60 (another wording)".to_owned());
    e.restart();
    e.read();
    e.monitors.pixels.drift.anomalies.remove(&50);
    let actions = e.read();
    let [MonitorAction::End { id, report, .. }] = &actions[..] else { panic!("{actions:?}") };
    assert_eq!((*id, report.text.as_str()), (1, "pixel_fault: pixel 50 is at its dark baseline again"));
    assert_eq!(open_pixels(&e), [Some(60)]);
    assert!(!e.monitors.reported.pixels.contains_key(&50));
    assert_eq!(e.read(), []);
}

#[test]
fn after_an_interruption_the_interval_of_a_pixel_is_found_by_its_number() {
    let mut e = Example::roof();
    e.anomaly(50, 5000.0);
    e.observe_light(1500.0);
    let actions = e.monitors.actions(e.now());
    e.database.write(&actions[0]);
    e.restart();
    e.read();
    assert_eq!(open_pixels(&e), [Some(50)]);
    assert_eq!(e.monitors.reported.pixels.keys().copied().collect::<Vec<_>>(), [50]);
}

#[test]
fn a_pixel_that_is_cleared_before_its_interval_is_stored_has_none() {
    let mut e = Example::roof();
    e.anomaly(50, 5000.0);
    e.observe_light(1500.0);
    e.monitors.pixels.drift.anomalies.clear();
    assert_eq!(e.read(), []);
}
