//! The spectral response of an instrument from what a certificate states: a table of responses, of energy for a count, or a lamp's
//! spectrum with the counts it gave.
//!
//! Pure. The result is in counts s⁻¹ / (W m⁻² nm⁻¹), on rising wavelengths in air. Invariant: the unit decides what a table means, by its
//! dimensions alone; a unit of other dimensions is refused.

use super::scale::at;
use super::table::Table;
use super::units::{self, COUNTS_PER_IRRADIANCE, ENERGY_PER_COUNT, RESPONSE, Unit};
use crate::numeric::locate;

/// Entries of a response, by wavelength in air.
#[derive(Clone, Debug, PartialEq)]
pub struct ResponseTable {
    /// [nm], rising.
    pub wavelength_nm: Vec<f64>,
    /// [counts s⁻¹ / (W m⁻² nm⁻¹)], above 0.
    pub response: Vec<f64>,
    /// Relative uncertainty as stated, of the entry [1]; `None` where the table has no such column.
    pub uncertainty: Option<Vec<f64>>,
    /// Entries that were left out, in a sentence.
    pub left_out: Option<String>,
}

/// What a table of the certificate states for each wavelength.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// The response, or its inverse.
    Response,
    /// Counts for an irradiance at the integration time of the calibration, or the inverse: the integration time is needed.
    CountsForIrradiance,
    /// Energy for a count, or the inverse: collecting area and dispersion are needed.
    EnergyForCount,
}

/// The meaning of a unit; whether the table holds the inverse.
pub fn meaning(unit: &Unit) -> Result<(Meaning, bool), String> {
    let known = [
        (RESPONSE, Meaning::Response),
        (COUNTS_PER_IRRADIANCE, Meaning::CountsForIrradiance),
        (units::parse("counts/J")?.dimensions, Meaning::EnergyForCount),
    ];
    for (dimensions, meaning) in known {
        if unit.dimensions == dimensions {
            return Ok((meaning, false));
        }
        if unit.inverse().dimensions == dimensions {
            return Ok((meaning, true));
        }
    }
    debug_assert_eq!(units::parse("counts/J").map(|u| u.inverse().dimensions), Ok(ENERGY_PER_COUNT));
    Err(format!(
        "expected a unit of response (counts/s per W m-2 nm-1), of counts at one integration time (counts per W m-2 nm-1), of energy for a \
         count (µJ/count), or of the inverse of one of them, but found {unit}"
    ))
}

/// Facts beside a table; a value is needed only where [`Meaning`] says so.
#[derive(Clone, Copy, Debug, Default)]
pub struct Beside {
    /// Integration time of the calibration [s].
    pub integration_s: Option<f64>,
    /// Collecting area of the optic, in square metres.
    pub area_m2: Option<f64>,
}

/// The response of a table whose values have a unit. The table's wavelengths are in air; a third column is the relative uncertainty
/// [%].
pub fn from_table(table: &Table, unit: &Unit, beside: Beside, scale: &[f64]) -> Result<ResponseTable, String> {
    let (meaning, inverse) = meaning(unit)?;
    let integration_s =
        || beside.integration_s.ok_or("expected the integration time of the calibration (--integration)");
    let area_m2 = || beside.area_m2.ok_or("expected the collecting area of the optic (--collecting-area)");
    let constant = match meaning {
        Meaning::Response => 1.0,
        Meaning::CountsForIrradiance => 1.0 / integration_s()?,
        // E = counts·C / (A·t·dλ/dpixel), so counts/t for 1 W m⁻² nm⁻¹ are A·(dλ/dpixel)/C.
        Meaning::EnergyForCount => area_m2()?,
    };
    let mut found = Collected::default();
    for (i, (nm, value)) in table.axis().iter().zip(table.values()).enumerate() {
        let stated = value * unit.factor;
        let per_unit = if inverse { 1.0 / stated } else { stated };
        let dispersion = match meaning {
            Meaning::EnergyForCount => dispersion_nm(scale, *nm),
            _ => Some(1.0),
        };
        let uncertainty = table.columns.get(2).map(|column| column[i] / 100.0);
        found.put(*nm, dispersion.map(|d| per_unit * constant * d), uncertainty);
    }
    found.finish("outside the wavelength scale, or not above 0")
}

/// The response by a lamp: its irradiance [W m⁻² nm⁻¹, by wavelength in air], and the counts above the dark of each wavelength in air
/// [nm] at an integration time.
pub fn from_lamp(lamp: &Table, counts: &[(f64, f64)], integration_s: f64) -> Result<ResponseTable, String> {
    if let Some(i) = lamp.values().iter().position(|e| !(*e > 0.0)) {
        return Err(format!(
            "expected irradiances of the lamp above 0, but found {} at {} nm",
            lamp.values()[i],
            lamp.axis()[i]
        ));
    }
    let mut found = Collected::default();
    for (nm, count) in counts {
        found.put(*nm, irradiance_at(lamp, *nm).map(|e| count / integration_s / e), None);
    }
    found.finish("outside the spectrum of the lamp, or without counts above the dark")
}

