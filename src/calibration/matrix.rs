//! Reads the stray-light matrix: a square CSV of numbers, pixels × pixels.
//!
//! Empty lines and comment lines (`#` first) are skipped. Source of the method: Zong, Brown, Johnson, Lykke & Ohno
//! 2006, Applied Optics 45(6):1111.

use super::WavelengthScale;
use crate::document::{Diagnostic, Diagnostics, describe_io_error};
use std::path::Path;

/// Largest accepted matrix [pixels per side]; 4096 take 128 MB.
const MAX_SIDE: usize = 4096;
/// Largest accepted file [bytes]: 25 characters per number.
const MAX_FILE_BYTES: u64 = (MAX_SIDE * MAX_SIDE * 25) as u64;

/// Reads a matrix file; returns the matrix in row-major order and the CRC-32 of the file.
pub fn load(path: &Path) -> Result<(Vec<f64>, u32), Diagnostics> {
    let refuse = |expected: String, found: String| Diagnostics::one(Diagnostic::of_file(path, &expected, found));
    let unreadable = |e: std::io::Error| refuse("a readable matrix".into(), describe_io_error(path, &e));
    let length = std::fs::metadata(path).map_err(unreadable)?.len();
    if length > MAX_FILE_BYTES {
        return Err(refuse(format!("at most {MAX_FILE_BYTES} bytes"), format!("{length} bytes")));
    }
    let bytes = std::fs::read(path).map_err(unreadable)?;
    let text = std::str::from_utf8(&bytes).map_err(|_| refuse("UTF-8 text".into(), "other bytes".into()))?;
    Ok((parse(path, text)?, crc32fast::hash(&bytes)))
}

/// Reads the text of the matrix file `path`.
pub fn parse(path: &Path, text: &str) -> Result<Vec<f64>, Diagnostics> {
    let refuse = |line: usize, expected: String, found: String| {
        Diagnostics::one(Diagnostic { line: Some(line), ..Diagnostic::of_file(path, &expected, found) })
    };
    let mut matrix = Vec::new();
    let mut side = 0;
    let mut rows = 0;
    for (number, line) in text.lines().enumerate().map(|(i, l)| (i + 1, l.trim())) {
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let before = matrix.len();
        for (column, field) in line.split(',').enumerate() {
            match field.trim().parse::<f64>() {
                Ok(entry) if entry.is_finite() && column < MAX_SIDE => matrix.push(entry),
                Ok(entry) if entry.is_finite() => {
                    return Err(refuse(number, format!("at most {MAX_SIDE} columns"), "more".into()));
                }
                _ => {
                    let found = format!("`{}` in column {}", field.trim(), column + 1);
                    return Err(refuse(number, "a finite number".into(), found));
                }
            }
        }
        let columns = matrix.len() - before;
        if rows == 0 {
            side = columns;
        }
        if columns != side {
            return Err(refuse(number, format!("{side} columns as in the first row"), format!("{columns}")));
        }
        rows += 1;
        if rows > side {
            return Err(refuse(number, format!("a square matrix, {side} rows"), "more".into()));
        }
    }
    if rows == 0 || rows != side {
        let expected = format!("a square matrix, {} rows", side.max(1));
        return Err(Diagnostics::one(Diagnostic::of_file(path, &expected, format!("{rows} rows"))));
    }
    Ok(matrix)
}

/// Checks that the wavelength scale rises over all pixels; the side of the matrix gives their number.
pub fn check_scale(path: &Path, scale: &WavelengthScale, matrix: &[f64]) -> Result<(), Diagnostics> {
    let pixels = matrix.len().isqrt();
    let Some(pixel) = u32::try_from(pixels).ok().and_then(|n| scale.first_fall(n)) else { return Ok(()) };
    Err(Diagnostics::one(Diagnostic {
        key: "wavelength.coefficients".into(),
        ..Diagnostic::of_file(
            path,
            &format!("wavelengths that rise over {pixels} pixels"),
            format!("a fall at pixel {pixel}"),
        )
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(text: &str) -> String {
        parse(Path::new("m.csv"), text).unwrap_err().to_string()
    }

    /// Comment lines, empty lines and blanks around numbers are ignored.
    #[test]
    fn a_square_matrix_is_read_row_by_row() {
        assert_eq!(parse(Path::new("m.csv"), "# invented\n1,0.1\n\n 2 , -3e-1\n").unwrap(), [1.0, 0.1, 2.0, -0.3]);
    }

    /// Each error names the line, the rule and the value found.
    #[test]
    fn a_matrix_that_is_not_square_or_not_finite_is_refused() {
        assert_eq!(found(""), "m.csv: expected a square matrix, 1 rows, but found 0 rows");
        assert_eq!(found("1,2\n"), "m.csv: expected a square matrix, 2 rows, but found 1 rows");
        assert_eq!(found("1,2\n3,4\n5,6\n"), "m.csv:3: expected a square matrix, 2 rows, but found more");
        assert_eq!(found("1,2\n3\n"), "m.csv:2: expected 2 columns as in the first row, but found 1");
        assert_eq!(found("1,NaN\n3,4\n"), "m.csv:1: expected a finite number, but found `NaN` in column 2");
        assert_eq!(found("1,\n3,4\n"), "m.csv:1: expected a finite number, but found `` in column 2");
    }
}
