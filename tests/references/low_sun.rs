//! The simulated sky against Bird & Riordan's model in pvlib.

use crate::support::python;
use std::sync::LazyLock;
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