/// The irradiance of a lamp between the entries of its table: ln(E·λ⁵) is linear in 1/λ, which is exact for a radiator by Wien's law
/// and follows incandescent lamps over entries far apart. `None` outside the table.
fn irradiance_at(lamp: &Table, nm: f64) -> Option<f64> {
    let (i, _) = locate(lamp.axis(), nm)?;
    let (x0, x1) = (lamp.axis()[i], lamp.axis()[i + 1]);
    let level = |x: f64, e: f64| (e * x.powi(5)).ln();
    let (y0, y1) = (level(x0, lamp.values()[i]), level(x1, lamp.values()[i + 1]));
    let share = (1.0 / nm - 1.0 / x0) / (1.0 / x1 - 1.0 / x0);
    Some((y0 + (y1 - y0) * share).exp() / nm.powi(5))
}

/// dλ/dpixel at a wavelength [nm]; `None` below the scale, or where the scale never reaches it.
fn dispersion_nm(scale: &[f64], nm: f64) -> Option<f64> {
    const MOST_PIXELS: f64 = 65_536.0;
    let (mut low, mut high) = (0.0, 1.0);
    if !(at(scale, low) <= nm) {
        return None;
    }
    while at(scale, high) < nm {
        (low, high) = (high, high * 2.0);
        if high > MOST_PIXELS {
            return None;
        }
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if at(scale, middle) < nm { low = middle } else { high = middle }
    }
    let slope = scale.iter().enumerate().skip(1).rev().fold(0.0, |sum, (k, c)| sum * low + c * k as f64);
    (slope > 0.0).then_some(slope)
}

/// Collects entries, and what was left out.
#[derive(Default)]
struct Collected {
    wavelength_nm: Vec<f64>,
    response: Vec<f64>,
    uncertainty: Vec<f64>,
    left_out: Vec<f64>,
}

impl Collected {
    fn put(&mut self, nm: f64, response: Option<f64>, uncertainty: Option<f64>) {
        match response.filter(|r| *r > 0.0 && r.is_finite()) {
            Some(response) => {
                self.wavelength_nm.push(nm);
                self.response.push(response);
                self.uncertainty.extend(uncertainty);
            }
            None => self.left_out.push(nm),
        }
    }

