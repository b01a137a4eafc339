//! Minutes that other stations measured, played through the simulator: no monitor may detect anything.

use crate::campaign::*;
use crate::closed_loop::Loop;
use crate::support::{measured, python};
use std::io::Write;
use vigilux::quality::clear_sky::expected_global;
use vigilux::record::{EventKind, Flag};
use vigilux::simulator::scenes::SkyKind;
use vigilux::sun::{self, Place};

/// A measured sky as a share of a clear one, minute by minute, as a file for the simulator; with a low sun the last value holds.
fn modulation(series: &[f64], begins: &str, place: Place) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::new().expect("a file can be made");
    writeln!(file, "time_utc,factor").expect("the file can be written");
    let (mut factor, begins) = (0.5, at(begins));
    for (minute, watts) in series.iter().enumerate() {
        let time = begins.plus_seconds(60.0 * minute as f64);
        let elevation = sun::position(place, time).map_or(-90.0, |s| s.elevation_deg);
        if elevation > 5.0 && watts.is_finite() {
            factor = (watts / expected_global(elevation)).clamp(0.0, 2.0);
        }
        writeln!(file, "{time},{factor:.5}").expect("the file can be written");
    }
    file
}

/// Independent: a month of minutes of BSRN Payerne (June 2016, thunderstorms and clear days) and a winter day of SURFRAD
/// Alamosa, from pvlib's source distribution, as factors on the simulator's changing sky: no monitor may exceed its limit.
#[test]
fn months_as_others_measured_them_raise_no_false_flag() {
    let found = python::json_with("tests/references/clear_sky.py", &[measured::folder().as_os_str()]);
    for (station_name, begins, hours, cron, place) in [
        ("payerne", "2016-06-01T00:00:00Z", 720.0, "0 */5 * * * *", (46.815, 6.944, 491.0)),
        ("alamosa", "2016-01-01T00:00:00Z", 24.0, "0 * * * * *", (37.70, -105.92, 2317.0)),
    ] {
        let series = found[station_name]["measured"].as_array().expect("a series");
        let series: Vec<f64> = series.iter().map(|x| x.as_f64().unwrap_or(f64::NAN)).collect();
        let place = Place { latitude_deg: place.0, longitude_deg: place.1, altitude_m: place.2 };
        let file = modulation(&series, begins, place);
        let mut bench = bench(1, SkyKind::Clear);
        (bench.scene.latitude_deg, bench.scene.longitude_deg) = (place.latitude_deg, place.longitude_deg);
        bench.scene.altitude_m = place.altitude_m;
        bench.scene.modulation = Some(file.path().to_path_buf());
        let config = station(cron, 5.0)
            .replace("latitude_deg = 48.0", &format!("latitude_deg = {}", place.latitude_deg))
            .replace("longitude_deg = 11.0", &format!("longitude_deg = {}", place.longitude_deg))
            .replace("altitude_m = 300", &format!("altitude_m = {}", place.altitude_m));
        let mut run = Loop::new(&bench, &config, begins);
        run.run_hours(hours);
        let clear_days = response(&run).levels.len();
        row(&format!("measured minutes, {station_name}"), 1, &format!("no flag; {clear_days} clear days"));
        for flag in [Flag::WavelengthDrift, Flag::ResponseDrift, Flag::Obstructed] {
            assert_eq!(spans(&run, flag), [], "{station_name}");
        }
        let told: Vec<_> = run.events.iter().filter(|e| e.kind == EventKind::Drift).collect();
        assert!(told.is_empty(), "{station_name}: {told:?}");
        assert_eq!(wrong(&run, "ppfd", |truth| (0.02 * truth).max(1.0)), (0, None));
    }
}
