//! The certificate inverts the detector: its corrections, applied to counts, give the irradiance of the scene.

use super::*;
use crate::simulator::calibration_errors::{DrawnTerms, floor_outside_band};
use crate::simulator::integrals;
use crate::simulator::light::{Grid, Light};
use crate::simulator::optic::OpticSettings;
use crate::simulator::scenes::Scene;
use crate::simulator::settings::CertificateSettings;
use crate::simulator::sky::ClearSky;
use crate::simulator::thermal::Ambient;
use crate::sun::Place;

const START: UtcMicros = UtcMicros(1_782_036_000_000_000);

/// The numbers of a certificate, read with a TOML library only.
struct Certificate(toml::Table);

impl Certificate {
    fn of(settings: &Settings) -> Self {
        Self(super::certificate(settings).unwrap().parse().unwrap())
    }
    fn number(&self, section: &str, key: &str) -> f64 {
        self.0[section][key].as_float().unwrap()
    }
    fn list(&self, section: &str, key: &str) -> Vec<f64> {
        self.0[section][key].as_array().unwrap().iter().map(|v| v.as_float().unwrap()).collect()
    }
    fn wavelength(&self, pixel: usize) -> f64 {
        self.list("wavelength", "coefficients").iter().rev().fold(0.0, |s, c| s * pixel as f64 + c)
    }
    fn response(&self, nm: f64) -> f64 {
        let (x, y) = (self.list("response", "wavelength_nm"), self.list("response", "counts_per_s_per_w_m2_nm"));
        let i = x.partition_point(|x| *x <= nm).clamp(1, x.len() - 1);
        y[i - 1] + (y[i] - y[i - 1]) * (nm - x[i - 1]) / (x[i] - x[i - 1])
    }
}

struct Fixed(Light);

impl Scene for Fixed {
    fn mean_light(&mut self, _: UtcMicros, _: f64, light: &mut Light) {
        light.clone_from(&self.0);
    }
}

/// A settled detector at its reference temperature.
fn settled() -> Settings {
    let mut settings = Settings::default();
    settings.warm_up.minutes = 0.0;
    settings.ambient = Ambient::constant(20.0);
    settings.optic = OpticSettings::perfect();
    settings
}

/// Noise-free count rates of light: (light − dark at the same time), linearised as the certificate says.
fn rates(settings: &Settings, certificate: &Certificate, light: Light, length_s: f64) -> Vec<f64> {
    let mut station = SimulatedStation::with_scene(settings, START, Box::new(Fixed(light))).unwrap();
    station.set_noise(false);
    let (lit, _) = station.expose(START, length_s, true);
    let (dark, _) = station.expose(START, length_s, false);
    let (offset, _) = station.expose(START, 0.0, false);
    let c = certificate.list("linearity", "coefficients");
    let straight = |m: f64| m / c.iter().rev().fold(0.0, |s, c| s * m + c);
    (0..lit.len())
        .map(|p| {
            let above = |n: u32| straight(f64::from(n) - f64::from(offset[p]));
            (above(lit[p]) - above(dark[p])) / length_s
        })
        .collect()
}

fn sun(elevation: f64, grid: Grid) -> Light {
    let sky = ClearSky::new(Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 300.0 }, 300.0, grid);
    let mut light = Light::dark(grid);
    sky.compute(elevation, 1.0, &mut light);
    light
}

/// Convolution of light with the Gaussian slit, by a 0.02 nm sum.
fn convolved(light: &[f64], grid: Grid, nm: f64, fwhm: f64) -> f64 {
    let (mut sum, mut norm) = (0.0, 0.0);
    for k in -250..=250 {
        let x = f64::from(k) * 0.02;
        let place = nm + x - f64::from(grid.first_nm);
        if place < 0.0 || place >= (grid.nodes - 1) as f64 {
            continue;
        }
        let i = place as usize;
        let e = light[i] + (light[i + 1] - light[i]) * (place - i as f64);
        let w = (-4.0 * std::f64::consts::LN_2 * (x / fwhm).powi(2)).exp();
        sum += w * e;
        norm += w;
    }
    sum / norm
}

