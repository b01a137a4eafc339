//! The physics of the detector.

use super::*;
use crate::simulator::thermal::Condition;

const GRID: Grid = Grid { first_nm: 265, nodes: 801 };
const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

fn detector(settings: &DetectorSettings) -> Detector {
    Detector::new(settings, 5, GRID, &vec![1.0; GRID.nodes])
}

fn conditions(length_s: f64, open: bool, temperature_c: f64) -> ExposureConditions {
    let condition = Condition { temperature_c, extra_offset_counts: 0.0, extra_shift_nm: 0.0 };
    ExposureConditions { start: START, length_s, open, condition, age_s: 0.0, response: 1.0, dark: 1.0 }
}

/// No stray light, no hot pixels, no non-linearity.
fn plain() -> DetectorSettings {
    DetectorSettings {
        stray_floor: 0.0,
        stray_wing: 0.0,
        hot_share: 0.0,
        linearity_coefficients: vec![1.0],
        ..DetectorSettings::default()
    }
}

/// Identity: the variance of a pixel is signal/(electrons per count) + read noise² + rounding.
#[test]
fn noise_is_shot_noise_and_read_noise() {
    let mut d = detector(&plain());
    let light = vec![0.5; GRID.nodes];
    for (length, open) in [(0.002, true), (0.01, true), (0.01, false)] {
        d.noise = false;
        let mean = f64::from(d.expose(&light, conditions(length, open, 25.0))[900]);
        let offset = f64::from(d.expose(&light, conditions(0.0, false, 25.0))[900]);
        d.noise = true;
        let n = 3000;
        let values: Vec<f64> =
            (0..n).map(|_| f64::from(d.expose(&light, conditions(length, open, 25.0))[900])).collect();
        let average = values.iter().sum::<f64>() / f64::from(n);
        let variance = values.iter().map(|v| (v - average).powi(2)).sum::<f64>() / f64::from(n - 1);
        let want = (mean - offset) / 3.0 + 49.0 + 1.0 / 12.0;
        // The relative standard error of a variance is √(2/n) = 2.6 %; four of them.
        assert!((variance / want - 1.0).abs() < 0.11, "{length} s: want {want}, got {variance}");
        assert!((average - mean).abs() < 4.0 * (want / f64::from(n)).sqrt() + 0.5);
    }
}

/// Identity: dark charge doubles every 7 K and grows in proportion to time.
#[test]
fn dark_current_doubles_every_seven_kelvin() {
    let mut d = detector(&DetectorSettings { offset_counts_per_k: 0.0, ..plain() });
    d.noise = false;
    let light = vec![0.0; GRID.nodes];
    let mut above = |length: f64, celsius: f64| -> f64 {
        let dark: u32 = d.expose(&light, conditions(length, false, celsius)).iter().sum();
        let bias: u32 = d.expose(&light, conditions(0.0, false, celsius)).iter().sum();
        f64::from(dark) - f64::from(bias)
    };
    let base = above(10.0, 20.0);
    assert!((base / 2048.0 / 10.0 / 20.0 - 1.0).abs() < 0.05, "{} counts/s", base / 20480.0);
    assert!((above(20.0, 20.0) / base - 2.0).abs() < 1e-2);
    assert!((above(10.0, 27.0) / base - 2.0).abs() < 1e-2);
    assert!((above(10.0, 13.0) / base - 0.5).abs() < 1e-2);
}

/// Identity: the offset follows the temperature by its coefficient, also in shielded pixels.
#[test]
fn the_offset_follows_the_temperature() {
    let mut d = detector(&plain());
    d.noise = false;
    let light = vec![1.0; GRID.nodes];
    let cold = d.expose(&light, conditions(0.0, true, 15.0));
    let warm = d.expose(&light, conditions(0.0, true, 35.0));
    for p in [0, 7, 900, 2047] {
        assert_eq!(warm[p] - cold[p], 30, "20 K at 1.5 counts/K");
    }
}

