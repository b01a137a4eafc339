//! Quantities for plants: photosynthetic photons by band, the red to far-red ratio, the photoequilibrium of phytochrome.
//!
//! Flux densities count every photon in a band with weight 1 (McCree 1972b, Agric. Meteorol. 10:443–453; ANSI/ASABE S640); the yield
//! flux density and the photoequilibrium weight photons by functions measured on plants.

use super::quantity::{Group, Limit, Plausible, Quantity, Recipe, ratio};
use super::reason::NullReason;
use super::row::{Band, Curve, Row};
use super::tables;

const fn photons(name: &'static str, from: f64, to: f64) -> Row {
    Row::new(name, Curve::Flat, true, Band::whole(from, to))
}

static PHOTONS_400_700: Row = photons("photons 400-700", 400.0, 700.0);
static PHOTONS_400_750: Row = photons("photons 400-750", 400.0, 750.0);
static PHOTONS_400_500: Row = photons("photons 400-500", 400.0, 500.0);
static PHOTONS_500_600: Row = photons("photons 500-600", 500.0, 600.0);
static PHOTONS_600_700: Row = photons("photons 600-700", 600.0, 700.0);
static PHOTONS_700_800: Row = photons("photons 700-800", 700.0, 800.0);
static PHOTONS_655_665: Row = photons("photons 655-665", 655.0, 665.0);
static PHOTONS_725_735: Row = photons("photons 725-735", 725.0, 735.0);
static ENERGY_400_700: Row = Row::new("energy 400-700", Curve::Flat, false, Band::whole(400.0, 700.0));

/// McCree's curve has entries from 350 nm on. It is extended to zero at 325 nm; that part has less than 1e-5 of daylight's sum.
static YIELD_PHOTONS: Row = Row::new(
    "yield photons",
    Curve::Tabulated(tables::mccree),
    true,
    Band { from: 325.0, to: 750.0, needs: Some((350.0, 750.0)) },
);
static PHYTOCHROME_RED: Row =
    Row::new("phytochrome red", Curve::Tabulated(tables::phytochrome_red), true, Band::whole(300.0, 800.0));
static PHYTOCHROME_BOTH: Row =
    Row::new("phytochrome both", Curve::Tabulated(tables::phytochrome_both), true, Band::whole(300.0, 800.0));

/// Reason of the limit of photon flux densities.
const PHOTON_REASON: &str = "a tenth of the value, the usual tolerance of quantum sensors, or 1 umol m-2 s-1, which resolves the shade below a canopy";
/// Limit of photon flux densities.
const PHOTON_LIMIT: Limit = Limit { relative: 0.10, absolute: 1.0, reason: PHOTON_REASON };

const fn photon_flux(
    id: &'static str,
    title: &'static str,
    definition: &'static str,
    source: &'static str,
    plausible: Option<Plausible>,
    row: &'static Row,
) -> Quantity {
    Quantity {
        id,
        unit: "umol m-2 s-1",
        title,
        definition,
        source,
        remark: "",
        group: Group::Plants,
        limit: PHOTON_LIMIT,
        plausible,
        recipe: Recipe::Linear { row, factor: 1.0 },
    }
}

/// Photosynthetic photon flux density.
pub const PPFD: Quantity = photon_flux(
    "ppfd",
    "Photosynthetic photon flux density",
    "Photons 400-700 nm, each with weight 1",
    "McCree 1972b, Agric. Meteorol. 10:443-453; ANSI/ASABE S640",
    Plausible::sun_and_lamps(2.1, 1.0),
    &PHOTONS_400_700,
);

/// Extended photosynthetic photon flux density, uncapped.
pub const EPPFD: Quantity = Quantity {
    remark: "the proposal lets 700-750 nm count for at most 30 % of the total; that cap is applied in eppfd_capped",
    ..photon_flux(
        "eppfd",
        "Extended photosynthetic photon flux density",
        "Photons 400-750 nm, each with weight 1; far-red is not capped",
        "Zhen, van Iersel & Bugbee 2021, Front. Plant Sci. 12:681156",
        Plausible::sun(2.6),
        &PHOTONS_400_750,
    )
};

