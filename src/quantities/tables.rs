//! The tabulated weightings, compiled in and parsed once.
//!
//! Each file opens with where its figures come from: document, table, where the digits were taken, licence, rule.

use crate::spectrum::weights::Table;
use std::sync::LazyLock;

/// CIE 1931 colour-matching functions, 2° observer, 1 nm, 360–830 nm.
struct Observer {
    x: Table,
    y: Table,
    z: Table,
}

static CIE_1931: LazyLock<Observer> = LazyLock::new(|| {
    let [x, y, z] = columns(include_str!("tables/cie_1931_2_degree.csv"));
    Observer { x, y, z }
});

/// x̄ of the CIE 1931 2° observer.
pub fn x_bar() -> &'static Table {
    &CIE_1931.x
}

/// ȳ of the CIE 1931 2° observer, which is V(λ), the photopic luminous efficiency.
pub fn photopic() -> &'static Table {
    &CIE_1931.y
}

/// z̄ of the CIE 1931 2° observer.
pub fn z_bar() -> &'static Table {
    &CIE_1931.z
}

/// Splits a table file into its value columns: `#` lines, a header, then wavelength and N values a row.
fn columns<const N: usize>(text: &str) -> [Table; N] {
    let mut tables: [Table; N] = std::array::from_fn(|_| Table { wavelength_nm: Vec::new(), value: Vec::new() });
    for line in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let mut fields = line.split(',').map(|f| f.parse::<f64>());
        // Invariant: the files are part of the program, and the test below parses each of them.
        let mut next = || fields.next().expect("a column is missing").expect("not a number");
        let wavelength = next();
        for table in &mut tables {
            table.wavelength_nm.push(wavelength);
            table.value.push(next());
        }
    }
    tables
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::axis;

    /// Published: the sums of the 1 nm tables, 360–830 nm (CIE 015:2018: 106.865, 106.857, 106.892), and V(555 nm) = 1.
    #[test]
    fn the_tables_parse_and_have_the_published_sums() {
        for (name, table, sum) in
            [("x", x_bar(), 106.865_469_49), ("y", photopic(), 106.856_917_101), ("z", z_bar(), 106.892_251_279)]
        {
            assert!(axis::is_usable(&table.wavelength_nm), "{name}");
            assert_eq!((table.wavelength_nm[0], table.wavelength_nm[470], table.value.len()), (360.0, 830.0, 471));
            let got: f64 = table.value.iter().sum();
            assert!((got - sum).abs() < 1e-8, "{name}: want {sum}, got {got}");
        }
        assert_eq!(photopic().at(555.0), 1.0);
    }
}
