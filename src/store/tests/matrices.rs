//! Stray-light matrices are stored with their calibration.

use super::*;
use crate::calibration::file;

/// A calibration with a stray-light matrix is read back from the database without its files.
#[test]
fn a_stored_calibration_is_read_back_without_its_files() {
    let s = TestDatabase::new();
    let side = 300;
    let matrix: Vec<f64> =
        (0..side * side).map(|k| if k % (side + 1) == 0 { 1.0 } else { -1e-5 / (1.0 + (k % 97) as f64) }).collect();
    let rows: Vec<String> =
        matrix.chunks(side).map(|r| r.iter().map(f64::to_string).collect::<Vec<_>>().join(",")).collect();
    std::fs::write(s.folder.path().join("stray.csv"), rows.join("\n")).unwrap();
    let text = include_str!("../../../config/calibration/example.toml");
    let head = "[stray_light]\n";
    assert!(text.contains(head));
    let text = text.replace(head, "[stray_light]\nmatrix = \"stray.csv\"\n");
    let path = s.folder.path().join("calibration.toml");
    let calibration = file::parse(&path, &text).unwrap();
    let register = |matrix| s.store.register_calibration(1, &calibration.id, &calibration.text, matrix, NOON).unwrap();
    let found = file::parse_stored(&calibration.text, None).unwrap_err().to_string();
    assert!(found.contains("expected its stray-light matrix stored with it, but found only the name"), "{found}");
    let row = register(calibration.stray_light.matrix.as_deref());
    assert_eq!(register(calibration.stray_light.matrix.as_deref()), row);
    let reader = Reader::open(&s.path()).unwrap();
    let stored = reader.calibration(row).unwrap().unwrap();
    let matrix = reader.stray_matrix(row).unwrap();
    assert_eq!(file::parse_stored(&stored.text, matrix).unwrap(), calibration);
    let count: i64 = s.shell().query_row("SELECT count(*) FROM stray_matrix_row", [], |r| r.get(0)).unwrap();
    assert_eq!(count, side as i64, "stored once");
    s.shell().execute("DELETE FROM stray_matrix_row WHERE id & 65535 = 7", []).unwrap();
    let error = reader.stray_matrix(row).unwrap_err().to_string();
    assert_eq!(error, "stray_matrix 1: expected 90000 numbers, but found 89700");
}
