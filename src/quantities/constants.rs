//! The constants of the quantities, each with its unit, its source, and whether it is exact; and the ends of the ranges in which
//! colour temperature, rendering and dominant wavelength are defined.

/// Planck constant [J s]. Exact; SI Brochure, 9th edition (2019).
pub const PLANCK: f64 = 6.626_070_15e-34;

/// Speed of light in vacuum [m/s]. Exact; SI Brochure, 9th edition (2019).
pub const SPEED_OF_LIGHT: f64 = 299_792_458.0;

/// Avogadro constant [1/mol]. Exact; SI Brochure, 9th edition (2019).
pub const AVOGADRO: f64 = 6.022_140_76e23;

/// Photons in a joule for each nanometre of wavelength [µmol J⁻¹ nm⁻¹]: 1e6 · 1e-9 / (h c N_A), about 0.0083593.
///
/// It holds for wavelengths in vacuum; wavelengths here are in air, which makes photons 0.028 % too few. Photosynthetic quantities are
/// customarily tabulated and integrated over wavelengths in air, so this is not corrected.
pub const PHOTONS: f64 = 1e-3 / (PLANCK * SPEED_OF_LIGHT * AVOGADRO);

/// Maximum luminous efficacy for photopic vision [lm/W]. Rounded; CIE 018:2019 (683 lm/W at 540 THz, 555.016 nm in air, where
/// V, linear between its 1 nm entries, is 0.9999977).
pub const LUMINOUS_EFFICACY: f64 = 683.002;

/// Maximum luminous efficacy for scotopic vision [lm/W]. Rounded; CIE 018:2019 (683 lm/W at 540 THz, 555.016 nm in air, where V′,
/// linear between its 1 nm entries, is 0.40175).
pub const SCOTOPIC_EFFICACY: f64 = 1700.06;

/// Elementary charge [C], and so the joules in an electronvolt. Exact; SI Brochure, 9th edition (2019).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;

/// UV index of 1 W/m² of erythemal irradiance [m²/W]. Exact by definition; ISO/CIE 17166:2019, WHO 2002 (ISBN 92 4 159007 6).
pub const UV_INDEX: f64 = 40.0;

/// Second radiation constant [m K] of the International Temperature Scale of 1990, used for the Planckian locus; Ohno 2014.
pub const SECOND_RADIATION: f64 = 1.4388e-2;

/// The lowest correlated colour temperature that is given [K].
pub const COLDEST_K: f64 = 1000.0;

/// The highest correlated colour temperature that is given [K]; the rest of the locus lies within 0.0002 in (u, v).
pub const HOTTEST_K: f64 = 100_000.0;

/// The highest temperature with a reference illuminant for colour rendering [K]: the end of the phases of daylight; CIE 015:2018.
pub const HOTTEST_REFERENCE_K: f64 = 25_000.0;

/// The longest wavelength with a distinct chromaticity [nm]: from here on the tables of the 2° observer give the same one.
pub const LONGEST_HUE_NM: f64 = 699.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::tables;

    /// Published: hcN_A = 0.119626565… J m/mol (SI 2019, exact constants), and 4.5976 µmol/J at 550 nm.
    #[test]
    fn the_photon_factor_follows_from_the_exact_constants() {
        assert!((PHOTONS - 0.008_359_347_229_111_778).abs() < 1e-16, "{PHOTONS}");
        assert!((PHOTONS * 550.0 - 4.597_640_976_01).abs() < 1e-10);
    }

    /// Published: K_m = 683 lm/W over V at 540 THz in air (555.016 nm, refractive index 1.00028), which CIE rounds to 683.002; K′_m = 683
    /// lm/W over V′, rounded to 1700.06.
    #[test]
    fn luminous_efficacies_belong_to_the_tables_of_v() {
        let air_nm = SPEED_OF_LIGHT / 540e12 * 1e9 / 1.00028;
        let got = 683.0 / tables::photopic().at(air_nm);
        assert!((got - LUMINOUS_EFFICACY).abs() < 5e-4, "want {LUMINOUS_EFFICACY}, got {got}");
        let got = 683.0 / tables::scotopic().at(air_nm);
        // V′ falls by 2 % in a nanometre: the last digit of the wavelength moves the quotient by 0.03.
        assert!((got - SCOTOPIC_EFFICACY).abs() < 0.03, "want {SCOTOPIC_EFFICACY}, got {got}");
    }
}
