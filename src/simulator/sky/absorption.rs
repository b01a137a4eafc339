//! Absorption coefficients of ozone, water vapour and the uniformly mixed gases at any wavelength.
//!
//! At the wavelengths of Bird & Riordan's table they are the table's. Between them a table with steps of 5 to 20 nm has no lines, which
//! an instrument would see; the structure there is that of ASTM G173-03's direct column. Below 310 nm, where
//! the table steps over an edge of a decade in 10 nm, ozone is that of G173; from there to 320 nm it goes over into the table's, which
//! is larger there by a quarter.

use super::depths::{aerosol_depth, mixed_depth, ozone_air_mass, rayleigh_depth, water_depth};
use crate::numeric::interpolate_clamped;
use crate::simulator::air::REFERENCE_AEROSOL;
use crate::spectrum::g173::g173;

/// Zenith angle of the direct column of ASTM G173-03 [degrees], and its relative air mass [1].
const G173_ZENITH_DEG: f64 = 48.236;
const G173_AIR_MASS: f64 = 1.5;
/// Its ozone column [atm cm].
const G173_OZONE: f64 = 0.3438;
/// Precipitable water of ASTM G173-03 [cm].
pub const G173_WATER_CM: f64 = 1.416;
/// Up to the first wavelength [nm] the coefficient of ozone is that of G173, from the second on that of the table.
const OZONE_NM: (f64, f64) = (310.0, 320.0);
/// Bands of molecular oxygen [nm]; elsewhere what ozone does not absorb is ascribed to water vapour.
const OXYGEN_BANDS_NM: [(f64, f64); 3] = [(626.0, 634.0), (684.0, 700.0), (757.0, 773.0)];
/// Where the coefficients of both sources differ by a larger factor than this, their difference is added instead.
const COMPARABLE: f64 = 4.0;

/// Absorption coefficients at one wavelength.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Coefficients {
    /// Of ozone [1/(atm cm)].
    pub ozone: f64,
    /// Of water vapour [1/cm], in the formula of [`water_depth`].
    pub water: f64,
    /// Of the uniformly mixed gases [1 per air mass], in the formula of [`mixed_depth`].
    pub mixed: f64,
}

/// The rows of the bundled table.
struct Table {
    wavelength_nm: Vec<f64>,
    ozone: Vec<f64>,
    water: Vec<f64>,
    mixed: Vec<f64>,
}

/// Reads the bundled table.
fn table() -> Table {
    let mut table = Table { wavelength_nm: vec![], ozone: vec![], water: vec![], mixed: vec![] };
    let text = include_str!("../tables/bird_riordan_1986.csv");
    for line in text.lines().filter(|l| l.starts_with(|c: char| c.is_ascii_digit())) {
        let numbers: Vec<f64> = line.split(',').filter_map(|cell| cell.parse().ok()).collect();
        // The table is compiled in, and the test below counts its rows.
        if let [nm, water, ozone, mixed] = numbers[..] {
            table.wavelength_nm.push(nm);
            table.water.push(water);
            table.ozone.push(ozone);
            table.mixed.push(mixed);
        }
    }
    table
}

/// Coefficients at some wavelengths [nm].
pub fn coefficients(wavelength_nm: &[f64]) -> Vec<Coefficients> {
    let table = table();
    let lines = Lines::new(&table);
    let nodes = &table.wavelength_nm;
    let water = Combined::new(nodes, &table.water, &lines.wavelength_nm, &lines.water);
    let mixed = Combined::new(nodes, &table.mixed, &lines.wavelength_nm, &lines.mixed);
    let ozone = |nm: f64| {
        let share = ((nm - OZONE_NM.0) / (OZONE_NM.1 - OZONE_NM.0)).clamp(0.0, 1.0);
        share * interpolate_clamped(nodes, &table.ozone, nm)
            + (1.0 - share) * interpolate_clamped(&lines.wavelength_nm, &lines.ozone, nm)
    };
    let at = |nm: &f64| Coefficients { ozone: ozone(*nm), water: water.at(*nm), mixed: mixed.at(*nm) };
    wavelength_nm.iter().map(at).collect()
}

/// Coefficients that explain the direct column of ASTM G173-03.
struct Lines {
    wavelength_nm: Vec<f64>,
    ozone: Vec<f64>,
    water: Vec<f64>,
    mixed: Vec<f64>,
}

