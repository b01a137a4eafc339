//! The separation of lamps from daylight, under skies of another model.

use crate::support::python;
use vigilux::calibration::file::parse_stored;
use vigilux::clock::UtcMicros;
use vigilux::record::Detector;
use vigilux::reduction::Scale;
use vigilux::reduction::lamps::{Daylight, LampShape, Light, STRUCTURE, separate};
use vigilux::simulator::certificate::certificate;
use vigilux::simulator::settings::Settings;

/// Largest error of the lamps' PPFD, relative to that of all light.
const ALLOWED: f64 = 0.015;

/// Independent: skies of SPECTRL2 (pvlib 0.16.1), whose atmospheres are not that of the reference sun, mixed with lamps whose shape was
/// learned without any sun. The lamps' part is right within 1.5 % of the total PPFD, also when a peak of the lamp has moved by 2 nm since, and
/// the stated interval holds it in at least 95 %.
#[test]
fn lamps_are_separated_from_daylight_of_another_atmosphere() {
    let found = python::json_of("tests/references/lamps.py");
    let calibration = parse_stored(&certificate(&Settings::default()).unwrap(), None).unwrap();
    let detector = Detector {
        pixels: 2048,
        full_scale: 65_535,
        shielded: Default::default(),
        integration_min_s: 0.001,
        integration_max_s: 60.0,
        has_shutter: true,
        transfer_s: 0.1,
    };
    let scale = Scale::new(&calibration, &detector, 0);
    let spectrum = |of: &serde_json::Value| -> Vec<f64> {
        let values: Vec<f64> = of.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
        let at = |nm: &f64| {
            let place = (nm - 380.0).clamp(0.0, (values.len() - 2) as f64);
            let (i, share) = (place as usize, place.fract());
            values[i] + share * (values[i + 1] - values[i])
        };
        let within = |nm: &&f64| (380.0..=720.0).contains(*nm);
        scale.wavelength_nm.iter().map(|nm| if within(&nm) { at(nm) } else { 0.0 }).collect()
    };
    let skies: Vec<Vec<f64>> = found["skies"].as_array().unwrap().iter().map(spectrum).collect();
    let daylight = Daylight::new(calibration.wavelength.fwhm_nm);
    let (saturated, variance) = (vec![false; detector.pixels], vec![0.0; detector.pixels]);
    assert_eq!(skies.len(), 56);
    for name in ["red_blue", "white", "sodium"] {
        let learned = spectrum(&found["lamps"][name]["0"]);
        let rate = learned.iter().zip(&scale.response).map(|(e, r)| (e * r * 1e3) as f32).collect();
        let (mut plain, mut structured) = (0.0f64, 1.0f64);
        let shapes = [LampShape { seen: UtcMicros(0), rate }];
        for shift in ["0", "2", "-2"] {
            let lamp = spectrum(&found["lamps"][name][shift]);
            let (mut worst, mut squares, mut held, mut cases) = (0.0f64, 0.0, 0, 0);
            for sky in &skies {
                for share in [0.0, 0.05, 0.3, 0.7, 0.95] {
                    // 500 µmol m⁻² s⁻¹.
                    let light: Vec<f64> =
                        sky.iter().zip(&lamp).map(|(s, l)| 500.0 * ((1.0 - share) * s + share * l)).collect();
                    let (inverse, saturated) = (&scale.inverse_response[..], &saturated[..]);
                    let light = Light { irradiance: &light, variance: &variance, inverse, saturated };
                    let part = separate(&light, &scale, &daylight, &shapes).unwrap();
                    // Without the shape, only structure beyond daylight is seen.
                    let unknown = separate(&light, &scale, &daylight, &[]).unwrap();
                    assert_eq!((unknown.lamps_ppfd, unknown.lamps_uncertainty), (0.0, 0.0));
                    if share == 0.0 {
                        plain = plain.max(unknown.residual);
                    } else if share >= 0.3 {
                        structured = structured.min(unknown.residual);
                    }
                    let error = (part.lamps_ppfd - 500.0 * share) / 500.0;
                    worst = worst.max(error.abs());
                    squares += error * error;
                    cases += 1;
                    held += u32::from((error * 500.0).abs() <= 2.0 * part.lamps_uncertainty);
                }
            }
            let rms = (squares / f64::from(cases)).sqrt();
            let held = f64::from(held) / f64::from(cases);
            println!(
                "{name} {shift:>2} nm: errors {:.2} % rms, {:.2} % at most, {:.1} % held",
                100.0 * rms,
                100.0 * worst,
                100.0 * held
            );
            assert!(worst <= ALLOWED, "{name}, shifted by {shift} nm: {worst}");
            assert!(held >= 0.95, "{name}, shifted by {shift} nm: {held}");
        }
        println!(
            "{name}: residual without the shape {plain:.4} at most under daylight, {structured:.4} at least with 30 % of lamps"
        );
        assert!(plain < STRUCTURE && structured > STRUCTURE);
    }
}
