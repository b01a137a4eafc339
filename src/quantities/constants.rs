//! The constants the quantities stand on, each with its unit, source, and whether it is exact.

/// Planck constant [J s]. Exact; SI Brochure, 9th edition (2019).
pub const PLANCK: f64 = 6.626_070_15e-34;

/// Speed of light in vacuum [m/s]. Exact; SI Brochure, 9th edition (2019).
pub const SPEED_OF_LIGHT: f64 = 299_792_458.0;

/// Avogadro constant [1/mol]. Exact; SI Brochure, 9th edition (2019).
pub const AVOGADRO: f64 = 6.022_140_76e23;

/// Photons in a joule for each nanometre of wavelength [µmol J⁻¹ nm⁻¹]: 1e6 · 1e-9 / (h c N_A), about 0.0083593.
///
/// The wavelength that belongs to it is the one in vacuum; wavelengths here are in air, which makes photons 0.028 % too few.
/// The trade tabulates and integrates in air, so it is left at that.
pub const PHOTONS: f64 = 1e-3 / (PLANCK * SPEED_OF_LIGHT * AVOGADRO);

/// Maximum luminous efficacy for photopic vision [lm/W]. Rounded; CIE 018:2019 (683 lm/W at 540 THz, 555.016 nm in air, where
/// V taken linear between its 1 nm entries is 0.9999977).
pub const LUMINOUS_EFFICACY: f64 = 683.002;

/// Maximum luminous efficacy for scotopic vision [lm/W]. Rounded; CIE 018:2019 (683 lm/W at 540 THz, 555.016 nm in air, where V′
/// taken linear between its 1 nm entries is 0.40175).
pub const SCOTOPIC_EFFICACY: f64 = 1700.06;

/// Elementary charge [C], and so the joules in an electronvolt. Exact; SI Brochure, 9th edition (2019).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;

/// UV index of 1 W/m² of erythemal irradiance [m²/W]. Exact by definition; ISO/CIE 17166:2019, WHO 2002 (ISBN 92 4 159007 6).
pub const UV_INDEX: f64 = 40.0;

/// Second radiation constant [m K] of the International Temperature Scale of 1990, with which Planckian loci are drawn; Ohno 2014.
pub const SECOND_RADIATION: f64 = 1.4388e-2;

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

    /// Published: K_m = 683 lm/W over V at 540 THz in air (555.016 nm, refractive index 1.00028), CIE rounds it to 683.002; K′_m over
    /// V′, 1700.06.
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