/// Identity: shielded pixels receive neither light nor stray light.
#[test]
fn shielded_pixels_stay_dark() {
    let mut d = detector(&DetectorSettings { stray_floor: 0.01, stray_wing: 0.05, ..DetectorSettings::default() });
    d.noise = false;
    let light = vec![0.2; GRID.nodes];
    let lit = d.expose(&light, conditions(0.01, true, 25.0));
    let dark = d.expose(&light, conditions(0.01, false, 25.0));
    for p in 0..2048 {
        let shielded = !(8..2040).contains(&p);
        assert_eq!(lit[p] == dark[p], shielded, "pixel {p}");
    }
}

/// Identity: counts divided by the polynomial are the charge, to rounding, up to full scale.
#[test]
fn the_linearity_polynomial_inverts_the_nonlinearity() {
    let coefficients = vec![1.0, -6.0e-7, 2.0e-12];
    let counts_of = |coefficients: &[f64], charge: f64| {
        let ([m], [slope]) = nonlinear_counts(coefficients, [charge]);
        (m, slope)
    };
    for i in 0..660 {
        let charge = f64::from(i) * 100.0;
        let (m, slope) = counts_of(&coefficients, charge);
        let back = m / coefficients.iter().rev().fold(0.0, |s, c| s * m + c);
        assert!((back - charge).abs() < 1e-6, "{charge}: {back}");
        let numerical =
            (counts_of(&coefficients, charge + 0.5).0 - counts_of(&coefficients, charge - 0.5).0.max(-1.0)) / 1.0;
        assert!((slope - numerical).abs() < 1e-6, "{charge}: slope {slope}, {numerical}");
    }
    let (m, _) = counts_of(&DetectorSettings::default().linearity_coefficients, 65_000.0);
    assert!((0.95..0.98).contains(&(m / 65_000.0)), "a few per cent at full scale: {}", m / 65_000.0);
}

/// Identity: a clipped pixel reads full scale and blooms into the stated neighbours only.
#[test]
fn clipped_pixels_read_full_scale_and_bloom_as_far_as_stated() {
    let mut settings = plain();
    settings.fwhm_nm = 0.5;
    let mut narrow = vec![0.0; GRID.nodes];
    narrow[550 - 265] = 4.0;
    let shot = |settings: &DetectorSettings| {
        let mut d = detector(settings);
        d.noise = false;
        d.expose(&narrow, conditions(0.05, true, 25.0))
    };
    let blooming = shot(&settings);
    settings.blooming_pixels = 0;
    let without = shot(&settings);
    let clipped: Vec<usize> = (0..2048).filter(|p| without[*p] == 65_535).collect();
    assert!(!clipped.is_empty());
    let (first, last) = (clipped[0], clipped[clipped.len() - 1]);
    for p in 0..2048 {
        let distance = if p < first { first - p } else { p.saturating_sub(last) };
        match distance {
            0 => assert_eq!(blooming[p], 65_535),
            1..=4 => assert!(blooming[p] > without[p], "pixel {p} got nothing"),
            _ => assert_eq!(blooming[p], without[p], "pixel {p} at distance {distance}"),
        }
    }
}

/// Identity: full daylight reaches three quarters of full scale in 5 to 10 ms, and the response at 300 nm is 0.05 to 0.2 of that at 550 nm.
#[test]
fn full_daylight_reaches_full_scale_within_milliseconds() {
    let table = crate::spectrum::g173::g173();
    let light = GRID.sample(&table.wavelength_nm, &table.global_tilt);
    let mut d = detector(&DetectorSettings::default());
    d.noise = false;
    let level = |counts: &[u32]| f64::from(*counts.iter().max().unwrap()) / 65_535.0;
    assert!(level(&d.expose(&light, conditions(0.005, true, 25.0))) < 0.75);
    assert!(level(&d.expose(&light, conditions(0.010, true, 25.0))) > 0.75);
    let ratio = d.response(300.0) / d.response(550.0);
    assert!((0.05..0.2).contains(&ratio), "{ratio}");
}

