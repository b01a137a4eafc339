//! The moon of the program, and the simulator's, which has other formulas, against an outside ephemeris.

use vigilux::clock::UtcMicros;
use vigilux::moon;
use vigilux::quantities::{Matrix, SourceRule, index_of, values};
use vigilux::reduction::sky_light::G173_LX;
use vigilux::simulator;
use vigilux::spectrum::g173::g173;
use vigilux::sun::Place;

/// One row of moon.csv.
struct Seen {
    time: UtcMicros,
    place: Place,
    elevation_deg: f64,
    elongation_deg: f64,
    distance_km: f64,
}

fn table() -> Vec<Seen> {
    let rows = include_str!("moon.csv").lines().filter(|l| l.starts_with("20"));
    rows.map(|line| {
        let (time, numbers) = line.split_once(',').expect("a time and numbers");
        let n: Vec<f64> = numbers.split(',').map(|x| x.parse().expect("a number")).collect();
        Seen {
            time: UtcMicros::parse(time).expect("a time"),
            place: Place { latitude_deg: n[0], longitude_deg: n[1], altitude_m: 0.0 },
            elevation_deg: n[2],
            elongation_deg: n[3],
            distance_km: n[4],
        }
    })
    .collect()
}

/// Independent: moon.csv, by ephem 4.2.1 (moon.py).
#[test]
fn the_moon_is_where_an_ephemeris_has_it() {
    /// What the short series leaves out, and the flattening of the Earth; near the horizon refraction is that of another weather.
    const ELEVATION_DEG: f64 = 0.15;
    const ELONGATION_DEG: f64 = 0.15;
    /// Of the distance; twice as much of the light.
    const DISTANCE: f64 = 0.006;
    let all = table();
    assert_eq!(all.len(), 240);
    let mut largest = [0.0f64; 3];
    for seen in &all {
        let got = moon::position(seen.place, seen.time);
        let distance_km = 6378.14 / got.parallax_deg.to_radians().sin();
        let off = [
            got.elevation_deg - seen.elevation_deg,
            got.elongation_deg - seen.elongation_deg,
            distance_km / seen.distance_km - 1.0,
        ];
        for (largest, off) in largest.iter_mut().zip(off) {
            *largest = largest.max(off.abs());
        }
    }
    println!("largest differences: {largest:?} (degrees, degrees, share)");
    assert!(largest[0] <= ELEVATION_DEG && largest[1] <= ELONGATION_DEG && largest[2] <= DISTANCE, "{largest:?}");
}

/// Independent: moon.csv, by ephem 4.2.1 (moon.py); without refraction, so above 10 degrees only.
#[test]
fn the_simulators_moon_is_where_an_ephemeris_has_it() {
    const ELEVATION_DEG: f64 = 0.3;
    for seen in table().iter().filter(|s| s.elevation_deg > 10.0) {
        let got = simulator::moon::moon(seen.place, seen.time);
        let off = got.elevation_deg - seen.elevation_deg;
        assert!(off.abs() <= ELEVATION_DEG, "{}: want {}, got {}", seen.time, seen.elevation_deg, got.elevation_deg);
        // At most the full moon at its nearest, and darker the farther from full.
        assert!(got.brightness <= 1.2 && (seen.elongation_deg > 90.0 || got.brightness < 0.13), "{}", seen.time);
    }
}

/// Independent: the registry's illuminance of ASTM G173-03 is the constant by which its shape is scaled to one lux.
#[test]
fn one_lux_of_daylight_is_one_lux() {
    let sun = g173();
    let matrix = Matrix::build(&sun.wavelength_nm, (280.0, 1100.0), SourceRule::Sun);
    let lux = values(&matrix, &sun.global_tilt)[index_of("illuminance").expect("a quantity")].clone().expect("a value");
    assert!((lux / G173_LX - 1.0).abs() < 1e-4, "want {G173_LX} lx, got {lux} lx");
}
