//! What the four indices must keep to.

use super::*;
/// A pixel axis as an array behind a grating has it.
fn pixels() -> Vec<f64> {
    (0..2048).map(f64::from).map(|p| 280.0 + 0.39 * p - 6.7e-6 * p * p).collect()
}

fn fold(axis: &[f64]) -> Fold {
    Fold::build(axis, (axis[0], axis[axis.len() - 1])).unwrap()
}

fn bump(nm: f64, at: f64, width: f64) -> f64 {
    (-((nm - at) / width).powi(2) / 2.0).exp()
}

/// Three lights unlike each other: a warm phosphor, three narrow bands, a bluish sky.
fn lights(axis: &[f64]) -> [(f64, Vec<f64>); 3] {
    let of = |f: &dyn Fn(f64) -> f64| axis.iter().map(|nm| f(*nm)).collect();
    [
        (3050.0, of(&|nm| 0.3 * bump(nm, 450.0, 9.0) + bump(nm, 600.0, 55.0))),
        (4400.0, of(&|nm| 0.8 * bump(nm, 455.0, 10.0) + bump(nm, 535.0, 14.0) + 1.1 * bump(nm, 615.0, 8.0))),
        (9500.0, of(&|nm| (500.0 / nm).powi(3) + 0.2 * bump(nm, 480.0, 30.0))),
    ]
}

/// Identity: a light that is its own reference scores a hundred in everything.
#[test]
fn a_reference_illuminant_renders_perfectly() {
    /// A light is linear between its samples; the formula at 1500 K and the joints of the daylight tables are not.
    const CHORDS: f64 = 5e-3;
    let axis: Vec<f64> = (0..NODES).map(|n| FIRST_NM + n as f64).collect();
    let fold = fold(&axis);
    for t in [1500.0, 2700.0, 3999.0, 5001.0, 6504.0, 12_000.0, 25_000.0] {
        for (i, index) in indices(&fold, &of_fidelity(t), t).unwrap().into_iter().enumerate() {
            // The softening of the fidelity scale adds 0.0005 at the top.
            assert!((index - 100.0).abs() < CHORDS + 5e-4, "{t} K: index {i} is {index}");
        }
    }
    // Between 4000 and 5000 K the two references differ, and each index knows its own.
    let mixed = indices(&fold, &of_fidelity(4500.0), 4500.0).unwrap();
    assert!((mixed[2] - 100.0).abs() < CHORDS + 5e-4 && mixed[0] < 99.9, "{mixed:?}");
    let hot = indices(&fold, &of_rendering(4500.0), 4500.0).unwrap();
    assert!((hot[0] - 100.0).abs() < CHORDS && hot[2] < 99.9, "{hot:?}");
}

/// Identity: derivatives by the nodes and by the temperature are the slopes between two values a small step apart.
#[test]
fn derivatives_are_the_slopes_of_their_values() {
    let axis: Vec<f64> = (0..NODES).map(|n| FIRST_NM + n as f64).collect();
    let fold = fold(&axis);
    for (t, samples) in lights(&axis) {
        let of = |samples: &[f64], t: f64| indices(&fold, samples, t).unwrap();
        let got = derivatives(&fold, &samples, t, None).unwrap();
        assert_eq!(got.value.map(f64::to_bits), of(&samples, t).map(f64::to_bits));
        let step = 1e-5 * t;
        let (up, down) = (of(&samples, t + step), of(&samples, t - step));
        for i in 0..INDICES {
            let slope = (up[i] - down[i]) / (2.0 * step);
            let off = (slope - got.by_temperature[i]).abs();
            assert!(off < 1e-5 * slope.abs().max(1e-4), "{t} K, index {i}: slope {slope}, {}", got.by_temperature[i]);
        }
        let size: [f64; INDICES] = std::array::from_fn(|i| got.by_node.iter().fold(0.0f64, |m, by| m.max(by[i].abs())));
        for n in [1, 40, 77, 155, 200, 240, 333, 399] {
            // On the nodes' own axis each sample is a node, and the fold weighs it by 1 nm.
            let step = 1e-5;
            let mut moved = samples.clone();
            moved[n] += step;
            let up = of(&moved, t);
            moved[n] -= 2.0 * step;
            let down = of(&moved, t);
            for i in 0..INDICES {
                // The rule on a shared grid: sample n reaches only node n.
                let slope = (up[i] - down[i]) / (2.0 * step);
                let off = (slope - got.by_node[n][i]).abs();
                assert!(off < 1e-5 * size[i], "{t} K, index {i}, node {n}: {slope} {}", got.by_node[n][i]);
            }
        }
    }
}

/// Identity: an array's axis and the tables' own see the same smooth light.
#[test]
fn smooth_light_has_the_same_indices_on_any_fine_axis() {
    /// Light is linear between samples, which cuts 0.1 % off a band of 8 nm at 1 nm steps: 0.04 in the strong red, the most
    /// sensitive of the four.
    const CHORDS: f64 = 0.05;
    let (fine, nodes) = (pixels(), (0..NODES).map(|n| FIRST_NM + n as f64).collect::<Vec<f64>>());
    for ((t, a), (_, b)) in lights(&fine).into_iter().zip(lights(&nodes)) {
        let a = indices(&fold(&fine), &a, t).unwrap();
        let b = indices(&fold(&nodes), &b, t).unwrap();
        for i in 0..INDICES {
            assert!((a[i] - b[i]).abs() < CHORDS, "{t} K: {a:?} {b:?}");
        }
    }
}

/// Identity: the indices do not depend on how bright the light is.
#[test]
fn brightness_changes_nothing() {
    let axis = pixels();
    let fold = fold(&axis);
    for (t, samples) in lights(&axis) {
        let dim: Vec<f64> = samples.iter().map(|x| 1e-4 * x).collect();
        let (a, b) = (indices(&fold, &samples, t).unwrap(), indices(&fold, &dim, t).unwrap());
        for (x, y) in a.into_iter().zip(b) {
            assert!((x - y).abs() < 1e-9, "{t} K: {x} {y}");
        }
    }
}

/// Edge set: no spectrum panics; what makes no colour makes no number, and too blue a light says so.
#[test]
fn odd_lights_have_an_answer() {
    let axis = pixels();
    let fold = fold(&axis);
    for odd in [0.0, -1.0, f64::NAN, f64::INFINITY, f64::MAX] {
        let light = vec![odd; axis.len()];
        let values = indices(&fold, &light, 4000.0).unwrap();
        assert_eq!(values.map(f64::to_bits), derivatives(&fold, &light, 4000.0, None).unwrap().value.map(f64::to_bits));
    }
    assert!(indices(&fold, &[1.0; 7], 4000.0).unwrap().iter().all(|x| x.is_nan()));
    let reason = indices(&fold, &vec![1.0; axis.len()], 31_000.4).unwrap_err();
    assert_eq!(reason.to_string(), "the colour temperature is 31000 K, and reference illuminants end at 25000 K");
    assert!(indices(&fold, &axis, 999.0).is_err() && indices(&fold, &axis, f64::NAN).is_err());
}
