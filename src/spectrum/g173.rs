//! The reference solar spectra of ASTM G173-03, used by the simulator's sky and the check of the wavelength scale.

/// The reference solar spectra of ASTM G173-03.
#[derive(Clone, Debug, Default)]
pub struct G173 {
    /// [nm].
    pub wavelength_nm: Vec<f64>,
    /// Extraterrestrial irradiance at the mean distance of the sun [W m⁻² nm⁻¹].
    pub extraterrestrial: Vec<f64>,
    /// Global on a 37° tilt towards the sun at zenith angle 48.236° [W m⁻² nm⁻¹].
    pub global_tilt: Vec<f64>,
    /// Direct (with circumsolar) normal irradiance through air mass 1.5 [W m⁻² nm⁻¹].
    pub direct_normal: Vec<f64>,
}

/// Reads the built-in table.
pub fn g173() -> G173 {
    let mut table = G173::default();
    for line in include_str!("tables/astm_g173.csv").lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())) {
        let mut numbers = line.split(',').map(str::parse::<f64>);
        // The table is compiled in, and the test below reads every row.
        if let (Some(Ok(nm)), Some(Ok(et)), Some(Ok(global)), Some(Ok(direct))) =
            (numbers.next(), numbers.next(), numbers.next(), numbers.next())
        {
            table.wavelength_nm.push(nm);
            table.extraterrestrial.push(et);
            table.global_tilt.push(global);
            table.direct_normal.push(direct);
        }
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    fn integral(x: &[f64], y: &[f64]) -> f64 {
        x.windows(2)
            .zip(y.windows(2))
            .filter(|(x, _)| x[0] >= 400.0 && x[1] <= 700.0)
            .map(|(x, y)| 0.5 * (x[1] - x[0]) * (y[0] + y[1]))
            .sum()
    }

    /// Independent: trapezoid 400–700 nm of pvlib 0.16.1's file by NumPy: 429.8311 global, 374.814965 direct, 529.96475 ET.
    #[test]
    fn the_reference_spectra_have_their_energy_between_400_and_700_nm() {
        let t = g173();
        assert_eq!(t.wavelength_nm.len(), 941);
        for (column, want) in
            [(&t.global_tilt, 429.8311), (&t.direct_normal, 374.814_965), (&t.extraterrestrial, 529.964_75)]
        {
            let got = integral(&t.wavelength_nm, column);
            assert!((got - want).abs() < 1e-4, "want {want}, got {got}");
        }
    }
}
