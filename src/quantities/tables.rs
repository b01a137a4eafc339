//! The tabulated weightings, compiled in and parsed once.
//!
//! Each file opens with where its figures come from: document, table, where the digits were taken, licence, a second copy, rule.
//! `cie_s026_alpha_opic.csv` is data of the CIE under CC BY-SA 4.0; see THIRD-PARTY.md.

use crate::spectrum::weights::Table;
use std::sync::LazyLock;

/// Colour-matching functions of one observer, 1 nm, 360–830 nm.
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

/// V′(λ), the scotopic luminous efficiency of CIE 1951, 1 nm, 380–780 nm.
pub fn scotopic() -> &'static Table {
    static TABLE: LazyLock<Table> = LazyLock::new(|| column(include_str!("tables/cie_1951_scotopic.csv")));
    &TABLE
}

/// The α-opic action spectra of CIE S 026:2018 in the order of its table: S, M and L cones, melanopsin; 1 nm, 380–780 nm.
static ALPHA_OPIC: LazyLock<[Table; 4]> = LazyLock::new(|| columns(include_str!("tables/cie_s026_alpha_opic.csv")));

/// Action spectrum of the short-wavelength cones.
pub fn s_cone() -> &'static Table {
    &ALPHA_OPIC[0]
}

/// Action spectrum of the medium-wavelength cones.
pub fn m_cone() -> &'static Table {
    &ALPHA_OPIC[1]
}

/// Action spectrum of the long-wavelength cones.
pub fn l_cone() -> &'static Table {
    &ALPHA_OPIC[2]
}

/// Action spectrum of the rods, which by definition is V′(λ).
pub fn rhodopic() -> &'static Table {
    scotopic()
}

/// Action spectrum of the ganglion cells that hold melanopsin.
pub fn melanopic() -> &'static Table {
    &ALPHA_OPIC[3]
}

/// Relative quantum yield of photosynthesis, mean of field-grown plants (McCree 1972a), 325–750 nm.
pub fn mccree() -> &'static Table {
    static TABLE: LazyLock<Table> = LazyLock::new(|| column(include_str!("tables/mccree_1972_field.csv")));
    &TABLE
}

static PHYTOCHROME: LazyLock<[Table; 2]> =
    LazyLock::new(|| columns(include_str!("tables/phytochrome_lagarias_1987.csv")));

/// Photoconversion cross-section of phytochrome's red-absorbing form [m² mol⁻¹], 300–800 nm.
pub fn phytochrome_red() -> &'static Table {
    &PHYTOCHROME[0]
}

/// Sum of the cross-sections of phytochrome's two forms [m² mol⁻¹], 300–800 nm.
pub fn phytochrome_both() -> &'static Table {
    static TABLE: LazyLock<Table> = LazyLock::new(|| {
        let [red, far_red] = &*PHYTOCHROME;
        let value = red.value.iter().zip(&far_red.value).map(|(r, f)| r + f).collect();
        Table { wavelength_nm: red.wavelength_nm.clone(), value }
    });
    &TABLE
}

/// Actinic weighting S(λ) of ICNIRP 2004, 180–400 nm; between its entries the logarithm is linear.
pub fn actinic() -> &'static Table {
    static TABLE: LazyLock<Table> = LazyLock::new(|| column(include_str!("tables/actinic_ultraviolet.csv")));
    &TABLE
}

/// Blue-light weighting B(λ) of IEC 62471, 300–500 nm; farther on it is a formula.
pub fn blue_light() -> &'static Table {
    static TABLE: LazyLock<Table> = LazyLock::new(|| column(include_str!("tables/blue_light_hazard.csv")));
    &TABLE
}

/// Action spectrum for previtamin D₃ in skin, CIE 174:2006, 252–330 nm.
pub fn previtamin_d3() -> &'static Table {
    static TABLE: LazyLock<Table> = LazyLock::new(|| column(include_str!("tables/cie_174_previtamin_d3.csv")));
    &TABLE
}

/// A table file with one value column.
fn column(text: &str) -> Table {
    let [table] = columns(text);
    table
}

static CIE_1964: LazyLock<Observer> = LazyLock::new(|| {
    let [x, y, z] = columns(include_str!("tables/cie_1964_10_degree.csv"));
    Observer { x, y, z }
});

/// x̄₁₀ of the CIE 1964 10° observer.
pub fn x_bar_10() -> &'static Table {
    &CIE_1964.x
}

/// ȳ₁₀ of the CIE 1964 10° observer.
pub fn y_bar_10() -> &'static Table {
    &CIE_1964.y
}

/// z̄₁₀ of the CIE 1964 10° observer.
pub fn z_bar_10() -> &'static Table {
    &CIE_1964.z
}

static DAYLIGHT: LazyLock<[Table; 3]> = LazyLock::new(|| columns(include_str!("tables/cie_daylight_components.csv")));