/// Identity: counts divided by the certificate's response are the convolved irradiance to 0.2 %, without stray light.
#[test]
fn the_certificate_gives_the_convolved_irradiance() {
    let mut settings = settled();
    settings.detector.stray_floor = 0.0;
    settings.detector.stray_wing = 0.0;
    let (certificate, grid) = (Certificate::of(&settings), SimulatedStation::grid_of(&settings));
    let mut light = Light::dark(grid);
    for (i, e) in light.sky.iter_mut().enumerate() {
        *e = 0.5 + 0.3 * (grid.nm(i) / 40.0).sin();
    }
    let rate = rates(&settings, &certificate, light.clone(), 0.01);
    let mut worst = 0.0f64;
    for p in (30..2020).step_by(7) {
        let nm = certificate.wavelength(p);
        let (want, got) = (
            convolved(&light.total(), grid, nm, certificate.number("wavelength", "fwhm_nm")),
            rate[p] / certificate.response(nm),
        );
        // One count is what rounding can take from either frame.
        let rounding = 2.0 / (0.01 * rate[p]);
        assert!((got / want - 1.0).abs() < 2e-3 + rounding, "{nm} nm: want {want}, got {got}");
        worst = worst.max((got / want - 1.0).abs() - rounding);
    }
    assert!(worst < 2e-3);
}

/// Identity: the stated shift and coefficient give the irradiance at another temperature.
#[test]
fn the_certificate_holds_at_other_temperatures() {
    let mut settings = settled();
    settings.detector.stray_floor = 0.0;
    settings.detector.stray_wing = 0.0;
    settings.ambient = Ambient::constant(32.0);
    let (certificate, grid) = (Certificate::of(&settings), SimulatedStation::grid_of(&settings));
    let excess_k = 32.0 + 5.0 - certificate.number("calibration", "temperature_c");
    let light = sun(40.0, grid);
    let rate = rates(&settings, &certificate, light.clone(), 0.008);
    for p in (300..2000).step_by(13) {
        let nm = certificate.wavelength(p) + certificate.number("wavelength", "shift_nm_per_k") * excess_k;
        let per_k = if nm < 900.0 { 1e-4 } else { 1e-4 + (4e-3 - 1e-4) * (nm - 900.0) / 150.0 };
        let got = rate[p] / certificate.response(nm) / (1.0 + per_k * excess_k);
        let want = convolved(&light.total(), grid, nm, 2.0);
        assert!((got / want - 1.0).abs() < 2e-3 + 2.0 / (0.008 * rate[p]), "{nm} nm: want {want}, got {got}");
    }
}

/// Identity: subtracting the mean rate of the pixels at 281–289 nm leaves at most 3 % on the UV index above 30° of sun.
#[test]
fn the_floor_band_leaves_at_most_three_per_cent_on_the_uv_index() {
    let settings = settled();
    let (certificate, grid) = (Certificate::of(&settings), SimulatedStation::grid_of(&settings));
    for elevation in [30.0, 45.0, 65.0] {
        let light = sun(elevation, grid);
        // Without noise, and with a long bracket for the ultraviolet without clipping.
        let mut quiet = settings.clone();
        quiet.detector.full_scale = 65_535;
        let rate = clean_rates(&quiet, &light);
        let lit: Vec<usize> = (8..2040).collect();
        let band: Vec<f64> =
            lit.iter().filter(|p| (281.0..=289.0).contains(&certificate.wavelength(**p))).map(|p| rate[*p]).collect();
        let floor = band.iter().sum::<f64>() / band.len() as f64;
        let peak = rate.iter().copied().fold(0.0, f64::max);
        let index = |take: f64| {
            let (mut sum, mut before) = (0.0, None);
            for p in &lit {
                let nm = certificate.wavelength(*p);
                if !(290.0..=400.0).contains(&nm) {
                    continue;
                }
                let weight = if nm <= 298.0 {
                    1.0
                } else if nm <= 328.0 {
                    10f64.powf(0.094 * (298.0 - nm))
                } else {
                    10f64.powf(0.015 * (140.0 - nm))
                };
                let y = 40.0 * weight * (rate[*p] - take) / certificate.response(nm);
                if let Some((x0, y0)) = before {
                    sum += 0.5 * (nm - x0) * (y + y0);
                }
                before = Some((nm, y));
            }
            sum
        };
        let want = integrals::uv_index(&light.total(), grid);
        let (raw, corrected) = (index(0.0), index(floor));
        println!(
            "sun {elevation}: UV index {want:.3}, with stray light {raw:.3}, floor taken {corrected:.3} ({:+.2} %), floor/peak {:.2e}",
            100.0 * (corrected / want - 1.0),
            floor / peak
        );
        assert!(raw - want > 0.3, "stray light matters");
        assert!((corrected / want - 1.0).abs() < 0.03);
        assert!((0.5e-4..2.5e-4).contains(&(floor / peak)), "{}", floor / peak);
    }
}

/// Rates without rounding, clipping or dark, to which the sum of many exposures would converge.
fn clean_rates(settings: &Settings, light: &Light) -> Vec<f64> {
    let mut station = SimulatedStation::with_scene(settings, START, Box::new(Fixed(light.clone()))).unwrap();
    station.detector_mut().light_rates(&light.total(), 0.0)
}