/// Identity: dead, hot and stuck pixels from their start on; loss of response per month.
#[test]
fn pixel_faults_and_response_losses_follow_their_settings() {
    let mut d =
        detector(&DetectorSettings { response_loss_per_month: 0.02, response_loss_uv_per_month: 0.1, ..plain() });
    d.noise = false;
    let light = vec![0.2; GRID.nodes];
    let from = Some(START.plus_seconds(10.0));
    d.pixel_faults = vec![
        PixelFault { pixel: 700, dead: true, from, ..PixelFault::default() },
        PixelFault { pixel: 800, hot_counts_per_s: 1e5, from, ..PixelFault::default() },
        PixelFault { pixel: 900, stuck_counts: Some(2345), from, ..PixelFault::default() },
    ];
    let before = d.expose(&light, conditions(0.01, true, 20.0));
    let mut later = conditions(0.01, true, 20.0);
    later.start = START.plus_seconds(20.0);
    later.age_s = MONTH_S;
    let after = d.expose(&light, later);
    let dark = d.expose(&light, ExposureConditions { open: false, ..later });
    assert_eq!(after[700], dark[700]);
    assert!(before[700] > dark[700] + 1000);
    assert!(before[900] != 2345 && after[900] == 2345 && dark[900] == 2345);
    let glow = i64::from(dark[800]) - i64::from(d.expose(&light, conditions(0.01, false, 20.0))[800]);
    assert!((glow - 1000).abs() <= 1, "{glow}");
    let loss = |p: usize| (f64::from(after[p]) - f64::from(dark[p])) / (f64::from(before[p]) - f64::from(dark[p]));
    assert!((loss(1500) / (-0.02f64).exp() - 1.0).abs() < 1e-3, "{}", loss(1500));
    assert!(loss(60) < 0.93, "the ultraviolet fades faster: {}", loss(60));
}

/// Identity: the scale shifts with temperature as stated; a step of the spectrum moves over the pixels.
#[test]
fn the_scale_shifts_with_temperature() {
    let mut d = detector(&DetectorSettings { response_width: 5.0, ..plain() });
    let step: Vec<f64> = (0..GRID.nodes).map(|i| if GRID.nm(i) < 550.0 { 0.0 } else { 0.4 }).collect();
    // Where the step reaches half of its height [nm of the scale].
    let mut edge = |celsius: f64| {
        let mut rate = vec![0.0; 2048];
        d.in_band(&step, 0.007 * (celsius - 25.0), &mut rate);
        let half = 0.5 * 0.4 * d.response(550.0);
        let p = (8..2040).find(|p| rate[*p] > half).unwrap();
        let share = (half - rate[p - 1]) / (rate[p] - rate[p - 1]);
        d.wavelength_nm[p - 1] + share * (d.wavelength_nm[p] - d.wavelength_nm[p - 1])
    };
    let moved = edge(45.0) - edge(25.0);
    // Reading the edge off pixels 0.37 nm apart errs by up to 3e-3 nm.
    assert!((moved + 0.14).abs() < 3e-3, "true wavelength is 0.14 nm more, so the step moves to {moved}");
}

/// Identity: an uneven floor differs from a uniform one outside its band only, by the ratio.
#[test]
fn an_uneven_floor_differs_outside_its_band_only() {
    let settings = DetectorSettings { stray_wing: 0.0, ..DetectorSettings::default() };
    let light = vec![1.0; GRID.nodes];
    let mut d = detector(&settings);
    let mut rate = vec![0.0; settings.pixels];
    d.in_band(&light, 0.0, &mut rate);
    let even = d.light_rates(&light, 0.0);
    d.set_floor_outside([281.0, 289.0], 1.5);
    let uneven = d.light_rates(&light, 0.0);
    let lit: Vec<usize> = (0..settings.pixels).filter(|p| d.lit()[*p]).collect();
    let inside = |p: &usize| (281.0..=289.0).contains(&d.wavelength_nm()[*p]);
    assert!(lit.iter().any(inside));
    for p in lit {
        let (was, is) = (even[p] - rate[p], uneven[p] - rate[p]);
        let want = if inside(&p) { was } else { 1.5 * was };
        assert!(was > 0.0 && (is - want).abs() < 1e-9 * even[p], "pixel {p}: {was} became {is}, want {want}");
    }
}