/// The components S₀, S₁ and S₂ of CIE daylight illuminants, 5 nm, 300–830 nm.
pub fn daylight_components() -> &'static [Table; 3] {
    &DAYLIGHT
}

static RENDERING_COLOURS: LazyLock<[Table; 14]> =
    LazyLock::new(|| columns(include_str!("tables/cie_13_3_test_colours.csv")));

/// The test-colour samples 1 to 14 of CIE 13.3-1995, 5 nm, 360–830 nm.
pub fn rendering_colours() -> &'static [Table; 14] {
    &RENDERING_COLOURS
}

static FIDELITY_COLOURS: LazyLock<[Table; 99]> =
    LazyLock::new(|| columns(include_str!("tables/cie_224_test_colours.csv")));

/// The 99 test-colour samples of CIE 224:2017, 5 nm, 380–780 nm.
pub fn fidelity_colours() -> &'static [Table; 99] {
    &FIDELITY_COLOURS
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

    /// Published: the sums of the 1 nm tables, 360–830 nm (CIE 015:2018: 106.865, 106.857, 106.892 for 2°, 116.649,
    /// 116.662, 116.674 for 10°), and V(555 nm) = 1.
    #[test]
    fn the_tables_parse_and_have_the_published_sums() {
        for (name, table, sum) in [
            ("x", x_bar(), 106.865_469_49),
            ("y", photopic(), 106.856_917_101),
            ("z", z_bar(), 106.892_251_279),
            ("x10", x_bar_10(), 116.648_519_51),
            ("y10", y_bar_10(), 116.661_877_1),
            ("z10", z_bar_10(), 116.673_980_51),
        ] {
            assert!(axis::is_usable(&table.wavelength_nm), "{name}");
            assert_eq!((table.wavelength_nm[0], table.wavelength_nm[470], table.value.len()), (360.0, 830.0, 471));
            let got: f64 = table.value.iter().sum();
            assert!((got - sum).abs() < 1e-8, "{name}: want {sum}, got {got}");
        }
        assert_eq!(photopic().at(555.0), 1.0);
    }

    /// Published: where each table has its peak or its fixed points, and its reach.
    #[test]
    fn every_table_rises_is_never_negative_and_has_its_peak_where_it_belongs() {
        for (name, table, reach, peak_nm) in [
            ("scotopic", scotopic(), (380.0, 780.0), 507.0),
            ("s cone", s_cone(), (380.0, 780.0), 448.0),
            ("m cone", m_cone(), (380.0, 780.0), 541.0),
            ("l cone", l_cone(), (380.0, 780.0), 569.0),
            ("rhodopic", rhodopic(), (380.0, 780.0), 507.0),
            ("melanopic", melanopic(), (380.0, 780.0), 490.0),
            ("mccree", mccree(), (325.0, 750.0), 625.0),
            ("actinic", actinic(), (180.0, 400.0), 270.0),
            ("blue light", blue_light(), (300.0, 500.0), 435.0),
            ("previtamin d3", previtamin_d3(), (252.0, 330.0), 298.0),
        ] {
            assert!(axis::is_usable(&table.wavelength_nm), "{name}");
            assert_eq!((table.wavelength_nm[0], table.wavelength_nm[table.value.len() - 1]), reach, "{name}");
            assert!(table.value.iter().all(|v| (0.0..=1.0).contains(v)), "{name}");
            // The α-opic spectra peak between two of their entries.
            assert!(table.at(peak_nm) > 0.9999 && table.at(peak_nm) <= 1.0, "{name}");
            assert_eq!(table.value.len(), table.wavelength_nm.len());
        }
        assert_eq!(phytochrome_both().at(660.0), phytochrome_red().at(660.0) + PHYTOCHROME[1].at(660.0));
        assert_eq!((phytochrome_red().value.len(), phytochrome_red().at(300.0)), (101, 1228.9));
    }

    /// Identity: the tables of colour rendering parse, each over its own range, with reflectances between 0 and 1.
    #[test]
    fn the_tables_of_colour_rendering_parse() {
        let whole = |table: &Table, range: (f64, f64)| {
            let axis = &table.wavelength_nm;
            assert!(axis::is_usable(axis) && axis.windows(2).all(|w| w[1] - w[0] == 5.0));
            assert_eq!((axis[0], axis[axis.len() - 1], axis.len()), (range.0, range.1, table.value.len()));
        };
        for table in rendering_colours() {
            whole(table, (360.0, 830.0));
            assert!(table.value.iter().all(|v| (0.0..=1.0).contains(v)));
        }
        for table in fidelity_colours() {
            whole(table, (380.0, 780.0));
            assert!(table.value.iter().all(|v| (0.0..=1.0).contains(v)));
        }
        for table in daylight_components() {
            whole(table, (300.0, 830.0));
        }
        // S₀ is 100 and the others vanish at 560 nm, where all illuminants are alike.
        assert_eq!(daylight_components().each_ref().map(|t| t.at(560.0)), [100.0, 0.0, 0.0]);
    }
}