/// Extended photosynthetic photon flux density with its cap.
pub const EPPFD_CAPPED: Quantity = Quantity {
    recipe: Recipe::Finish { rows: &[&PHOTONS_400_700, &PHOTONS_400_750], bright: 0, finish: capped },
    ..photon_flux(
        "eppfd_capped",
        "Extended photosynthetic photon flux density, far-red capped",
        "Photons 400-750 nm, each with weight 1; of 700-750 nm at most 30 % of the total count",
        "Zhen, van Iersel & Bugbee 2021, Front. Plant Sci. 12:681156",
        None,
        &PHOTONS_400_750,
    )
};

/// Photons 400–700 nm and those of 700–750 nm that count, from the sums of 400–700 and 400–750 nm.
fn capped(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    /// Share of the total at most.
    const FAR_RED: f64 = 0.3;
    let most = sums[0] / (1.0 - FAR_RED);
    if sums[1] > most {
        (gradient[0], gradient[1]) = (1.0 / (1.0 - FAR_RED), 0.0);
        return Ok(most);
    }
    (gradient[0], gradient[1]) = (0.0, 1.0);
    Ok(sums[1])
}

/// Photosynthetically active radiation as energy.
pub const PAR_IRRADIANCE: Quantity = Quantity {
    id: "par_irradiance",
    unit: "W m-2",
    title: "Photosynthetically active irradiance",
    definition: "Energy 400-700 nm, unweighted",
    source: "ANSI/ASABE S640 (radiant version)",
    remark: "",
    group: Group::Plants,
    limit: Limit { relative: 0.10, absolute: 0.25, reason: "as for ppfd: 1 umol of daylight carries 0.22 J" },
    plausible: Plausible::sun_and_lamps(0.5, 0.3),
    recipe: Recipe::Linear { row: &ENERGY_400_700, factor: 1.0 },
};

/// Blue photons.
pub const PFD_BLUE: Quantity = photon_flux(
    "pfd_blue",
    "Blue photon flux density",
    "Photons 400-500 nm",
    "ANSI/ASABE S640",
    Plausible::sun_and_lamps(0.75, 1.0),
    &PHOTONS_400_500,
);

/// Green photons.
pub const PFD_GREEN: Quantity = photon_flux(
    "pfd_green",
    "Green photon flux density",
    "Photons 500-600 nm",
    "ANSI/ASABE S640",
    Plausible::sun_and_lamps(0.85, 1.0),
    &PHOTONS_500_600,
);

/// Red photons.
pub const PFD_RED: Quantity = photon_flux(
    "pfd_red",
    "Red photon flux density",
    "Photons 600-700 nm",
    "ANSI/ASABE S640",
    Plausible::sun_and_lamps(0.95, 1.0),
    &PHOTONS_600_700,
);

/// Far-red photons.
pub const PFD_FAR_RED: Quantity = photon_flux(
    "pfd_far_red",
    "Far-red photon flux density",
    "Photons 700-800 nm",
    "ANSI/ASABE S640",
    Plausible::sun(0.9),
    &PHOTONS_700_800,
);

/// Yield photon flux density.
pub const YPFD: Quantity = Quantity {
    remark: "mean of field-grown plants; the chamber means of the same paper give about 6 % more under the sun",
    ..photon_flux(
        "ypfd",
        "Yield photon flux density",
        "Photons weighted by McCree's relative quantum yield (field means, 350-725 nm, linear, zero at 325 and 750 nm)",
        "McCree 1972a, Agric. Meteorol. 9:191-216, table IV; Sager et al. 1988, Trans. ASAE 31(6):1882-1889",
        Plausible::sun(2.1),
        &YIELD_PHOTONS,
    )
};

/// Phytochrome photoequilibrium.
pub const PHYTOCHROME_EQUILIBRIUM: Quantity = Quantity {
    id: "phytochrome_equilibrium",
    unit: "1",
    title: "Phytochrome photoequilibrium",
    definition: "Photons weighted by the cross-section of the red-absorbing form over photons weighted by both forms', 300-800 nm",
    source: "Sager et al. 1988, Trans. ASAE 31(6):1882-1889; cross-sections of Lagarias et al. 1987 as in Kusuma & Bugbee 2021",
    remark: "light on the leaf, not in it; other sets of cross-sections differ by some 0.005",
    group: Group::Plants,
    limit: Limit { relative: 0.0, absolute: 0.02, reason: "a tenth of the range between deep shade and daylight" },
    plausible: None,
    recipe: Recipe::Finish { rows: &[&PHYTOCHROME_RED, &PHYTOCHROME_BOTH], bright: 1, finish: ratio },
};

