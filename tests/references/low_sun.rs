//! The simulated sky, and the model by which the program corrects the cosine response, against Bird & Riordan's model in pvlib.

use crate::support::python;
use std::sync::LazyLock;
use vigilux::reduction::beam_share::{BeamShare, clear_sky};
use vigilux::simulator::sky::transmittance::{Atmosphere, Path, Transmittances};

static SPECTRA: LazyLock<serde_json::Value> = LazyLock::new(|| python::json_of("tests/references/low_sun.py"));

fn number(value: &serde_json::Value, key: &str) -> f64 {
    value[key].as_f64().unwrap_or_else(|| panic!("low_sun.py answers no number {key}"))
}

fn numbers(value: &serde_json::Value, key: &str) -> Vec<f64> {
    let list = value[key].as_array().unwrap_or_else(|| panic!("low_sun.py answers no list {key}"));
    list.iter().map(|x| x.as_f64().unwrap_or(f64::NAN)).collect()
}

fn cases() -> &'static [serde_json::Value] {
    SPECTRA["cases"].as_array().expect("low_sun.py answers cases")
}

/// Independent: pvlib 0.16.1 `spectrl2` at its own wavelengths, sun at 4° to 80°, seven atmospheres. Below 320 nm the simulator has ozone
/// of another source.
#[test]
fn the_simulated_clear_sky_is_bird_and_riordans() {
    const WITHIN: f64 = 1e-3;
    let wavelength_nm = numbers(&SPECTRA, "wavelength_nm");
    let model = Transmittances::new(&wavelength_nm);
    let first = wavelength_nm.iter().position(|nm| *nm >= 320.0).expect("wavelengths from 320 nm on");
    let (mut beam, mut sky) = (vec![0.0; wavelength_nm.len()], vec![0.0; wavelength_nm.len()]);
    let (mut compared, mut worst) = (0, 0.0f64);
    for case in cases().iter().filter(|case| number(case, "elevation_deg") >= 4.0) {
        let atmosphere = Atmosphere {
            pressure_hpa: number(case, "pressure_hpa"),
            aerosol: number(case, "aerosol"),
            ozone_du: number(case, "ozone_du"),
            water_cm: number(case, "water_cm"),
            albedo: number(case, "albedo"),
        };
        let elevation = number(case, "elevation_deg");
        model.fill(&atmosphere, Path::at(elevation), &mut beam, &mut sky);
        for (name, got) in [("beam", &beam), ("sky", &sky)] {
            for (i, want) in numbers(case, name).into_iter().enumerate().skip(first) {
                let off = (got[i] - want).abs();
                worst = worst.max(off);
                compared += 1;
                assert!(
                    off < WITHIN,
                    "{name} at {elevation}° and {} nm: want {want}, got {}, off by {off}",
                    wavelength_nm[i],
                    got[i]
                );
            }
        }
    }
    println!("{compared} transmittances, at most {worst:e} apart");
    assert!(compared > 8000, "{compared}");
}

/// Independent: the beam's share of the horizontal irradiance in pvlib 0.16.1 `spectrl2`, 320–900 nm, sun at 3° to 60°, aerosol optical depth
/// 0.05 to 0.4, ground albedo 0.2, sea level.
#[test]
fn the_share_of_the_beam_is_near_that_of_bird_and_riordan() {
    const WITHIN: f64 = 0.06;
    let wavelength_nm = numbers(&SPECTRA, "wavelength_nm");
    let (mut compared, mut worst) = (0, (0.0f64, 0.0, 0.0, 0.0));
    let ground = |case: &&serde_json::Value| number(case, "albedo") == 0.2 && number(case, "elevation_deg") <= 60.0;
    for case in cases().iter().filter(ground) {
        let (elevation, aerosol) = (number(case, "elevation_deg"), number(case, "aerosol"));
        let share = BeamShare { share: clear_sky(elevation, 1.0, aerosol).share, ..BeamShare::NONE };
        for (nm, want) in
            wavelength_nm.iter().zip(numbers(case, "beam_share")).filter(|(nm, _)| (320.0..=900.0).contains(*nm))
        {
            let off = share.at(*nm).0 - want;
            compared += 1;
            if off.abs() > worst.0.abs() {
                worst = (off, elevation, aerosol, *nm);
            }
            assert!(off.abs() < WITHIN, "{elevation}°, aerosol {aerosol}, {nm} nm: want {want}, off by {off}");
        }
    }
    println!("{compared} shares; farthest off {:+.4} at {}°, aerosol {}, {} nm", worst.0, worst.1, worst.2, worst.3);
    assert!(compared > 1500, "{compared}");
}
