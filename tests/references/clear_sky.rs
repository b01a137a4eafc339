//! Detection of clear sky on measured minutes, compared with pvlib.

use crate::support::{measured, python};
use vigilux::quality::clear_sky::{Thresholds, detect, expected_global};

/// Independent: pvlib 0.16.1 `detect_clearsky` with its defaults on measured minutes of two stations (BSRN Payerne, June
/// 2016; SURFRAD Alamosa, one day) with the same expected sky. Both
/// say which minutes are clear; at least 95 % of those with the sun up must agree. pvlib uses the same criteria, so the fitted
/// scale agrees to its rounding of 1e-4.
#[test]
fn clear_minutes_of_measured_series_agree_with_pvlib() {
    let folder = measured::folder();
    let found = python::json_with("tests/references/clear_sky.py", &[folder.as_os_str()]);
    for station in ["payerne", "alamosa"] {
        let list = |key: &str| found[station][key].as_array().unwrap_or_else(|| panic!("{station}: no list {key}"));
        let numbers = |key: &str| list(key).iter().map(|x| x.as_f64().unwrap_or(f64::NAN)).collect::<Vec<f64>>();
        let (series, expected, elevation) = (numbers("measured"), numbers("expected"), numbers("elevation_deg"));
        let theirs: Vec<bool> = list("clear").iter().map(|x| x.as_bool().unwrap_or(false)).collect();
        assert!(series.len() >= 1440 && theirs.len() == series.len(), "{station}: {} minutes", series.len());

        let own = detect(&series, &expected, 1.0, &Thresholds::MINUTES);
        let up: Vec<usize> = (0..series.len()).filter(|i| expected[*i] > 0.0).collect();
        let count = |f: &dyn Fn(usize) -> bool| up.iter().filter(|i| f(**i)).count();
        let same = count(&|i| own.clear[i] == theirs[i]);
        let (ours, clear) = (count(&|i| own.clear[i]), count(&|i| theirs[i]));
        println!(
            "{station}: {} minutes with the sun up, clear {ours} (pvlib {clear}), the same {same}, size {:.4}",
            up.len(),
            own.scale
        );
        assert!(clear > 100, "{station}: pvlib finds {clear} clear minutes, too few to compare");
        assert!(same as f64 >= 0.95 * up.len() as f64, "{station}: {same} of {} minutes agree", up.len());
        // The same among the minutes that either calls clear, so that a mostly cloudy month cannot hide a difference.
        let either = count(&|i| own.clear[i] || theirs[i]);
        let both = count(&|i| own.clear[i] && theirs[i]);
        assert!(both as f64 >= 0.95 * either as f64, "{station}: {both} of {either} clear minutes agree");
        let scale = found[station]["scale"].as_f64().unwrap_or(f64::NAN);
        assert!((own.scale - scale).abs() < 2e-4, "{station}: size {} and pvlib {scale}", own.scale);

        // The expected sky of the program, at pvlib's apparent elevation. pvlib takes the true zenith, hence the horizon.
        for i in up.iter().filter(|i| elevation[**i] > 10.0) {
            let off = expected_global(elevation[*i]) - expected[*i];
            assert!(off.abs() < 3.0, "{station}, {:.1} degrees: off by {off} W m-2", elevation[*i]);
        }
    }
}