#[test]
fn the_certificate_is_deterministic_and_contains_stated_errors() {
    let settings = settled();
    assert_eq!(certificate(&settings).unwrap(), certificate(&settings).unwrap());
    let mut wrong = settings.clone();
    wrong.certificate.error_scale = 0.05;
    wrong.certificate.error_wavelength_nm = 0.3;
    let (right, wrong) = (Certificate::of(&settings), Certificate::of(&wrong));
    assert!((wrong.response(500.0) / right.response(500.0) - 1.05).abs() < 1e-9);
    assert!((wrong.wavelength(500) - right.wavelength(500) - 0.3).abs() < 1e-9);
}

/// Identity: over many laboratories, drawn errors have the stated standard deviation and correlation.
#[test]
fn drawn_errors_have_the_stated_deviation_and_correlation() {
    const LABORATORIES: u64 = 400;
    let right = Certificate::of(&settled());
    let mut errors: Vec<[f64; 4]> = Vec::new();
    for seed in 0..LABORATORIES {
        let mut settings = settled();
        settings.certificate.drawn_errors = Some(seed);
        let drawn = Certificate::of(&settings);
        let response = [300.0, 500.0, 550.0].map(|nm| drawn.response(nm) / right.response(nm) - 1.0);
        errors.push([response[0], response[1], response[2], drawn.wavelength(500) - right.wavelength(500)]);
    }
    let n = LABORATORIES as f64;
    let covariance = |a: usize, b: usize| errors.iter().map(|e| e[a] * e[b]).sum::<f64>() / n;
    // Four standard errors of a deviation from that many.
    for (k, stated) in [(0, 0.02), (1, 0.01), (2, 0.01), (3, 0.03)] {
        let got = covariance(k, k).sqrt();
        assert!((got / stated - 1.0).abs() < 4.0 / (2.0 * n).sqrt(), "{k}: stated {stated}, drawn {got}");
    }
    let floor = |seed| {
        let stated = CertificateSettings { drawn_errors: Some(seed), ..CertificateSettings::default() };
        floor_outside_band(&stated).unwrap() - 1.0
    };
    let stray = ((0..LABORATORIES).map(|seed| floor(seed).powi(2)).sum::<f64>() / n).sqrt();
    assert!((stray / 0.15 - 1.0).abs() < 4.0 / (2.0 * n).sqrt(), "stray floor: stated 0.15, drawn {stray}");
    assert_eq!(floor_outside_band(&CertificateSettings::default()), None);
    let terms =
        |seed| DrawnTerms::new(&CertificateSettings { drawn_errors: Some(seed), ..CertificateSettings::default() });
    let all: Vec<DrawnTerms> = (0..LABORATORIES).map(terms).collect();
    let mean = |of: &dyn Fn(&DrawnTerms) -> f64| all.iter().map(of).sum::<f64>() / n;
    for nm in [300.0, 550.0, 900.0] {
        let variance = mean(&|t| t.along_scale(nm).powi(2));
        assert!((variance - 1.0).abs() < 4.0 * (2.0 / n).sqrt(), "{nm} nm: {variance}");
    }
    let far = mean(&|t| t.along_scale(310.0) * t.along_scale(650.0));
    assert!(far.abs() < 0.5, "an error that varies along the scale is not common to it: {far}");
    for k in 0..6 {
        let variance = mean(&|t| [t.beam, t.sky, t.fwhm, t.linearity, t.coefficient, t.shift_per_k][k].powi(2));
        assert!((variance - 1.0).abs() < 4.0 * (2.0 / n).sqrt(), "{k}: {variance}");
    }
    let (got, want) = (covariance(1, 2) / 1e-4, 0.5 + 0.5 * (-1.0f64).exp());
    assert!((got - want).abs() < 4.0 / n.sqrt(), "50 nm apart: want {want}, got {got}");
}

/// Identity: linear interpolation between the entries errs by less than 0.05 %.
#[test]
fn interpolation_between_entries_errs_little() {
    let settings = settled();
    let certificate = Certificate::of(&settings);
    let station = SimulatedStation::with_scene(
        &settings,
        START,
        Box::new(Fixed(Light::dark(SimulatedStation::grid_of(&settings)))),
    )
    .unwrap();
    for i in 0..1500 {
        let nm = 280.0 + f64::from(i) * 0.5;
        let (want, got) = (station.detector().response(nm), certificate.response(nm));
        assert!((got / want - 1.0).abs() < 5e-4, "{nm} nm");
    }
}
