//! Takes lamps out of the spectrum in which the wavelength scale is checked: their flanks look like shifted lines of the sun. Pure.

use super::fit::{STRETCHES, Stretch};
use crate::reduction::lamps::LampLight;

/// Averaged residual of the separation up to which a range is used [1]: that of lines that are off by 4 nm is 0.027 at most.
const RESIDUAL: f64 = 0.03;
/// Share of the lamps in the light of [`AVERAGED_NM`] up to which a range is used, where the separation's fit shows what is left of them, and
/// beyond the range of that fit [1].
const LAMPS: f64 = 0.5;
const LAMPS_BEYOND_FIT: f64 = 0.03;
/// Width over which shares are averaged [nm].
const AVERAGED_NM: f64 = 10.0;
/// Share of sunlight in the PPFD from which the scale is checked [1]: below it the lines of the sun are weak.
const SUNLIGHT: f64 = 0.2;

/// The rate of sun and sky in every pixel [counts/s]; `None` where there is too little of it. Ranges in which it is not known are excluded
/// from what is usable.
///
/// rate: of all light in every pixel [counts/s].
pub fn without_lamps(lamps: &LampLight, rate: &[f64], wavelength_nm: &[f64], usable: &mut [bool]) -> Option<Vec<f64>> {
    if !(lamps.all_ppfd - lamps.ppfd >= SUNLIGHT * lamps.all_ppfd && lamps.all_ppfd > 0.0) {
        return None;
    }
    let unknown = lamps.averaged.iter().any(|(_, r)| r.abs() > RESIDUAL);
    for stretch in STRETCHES {
        let mut within = lamps.averaged.iter().filter(|(nm, _)| *nm > stretch.from && *nm < stretch.to).peekable();
        let beyond_fit = within.peek().is_none();
        let explained = within.all(|(_, r)| r.abs() <= RESIDUAL);
        let most = if beyond_fit { LAMPS_BEYOND_FIT } else { LAMPS };
        let known = highest_share(lamps, rate, wavelength_nm, stretch) <= most;
        if !(explained && known) || (beyond_fit && unknown) {
            let inside = |i: &usize| wavelength_nm[*i] >= stretch.from && wavelength_nm[*i] <= stretch.to;
            (0..wavelength_nm.len()).filter(inside).for_each(|i| usable[i] = false);
        }
    }
    Some(rate.iter().zip(&lamps.rate).map(|(all, lamps)| all - lamps).collect())
}

/// The highest share of the lamps in a range, over every [`AVERAGED_NM`] of it.
fn highest_share(lamps: &LampLight, rate: &[f64], wavelength_nm: &[f64], stretch: Stretch) -> f64 {
    let at = |nm: f64| wavelength_nm.partition_point(|w| *w < nm);
    let mut highest: f64 = 0.0;
    let mut from = stretch.from;
    while from < stretch.to {
        let pixels = at(from)..at((from + AVERAGED_NM).min(stretch.to));
        let (all, part) = (&rate[pixels.clone()], &lamps.rate[pixels]);
        let (all, part) = (all.iter().sum::<f64>(), part.iter().sum::<f64>());
        if part > 0.0 {
            highest = highest.max(if all > 0.0 { part / all } else { 1.0 });
        }
        from += 0.5 * AVERAGED_NM;
    }
    highest
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduction::lamps::Knowledge;

    struct Lit {
        nm: Vec<f64>,
        rate: Vec<f64>,
        light: LampLight,
    }

    /// Even light with a share of lamps between two wavelengths, and a fit from 400 to 685 nm that explains it.
    fn lit(from_nm: f64, to_nm: f64, share: f64) -> Lit {
        let nm: Vec<f64> = (0..600).map(|i| 300.0 + f64::from(i)).collect();
        let rate = vec![100.0; nm.len()];
        let lamps: Vec<f64> =
            nm.iter().map(|w| if *w >= from_nm && *w <= to_nm { 100.0 * share } else { 0.0 }).collect();
        let averaged = (400..680).step_by(2).map(|nm| (f64::from(nm) + 5.0, 0.01)).collect();
        let alone = LampLight::alone(&rate, 100.0);
        let light = LampLight { rate: lamps, ppfd: 30.0, knowledge: Knowledge::Separated, averaged, ..alone };
        Lit { nm, rate, light }
    }

    /// Beginnings of the ranges that are used whole.
    fn used(lit: &Lit) -> Option<Vec<f64>> {
        let mut usable = vec![true; lit.nm.len()];
        let sunlight = without_lamps(&lit.light, &lit.rate, &lit.nm, &mut usable);
        let whole = |s: &Stretch| lit.nm.iter().zip(&usable).all(|(w, u)| *u || *w <= s.from || *w >= s.to);
        sunlight.map(|_| STRETCHES.iter().filter(|s| whole(s)).map(|s| s.from).collect())
    }

    /// Lamps that are known are subtracted; where they are most of the light, and beyond the fit's range, a range is left out.
    #[test]
    fn known_lamps_are_subtracted_or_left_out() {
        let all = vec![345.0, 395.0, 450.0, 746.0];
        assert_eq!(used(&lit(430.0, 470.0, 0.3)), Some(all.clone()));
        assert_eq!(used(&lit(430.0, 470.0, 0.7)), Some(vec![345.0, 746.0]));
        assert_eq!(used(&lit(640.0, 680.0, 0.9)), Some(all));
        assert_eq!(used(&lit(748.0, 760.0, 0.2)), Some(vec![345.0, 395.0, 450.0]));
        let Lit { nm, rate, light } = lit(430.0, 470.0, 0.3);
        let sunlight = without_lamps(&light, &rate, &nm, &mut vec![true; nm.len()]).unwrap();
        assert_eq!((sunlight[100], sunlight[150]), (100.0, 70.0));
    }

    /// Structure that no known lamp has excludes its range and those beyond the fit; with little sunlight nothing is checked.
    #[test]
    fn unknown_lamps_and_little_sun_are_left_out() {
        let mut unknown = lit(430.0, 470.0, 0.0);
        unknown.light.averaged[60].1 = -0.031;
        assert_eq!(unknown.light.averaged[60].0, 525.0);
        assert_eq!(used(&unknown), Some(vec![395.0]));
        let of = |ppfd: f64, all_ppfd: f64| {
            let lit = lit(430.0, 470.0, 0.0);
            used(&Lit { light: LampLight { ppfd, all_ppfd, ..lit.light }, ..lit })
        };
        assert!(of(79.0, 100.0).is_some());
        assert_eq!((of(81.0, 100.0), of(0.0, 0.0), of(f64::NAN, 100.0)), (None, None, None));
    }
}
