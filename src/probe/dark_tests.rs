//! Darks of a drawn detector.

use super::*;
use crate::probe::drawn::Drawn;

fn series(detector: &mut Drawn, change: impl Fn(usize, &mut Vec<u32>)) -> Vec<DarkFrames> {
    let mut k = 0;
    [0.001, 0.1, 0.7, 3.0]
        .into_iter()
        .map(|integration_s| {
            let frames = (0..8)
                .map(|_| {
                    let mut frame = detector.frame(integration_s, 0.0);
                    k += 1;
                    change(k, &mut frame);
                    frame
                })
                .collect();
            DarkFrames { integration_s, frames }
        })
        .collect()
}

/// Independent: offset and dark rate come out as drawn.
#[test]
fn offset_and_rate_come_out_as_drawn() {
    let mut detector = Drawn::new(3);
    detector.dark_counts_per_s = 20.0;
    let found = dark(&series(&mut detector, |_, _| ())).unwrap();
    let (offset, rate) = (found.offset_counts.unwrap(), found.rate_counts_per_s.unwrap());
    assert!((offset.value - 1200.0).abs() < 0.5, "{offset:?}");
    assert!((rate.value - 20.0).abs() < 4.0 * rate.uncertainty && rate.uncertainty < 0.1, "{rate:?}");
    assert!((2.5..4.0).contains(&found.offset_pattern_counts), "{}", found.offset_pattern_counts);
    assert!(found.hot.is_empty() && found.noisy.is_empty() && found.stuck.is_empty(), "{found:?}");
    let at = found.at(3.0);
    assert!((mean(&at) - 1260.0).abs() < 0.5);
}

#[test]
fn hot_noisy_and_stuck_pixels_are_found_and_no_others() {
    let mut detector = Drawn::new(4);
    detector.dark_counts_per_s = 20.0;
    let found = dark(&series(&mut detector, |k, frame| {
        let third = (k - 1) / 8;
        frame[10] += [0, 20, 140, 600][third];
        frame[20] = if k % 2 == 0 { 1300 } else { 1220 };
        frame[30] = 777;
    }))
    .unwrap();
    assert_eq!((found.hot, found.noisy, found.stuck), (vec![10], vec![20], vec![30]));
}

#[test]
fn one_integration_time_gives_an_offset_and_no_rate() {
    let mut detector = Drawn::new(5);
    let frames = (0..4).map(|_| detector.frame(0.1, 0.0)).collect();
    let found = dark(&[DarkFrames { integration_s: 0.1, frames }]).unwrap();
    assert!(found.rate_counts_per_s.is_none() && (found.offset_counts.unwrap().value - 1200.0).abs() < 1.0);
    assert!(dark(&[]).is_none());
}