    /// The table. Entries are left out at both ends only: a hole within would be bridged unnoticed.
    fn finish(self, why: &str) -> Result<ResponseTable, String> {
        let Self { wavelength_nm, response, uncertainty, left_out } = self;
        let (Some(first), Some(last)) = (wavelength_nm.first(), wavelength_nm.last()) else {
            return Err(format!("expected entries of the response, but found none: all are {why}"));
        };
        if let Some(hole) = left_out.iter().find(|nm| *first < **nm && **nm < *last) {
            return Err(format!(
                "expected a response from {first} nm to {last} nm, but the entry at {hole} nm is {why}"
            ));
        }
        let note = left_out.first().map(|from| {
            let to = left_out.last().unwrap_or(from);
            format!("{} entries from {from:.1} nm to {to:.1} nm are {why}", left_out.len())
        });
        let uncertainty = (!uncertainty.is_empty()).then_some(uncertainty);
        Ok(ResponseTable { wavelength_nm, response, uncertainty, left_out: note })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(rows: &[(f64, f64)]) -> Table {
        Table { columns: vec![rows.iter().map(|r| r.0).collect(), rows.iter().map(|r| r.1).collect()] }
    }

    fn response(rows: &[(f64, f64)], unit: &str, beside: Beside) -> Result<Vec<f64>, String> {
        from_table(&table(rows), &units::parse(unit).unwrap(), beside, &[290.0, 0.5]).map(|r| r.response)
    }

    fn assert_close(found: &[f64], expected: &[f64]) {
        assert!(found.iter().zip(expected).all(|(a, b)| (a / b - 1.0).abs() < 1e-12), "{found:?} and {expected:?}");
        assert_eq!(found.len(), expected.len());
    }

    /// Identity: one response stated in four units.
    #[test]
    fn a_response_is_the_same_in_any_unit() {
        let none = Beside::default();
        assert_close(&response(&[(300.0, 2e5), (400.0, 1e6)], "counts/s per W m-2 nm-1", none).unwrap(), &[2e5, 1e6]);
        assert_close(&response(&[(300.0, 2e3), (400.0, 1e4)], "counts/s per uW cm-2 nm-1", none).unwrap(), &[2e5, 1e6]);
        assert_close(&response(&[(300.0, 5e-6), (400.0, 1e-6)], "W m-2 nm-1 per counts/s", none).unwrap(), &[2e5, 1e6]);
        let timed = Beside { integration_s: Some(0.1), area_m2: None };
        assert_close(&response(&[(300.0, 2e4), (400.0, 1e5)], "counts per W m-2 nm-1", timed).unwrap(), &[2e5, 1e6]);
    }

    /// Independent: by hand, E = counts·C/(A·t·dλ/dpixel). With C = 2 µJ/count, A = 7 mm², 0.5 nm a pixel and 0.1 s, 1 W m⁻² nm⁻¹ is
    /// 1·7e-6·0.1·0.5/2e-6 = 0.175 counts, 1.75 a second.
    #[test]
    fn energy_for_a_count_needs_area_and_dispersion() {
        let beside = Beside { integration_s: None, area_m2: Some(7e-6) };
        assert_close(&response(&[(300.0, 2.0), (400.0, 2.0)], "µJ/count", beside).unwrap(), &[1.75, 1.75]);
        let missing = response(&[(300.0, 2.0), (400.0, 2.0)], "µJ/count", Beside::default()).unwrap_err();
        assert_eq!(missing, "expected the collecting area of the optic (--collecting-area)");
        // On a curved scale the dispersion is that of the wavelength: 0.5 - 2·1e-4·p nm a pixel.
        let curved = [290.0, 0.5, -1e-4];
        let at = |nm: f64| dispersion_nm(&curved, nm).unwrap();
        assert!(
            (at(290.0) - 0.5).abs() < 1e-9 && (at(290.0 + 50.0 - 1.0) - 0.48).abs() < 1e-9,
            "{} {}",
            at(290.0),
            at(339.0)
        );
        assert_eq!((dispersion_nm(&curved, 280.0), dispersion_nm(&curved, 2000.0)), (None, None));
    }

    /// Units of other dimensions are refused with those expected.
    #[test]
    fn units_of_other_dimensions_are_refused() {
        for unit in ["W m-2", "counts", "J m-2 per count", "counts/s per W m-3", "nm"] {
            let error = response(&[(300.0, 1.0), (400.0, 1.0)], unit, Beside::default()).unwrap_err();
            assert!(error.starts_with("expected a unit of response"), "{unit}: {error}");
        }
    }

    /// Entries beyond the ends are left out with a note; a hole is refused.
    #[test]
    fn ends_are_left_out_and_holes_are_refused() {
        let beside = Beside { integration_s: None, area_m2: Some(7e-6) };
        let unit = units::parse("µJ/count").unwrap();
        let with = |rows: &[(f64, f64)]| from_table(&table(rows), &unit, beside, &[290.0, 0.5]);
        let found = with(&[(280.0, 2.0), (285.0, 2.0), (300.0, 2.0), (400.0, 2.0)]).unwrap();
        assert_eq!(found.wavelength_nm, [300.0, 400.0]);
        assert_eq!(
            found.left_out.as_deref(),
            Some("2 entries from 280.0 nm to 285.0 nm are outside the wavelength scale, or not above 0")
        );
        assert!(with(&[(300.0, 2.0), (350.0, 0.0), (400.0, 2.0)]).unwrap_err().contains("the entry at 350 nm is"));
    }

    /// Identity: a radiator by Wien's law of 3000 K, in entries 50 nm apart, is found exactly between them; the response follows.
    #[test]
    fn a_lamp_is_interpolated_as_a_radiator() {
        let wien = |nm: f64| 1e20 * nm.powi(-5) * (-1.438_776_877e7 / (nm * 3000.0)).exp();
        let rows: Vec<(f64, f64)> = (6..=16).map(|i| 50.0 * f64::from(i)).map(|nm| (nm, wien(nm))).collect();
        let counts: Vec<(f64, f64)> =
            (0..100).map(|i| 310.0 + 4.5 * f64::from(i)).map(|nm| (nm, wien(nm) * 1e6 * 0.05)).collect();
        let found = from_lamp(&table(&rows), &counts, 0.05).unwrap();
        assert_eq!(found.wavelength_nm.len(), 100);
        assert!(found.response.iter().all(|r| (r / 1e6 - 1.0).abs() < 1e-9), "{:?}", &found.response[..3]);
        let outside = from_lamp(&table(&rows), &[(290.0, 1.0), (310.0, 5.0), (320.0, 5.0)], 1.0).unwrap();
        assert_eq!((outside.wavelength_nm.len(), outside.left_out.is_some()), (2, true));
    }
}
