//! Sunlight: the reference spectra of ASTM G173-03.

use crate::data::{Quantities, close, number, numbers, reference};
use vigilux::quantities::SourceRule;

/// The range of the comparison [nm]: the spectra's own reaches to 4000 nm.
const RANGE: (f64, f64) = (280.0, 1050.0);

fn g173(name: &str) -> Quantities {
    let light = numbers(&format!("/g173/{name}"));
    Quantities::of(&numbers("/g173_wavelength_nm"), &light, RANGE, SourceRule::Sun)
}

/// Independent: numpy trapezoid on a 0.01 nm grid over the spectra pvlib 0.16.1 ships.
#[test]
fn g173_integrals_agree_with_a_fine_grid() {
    /// 0.1 nm nodes leave h²/12·(EW)″ of a linear spectrum; photons and tables bend less than 1e-7 of the integral.
    const SMOOTH: f64 = 1e-6;
    /// V and the spectrum are both linear over the same nanometre, their product bends by 1²/12·2·V′E′: rough solar lines
    /// leave up to 2.1e-6 of the integral.
    const TABLE: f64 = 3e-6;
    /// The erythema curve halves every 3.2 nm and the solar edge doubles every 0.6 nm: 0.1²/12 · 2·0.22·1.2 is 4e-4 at
    /// the very edge, and a tenth of that over the integral.
    const STEEP: f64 = 5e-5;
    /// The weighting for plant damage falls to zero at 313.3 nm, more than twice as steeply.
    const TO_ZERO: f64 = 2e-4;
    for name in ["global", "direct", "extraterrestrial"] {
        let ours = g173(name);
        for (id, want) in reference(&format!("/g173_quantities/{name}")).as_object().unwrap() {
            let want = want.as_f64().unwrap();
            let tolerance = match id.as_str() {
                "plant_damage_uv_irradiance" => TO_ZERO,
                "erythemal_irradiance" | "uv_index" | "plant_growth_uv_irradiance" => STEEP,
                "illuminance" => TABLE,
                _ => SMOOTH,
            };
            close(name, id, want, ours.get(id), tolerance * want.abs());
        }
    }
}

/// Independent: integrals of the tilted global spectrum by the trapezoid on its own 0.5 and 1 nm grid (numpy 2.4), to twelve
/// digits; illuminance on the union with the 1 nm table, at 683 lm/W.
#[test]
fn g173_global_has_the_figures_of_its_native_grid() {
    /// The native grid takes λ only at the samples: λ·E bends by 1²/12·2·E′ between them.
    const PHOTONS: f64 = 2e-5;
    let ours = g173("global");
    for (id, want) in [
        ("ppfd", 1_977.867_880_41),
        ("eppfd", 2_341.677_939_55),
        ("pfd_blue", 528.899_405_431),
        ("pfd_green", 693.797_906_484),
        ("pfd_red", 755.170_568_491),
        ("pfd_far_red", 708.307_776_183),
        ("red_far_red_ratio", 1.096_522_096_18),
        ("red_far_red_ratio_wide", 1.066_161_623_36),
    ] {
        close("G173 global", id, want, ours.get(id), PHOTONS * want);
    }
    // The same rule to the last step; what remains is rounding.
    close("G173 global", "illuminance", 109_494.883_432 * 683.002 / 683.0, ours.get("illuminance"), 1e-6);
    close("G173 global", "uva", 45.420_367_5, ours.get("uva"), 1e-7);
    // 4.60150017159 µmol in a joule of photosynthetic light.
    close("G173 global", "ppfd", 4.601_500_171_59 * ours.get("par_irradiance"), ours.get("ppfd"), PHOTONS * 1978.0);
}

/// Published: the definition 1 UV index = 25 mW/m² (WHO 2002). Independent: 46.1026977339 W/m² over 280–400 nm, 0.682330233939 of
/// it below 315 nm (numpy trapezoid on the spectrum's own grid).
#[test]
fn g173_ultraviolet_adds_up() {
    let axis = numbers("/g173_wavelength_nm");
    let light = numbers("/g173/global");
    let lamp = Quantities::of(&axis, &light, RANGE, SourceRule::Lamp);
    close("G173 global as of a lamp", "uvb", 0.682_330_233_939, lamp.get("uvb"), 1e-9);
    close("G173 global as of a lamp", "uva", 46.102_697_733_9 - 0.682_330_233_939, lamp.get("uva"), 1e-7);
    let sun = g173("global");
    close("G173 global", "uv_index", sun.get("erythemal_irradiance") / 0.025, sun.get("uv_index"), 1e-9);
    // Below 290 nm the spectrum holds 1e-9 W/m²: the sun's lower limit takes nothing away.
    close("G173 global", "uvb", lamp.get("uvb"), sun.get("uvb"), 1e-7);
}

/// Independent: the constants as scipy (CODATA 2018 and later, exact) has them.
#[test]
fn photons_in_a_joule_are_codatas() {
    let want = number("/photons_per_joule_nm");
    close("CODATA", "photons per joule and nanometre", want, vigilux::quantities::constants::PHOTONS, 1e-15 * want);
}