/// Highest ratio of red to far red [1]: stray light of array spectrometers is some 1e-4 of the brightest light.
const MOST_RED: f64 = 1000.0;

/// Red to far-red ratio.
pub const RED_FAR_RED_RATIO: Quantity = Quantity {
    id: "red_far_red_ratio",
    unit: "1",
    title: "Red to far-red ratio",
    definition: "Photons 655-665 nm over photons 725-735 nm",
    source: "Smith 1982, Annu. Rev. Plant Physiol. 33:481-518",
    remark: "10 nm bands, 655-665 over 725-735 nm; other definitions differ several-fold on the same light; none above 1000",
    group: Group::Plants,
    limit: Limit {
        relative: 0.10,
        absolute: 0.05,
        reason: "a tenth of the value, about the least change that shade responses are known for",
    },
    plausible: None,
    recipe: Recipe::Finish { rows: &[&PHOTONS_655_665, &PHOTONS_725_735], bright: 1, finish: red_over_far_red },
};

/// Red over far red [1]; none where the far red may be stray light of the red.
fn red_over_far_red(sums: &[f64], gradient: &mut [f64]) -> Result<f64, NullReason> {
    match ratio(sums, gradient)? {
        value if value > MOST_RED => Err(NullReason::TooLittleFarRed),
        value => Ok(value),
    }
}

/// Red to far-red ratio of whole bands.
pub const RED_FAR_RED_RATIO_WIDE: Quantity = Quantity {
    id: "red_far_red_ratio_wide",
    title: "Red to far-red ratio, whole bands",
    definition: "Photons 600-700 nm over photons 700-800 nm",
    source: "bands of ANSI/ASABE S640",
    remark: "100 nm bands, 600-700 over 700-800 nm: not to be compared with red_far_red_ratio",
    recipe: Recipe::Finish { rows: &[&PHOTONS_600_700, &PHOTONS_700_800], bright: 1, finish: red_over_far_red },
    ..RED_FAR_RED_RATIO
};

/// Blue to green ratio.
pub const BLUE_GREEN_RATIO: Quantity = Quantity {
    id: "blue_green_ratio",
    title: "Blue to green ratio",
    definition: "Photons 400-500 nm over photons 500-600 nm",
    source: "bands of ANSI/ASABE S640",
    remark: "",
    recipe: Recipe::Finish { rows: &[&PHOTONS_400_500, &PHOTONS_500_600], bright: 1, finish: ratio },
    ..RED_FAR_RED_RATIO
};

/// Red to blue ratio.
pub const RED_BLUE_RATIO: Quantity = Quantity {
    id: "red_blue_ratio",
    title: "Red to blue ratio",
    definition: "Photons 600-700 nm over photons 400-500 nm",
    source: "bands of ANSI/ASABE S640",
    remark: "",
    recipe: Recipe::Finish { rows: &[&PHOTONS_600_700, &PHOTONS_400_500], bright: 1, finish: ratio },
    ..RED_FAR_RED_RATIO
};

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: far-red of up to 3/7 of the photosynthetic photons counts whole, more does not count, and the derivatives say so.
    #[test]
    fn far_red_counts_up_to_three_tenths_of_the_total() {
        for (sums, want, slope) in [
            ([70.0, 70.0], 70.0, [0.0, 1.0]),
            ([70.0, 100.0], 100.0, [0.0, 1.0]),
            ([70.0, 400.0], 100.0, [1.0 / 0.7, 0.0]),
        ] {
            let mut gradient = [f64::NAN; 2];
            let got = capped(&sums, &mut gradient).unwrap();
            assert!((got - want).abs() < 1e-12 && gradient == slope, "{sums:?}: {got}, {gradient:?}");
        }
    }
}