impl Lines {
    fn new(table: &Table) -> Self {
        let sun = g173();
        let n = sun.wavelength_nm.len();
        let mut lines =
            Self { ozone: vec![0.0; n], water: vec![0.0; n], mixed: vec![0.0; n], wavelength_nm: sun.wavelength_nm };
        let ozone_path = G173_OZONE * ozone_air_mass(G173_ZENITH_DEG);
        for (i, nm) in lines.wavelength_nm.iter().enumerate() {
            let (top, direct) = (sun.extraterrestrial[i], sun.direct_normal[i]);
            let scattered = G173_AIR_MASS * (rayleigh_depth(*nm) + REFERENCE_AEROSOL * aerosol_depth(*nm));
            // Without light there is no coefficient; none is needed.
            let absorbed = if top > 0.0 && direct > 0.0 { (top / direct).ln() - scattered } else { 0.0 };
            if *nm < OZONE_NM.1 {
                lines.ozone[i] = (absorbed / ozone_path).max(0.0);
                continue;
            }
            let rest = absorbed - interpolate_clamped(&table.wavelength_nm, &table.ozone, *nm) * ozone_path;
            if OXYGEN_BANDS_NM.iter().any(|(from, to)| (*from..*to).contains(nm)) {
                lines.mixed[i] = solve(rest, |k| mixed_depth(k * G173_AIR_MASS));
            } else {
                lines.water[i] = solve(rest, |k| water_depth(k * G173_WATER_CM * G173_AIR_MASS));
            }
        }
        lines
    }
}

/// The coefficient at which a rising function has the value `depth`; 0 for no depth.
fn solve(depth: f64, of: impl Fn(f64) -> f64) -> f64 {
    if !(depth > 0.0) {
        return 0.0;
    }
    let (mut low, mut high) = (1e-9f64, 1e6f64);
    for _ in 0..60 {
        let middle = (low * high).sqrt();
        if of(middle) < depth { low = middle } else { high = middle }
    }
    (low * high).sqrt()
}

/// A coarse table with the structure of a fine one between its nodes: fine·ratio + difference, both linear between the nodes.
struct Combined<'a> {
    nodes_nm: &'a [f64],
    ratio: Vec<f64>,
    difference: Vec<f64>,
    fine_nm: &'a [f64],
    fine: &'a [f64],
}

impl<'a> Combined<'a> {
    fn new(nodes_nm: &'a [f64], coarse: &[f64], fine_nm: &'a [f64], fine: &'a [f64]) -> Self {
        let parts = nodes_nm.iter().zip(coarse).map(|(nm, want)| {
            let here = interpolate_clamped(fine_nm, fine, *nm);
            match want / here {
                ratio if ratio > 1.0 / COMPARABLE && ratio < COMPARABLE => (ratio, 0.0),
                _ => (1.0, want - here),
            }
        });
        let (ratio, difference) = parts.unzip();
        Self { nodes_nm, ratio, difference, fine_nm, fine }
    }

    fn at(&self, nm: f64) -> f64 {
        let linear = |y: &[f64]| interpolate_clamped(self.nodes_nm, y, nm);
        let fine = interpolate_clamped(self.fine_nm, self.fine, nm);
        (fine * linear(&self.ratio) + linear(&self.difference)).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: at the wavelengths of the table from 320 nm on, the coefficients are its own.
    #[test]
    fn at_the_wavelengths_of_the_table_coefficients_are_its_own() {
        let table = table();
        assert_eq!(table.wavelength_nm.len(), 67);
        for (i, c) in coefficients(&table.wavelength_nm).into_iter().enumerate() {
            let want = [table.ozone[i], table.water[i], table.mixed[i]];
            let got = [c.ozone, c.water, c.mixed];
            for (want, got) in want.into_iter().zip(got).skip(usize::from(table.wavelength_nm[i] < 320.0)) {
                assert!((got - want).abs() <= 1e-9 * want, "{} nm: want {want}, got {got}", table.wavelength_nm[i]);
            }
        }
    }

    /// Identity: ozone falls from 300 to 325 nm without a step, and oxygen's band is deepest at 760 to 762 nm, as in ASTM G173-03, between
    /// the table's nodes at 757.5 and 762.5 nm.
    #[test]
    fn between_the_nodes_the_bands_are_those_of_the_reference_spectra() {
        let nm: Vec<f64> = (300..=800).map(f64::from).collect();
        let c = coefficients(&nm);
        for i in 0..25 {
            let ratio = c[i + 1].ozone / c[i].ozone;
            assert!((0.7..1.1).contains(&ratio), "{} nm: {ratio}", nm[i + 1]);
        }
        let deepest = (455..475).max_by(|a, b| c[*a].mixed.total_cmp(&c[*b].mixed)).unwrap();
        assert!((760.0..=762.0).contains(&nm[deepest]), "{} nm", nm[deepest]);
        assert!(c[455].mixed == 0.0 && c[460].mixed > 1.0, "{:?} {:?}", c[455], c[460]);
    }
}
