use super::super::example_archive::archive;
use super::*;

#[test]
fn a_file_is_complete_or_absent() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("out.csv");
    write_atomically(&path, |out| out.write_all(b"first").map_err(WriteError::Output)).unwrap();
    let failed = write_atomically(&path, |out| {
        out.write_all(b"second").map_err(WriteError::Output)?;
        Err::<(), _>(WriteError::Command(Failure::Failed("the database failed".into())))
    });
    assert_eq!(failed.unwrap_err().at(&path), Failure::Failed("the database failed".into()));
    assert_eq!(std::fs::read(&path).unwrap(), b"first");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    let nowhere = folder.path().join("no/out.csv");
    let error = write_atomically(&nowhere, |_| Ok(())).unwrap_err().at(&nowhere).to_string();
    assert!(error.contains("no/out.csv: No such file"), "{error}");
}

#[test]
fn times_are_instants_or_dates() {
    assert_eq!(instant("2026-06-21T14:00:00+02:00").unwrap(), instant("2026-06-21T12:00:00Z").unwrap());
    assert_eq!(instant("2026-06-21").unwrap().to_string(), "2026-06-21T00:00:00Z");
    assert!(instant("yesterday").unwrap_err().starts_with("expected an instant as in"));
}

fn exported(archive: &Archive, what: What, from: &str, to: &str) -> String {
    let mut out = Vec::new();
    let selection = Selection { from: instant(from).unwrap(), to: instant(to).unwrap(), instrument: None };
    let written = csv(archive, &selection, what, Path::new("out"), &mut out);
    written.map_err(|e| e.at(Path::new("out"))).unwrap();
    String::from_utf8(out).unwrap()
}

fn rows(text: &str) -> Vec<&str> {
    text.lines().filter(|l| !l.starts_with('#')).collect()
}

const VALUE_HEADER: &str = "id,time_start,time_mid,time_end,instrument,calibration,configuration,computation,\
     sun_elevation,sun_azimuth,relative_air_mass,detector_temperature,exposures,integration_time_short,integration_time_long,\
     exposure_count,light_time,peak_level,signal_to_noise,stray_floor,dark_age,uv_index_stray_share,lamps_ppfd,lamps_uncertainty,flags,reasons,\
     ppfd,ppfd_uncertainty,ppfd_verdict,ppfd_flags,cct,cct_uncertainty,cct_verdict,cct_flags";

#[test]
fn a_row_has_the_documented_columns() {
    let (_folder, archive) = archive(false);
    let text = exported(&archive, What::Values, "2026-06-21", "2026-06-21T12:01:00Z");
    assert_eq!(
        rows(&text),
        [
            VALUE_HEADER,
            "1,2026-06-21T11:59:59.500Z,2026-06-21T12:00:00Z,2026-06-21T12:00:00.500Z,\"roof, head\",lab-7,1,1,-3.25,\
             ,,1.5e-7,\"[[0.05,4],[5.0,1]]\",0.05,5,5,5.2,0.5,,0.30000000000000004,60,,,,warming low_sun,\
             \"{\"\"cct\"\":\"\"too little \\\"\"light\\\"\", it says\"\"}\",-0.125,0.5,suspect,warming,,,,"
        ]
    );
    for want in ["# instrument: roof, head, serial number VB-1", "# unit of ppfd: umol m-2 s-1", "# unit of cct: K"] {
        assert!(text.lines().any(|l| l == want), "no line `{want}` in\n{text}");
    }
    assert!(text.starts_with("# program: vigilux "));
    assert!(text.contains("# from: 2026-06-21T00:00:00Z\n# to: 2026-06-21T12:01:00Z\n"));
}

#[test]
fn windows_add_three_columns_per_quantity() {
    let (_folder, archive) = archive(true);
    let text = exported(&archive, What::Values, "2026-01-01", "2027-01-01");
    let lines = rows(&text);
    assert_eq!(lines.len(), 4);
    assert!(lines[0].ends_with("cct,cct_uncertainty,cct_verdict,cct_flags,cct_minimum,cct_maximum,cct_deviation"));
    assert!(lines[3].ends_with(",-0.125,0.5,suspect,warming,1.5,2.5,0.25,,,,,,,"), "{}", lines[3]);
}

#[test]
fn an_export_without_rows_has_its_header() {
    let (_folder, archive) = archive(false);
    let text = exported(&archive, What::Values, "2030-01-01", "2031-01-01");
    assert_eq!(rows(&text), [VALUE_HEADER]);
    let text = exported(&archive, What::Frames, "2026-01-01", "2027-01-01");
    assert_eq!(
        rows(&text),
        [
            "reading,bracket,time_start,time_end,instrument,integration_time,exposures,detector_temperature,clipped,light_variation,\
             dark,dark_model,pixel,counts"
        ]
    );
}

#[test]
fn lists_name_the_instrument_of_each_row() {
    let (_folder, archive) = archive(false);
    let text = exported(&archive, What::Calibrations, "2026-01-01", "2027-01-01");
    let lines = rows(&text);
    assert_eq!(lines[0], "id,instrument,name,active_since,program_version,sha256,stray_matrix,text");
    assert!(lines[1].starts_with("1,\"roof, head\",lab-7,2026-06-21T12:00:00Z,"), "{}", lines[1]);
    let text = exported(&archive, What::Detector, "2026-01-01", "2027-01-01");
    assert_eq!(rows(&text)[1], "1,\"roof, head\",VB-1,,8,65535,[],0.001,60,0,0.1,2026-06-21T12:00:00Z");
}
