//! Wavelengths in vacuum and in air.
//!
//! Pure. Standard air: 15 °C, 101 325 Pa, dry, 450 ppm carbon dioxide. The refractive index is that of Ciddor 1996, Applied Optics 35,
//! 1566, equation 1, valid from 230 nm to 1690 nm (constants from memory, held to the sodium lines in the tests). Outdoors it differs by
//! less than 10 %, that is 0.03 nm at 1000 nm.

/// Refractive index of standard air. vacuum_nm: wavelength in vacuum [nm], above 200.
pub fn refractive_index(vacuum_nm: f64) -> f64 {
    let sigma2 = (1000.0 / vacuum_nm).powi(2);
    1.0 + 1e-8 * (5_792_105.0 / (238.0185 - sigma2) + 167_917.0 / (57.362 - sigma2))
}

/// Wavelength in air [nm] of a wavelength in vacuum [nm].
pub fn in_air(vacuum_nm: f64) -> f64 {
    vacuum_nm / refractive_index(vacuum_nm)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: the sodium lines in vacuum and air, NIST Atomic Spectra Database (from memory).
    #[test]
    fn the_sodium_lines_lie_where_they_are_published() {
        for (vacuum_nm, air_nm) in [(589.158_326, 588.995_095), (589.755_815, 589.592_424)] {
            let found = in_air(vacuum_nm);
            assert!((found - air_nm).abs() < 1e-4, "{vacuum_nm} nm: got {found} nm, want {air_nm} nm");
        }
    }

    /// Published: at 300 nm the two differ by 0.087 nm, which is 1.6 % of a UV index.
    #[test]
    fn the_difference_at_300_nm_is_known() {
        let shift = 300.0 - in_air(300.0);
        assert!((shift - 0.0875).abs() < 0.0005, "{shift} nm");
    }
}
