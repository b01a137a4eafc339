//! Verdicts of values from which much stray light was subtracted.

use crate::closed_loop::{Loop, index};
use crate::roof::STATION;
use vigilux::archive::Recomputer;
use vigilux::clock::UtcMicros;
use vigilux::quantities::{Matrix, SourceRule, values};
use vigilux::simulator::settings::Settings;
use vigilux::store::Reader;

/// The effect of a floor below this says nothing: a tenth of the limit of the UV index.
const NEGLIGIBLE: f64 = 0.01;

/// Independent: what was subtracted is added to the stored spectrum again. A UV index of which more than half was stray light is never
/// good, and with a higher sun it is.
#[test]
fn a_uv_index_that_is_mostly_stray_light_is_not_good() {
    let spans = [("2026-06-21T11:00:00Z", "2026-06-21T11:08:00Z"), ("2026-06-21T17:50:00Z", "2026-06-21T18:40:00Z")];
    let (mut mostly, mut little) = (0, 0);
    for (from, to) in spans {
        let found = check(from, to);
        (mostly, little) = (mostly + found.0, little + found.1);
    }
    println!("{mostly} mostly stray light, {little} with little of it");
    assert!(mostly > 5 && little > 5, "{mostly} mostly stray light, {little} with little of it");
}

/// Checks the UV index of every reading between two instants; how many were mostly stray light, and how many had little of it.
fn check(from: &str, to: &str) -> (u32, u32) {
    let mut settings = Settings::default();
    settings.warm_up.on_since_min = 120.0;
    let mut station = Loop::new(&settings, &STATION.replace("link =", "warm_up_min = 0\nlink ="), from);
    station.run_until(to);
    let reader = Reader::open(&station.setup.config.store.path).expect("the database opens");
    let (mut recomputer, q) = (Recomputer::new(), index("uv_index"));
    let (mut mostly, mut little) = (0, 0);
    for stored in reader.readings(UtcMicros(i64::MIN), UtcMicros(i64::MAX)).expect("readings").map(|r| r.expect("one"))
    {
        let reduced = recomputer.evaluate(&reader, &stored).expect("it is recomputed").expect("a spectrum").reduced;
        let scale = &reduced.scale;
        let matrix = Matrix::build(&scale.wavelength_nm, scale.valid_nm, SourceRule::Sun);
        let floor = reduced.floor_rate.expect("a floor");
        let with_floor: Vec<f64> =
            reduced.irradiance.iter().enumerate().map(|(i, e)| e + floor * reduced.per_rate(i)).collect();
        let of = |light: &[f64]| values(&matrix, light)[q].clone().expect("a value");
        let (value, effect) = (of(&reduced.irradiance), of(&with_floor) - of(&reduced.irradiance));
        let (sun, good) = (stored.reading.sun_elevation.expect("a sun"), stored.reading.values[q].is_good());
        if effect > 0.52 * value && effect > 1.1 * NEGLIGIBLE {
            assert!(!good, "sun at {sun:.1}°: UV index {value:.3}, subtracted {effect:.3}");
            mostly += 1;
        }
        if effect < 0.2 * value {
            assert!(good, "sun at {sun:.1}°: UV index {value:.3}, subtracted {effect:.3}");
            little += 1;
        }
    }
    (mostly, little)
}
