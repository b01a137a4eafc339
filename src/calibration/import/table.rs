//! Tables of numbers as certificates and instruments write them: CSV, semicolons with decimal commas, tabs or blanks.
//!
//! Parses text. Skips blank lines, comments (`#`, `%`, `;` at the start) and one header line. Invariants of an accepted table: two to
//! four columns of finite numbers, at least two rows, the first column strictly rising (a falling one is turned round).

/// Rows of a table, at most.
const MOST_ROWS: usize = 70_000;
/// Faults that are listed.
const MOST_FAULTS: usize = 5;

/// A table by columns.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// The columns; as long as each other.
    pub columns: Vec<Vec<f64>>,
}

impl Table {
    /// The first column.
    pub fn axis(&self) -> &[f64] {
        &self.columns[0]
    }

    /// The second column.
    pub fn values(&self) -> &[f64] {
        &self.columns[1]
    }
}

/// Parses a table; `file` is its name in messages, which are returned all together.
pub fn parse(file: &str, text: &str) -> Result<Table, Vec<String>> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let (mut rows, mut faults) = (Vec::<(usize, Vec<f64>)>::new(), Vec::new());
    for (i, line) in text.lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with(['#', '%', ';']) {
            continue;
        }
        match numbers(line) {
            Ok(row) => rows.push((i + 1, row)),
            // The header.
            Err(_) if rows.is_empty() && faults.is_empty() && !line.starts_with(|c: char| c.is_ascii_digit()) => {}
            Err(found) => faults.push(format!("{file}:{}: expected numbers, but found `{}`", i + 1, shown(&found))),
        }
        if rows.len() > MOST_ROWS {
            return Err(vec![format!("{file}: expected at most {MOST_ROWS} rows, but found more")]);
        }
        if faults.len() >= MOST_FAULTS {
            return Err(faults);
        }
    }
    if !faults.is_empty() {
        return Err(faults);
    }
    let width = rows.first().map_or(0, |(_, row)| row.len());
    if rows.len() < 2 || !(2..=4).contains(&width) {
        let (n, width) = (rows.len(), width);
        return Err(vec![format!(
            "{file}: expected two to four columns and at least two rows, but found {n} rows of {width} columns"
        )]);
    }
    if let Some((line, row)) = rows.iter().find(|(_, row)| row.len() != width) {
        return Err(vec![format!("{file}:{line}: expected {width} columns, but found {}", row.len())]);
    }
    if rows[0].1[0] > rows[rows.len() - 1].1[0] {
        rows.reverse();
    }
    if let Some(pair) = rows.windows(2).find(|pair| !(pair[0].1[0] < pair[1].1[0])) {
        let ((_, before), (line, here)) = (&pair[0], &pair[1]);
        return Err(vec![format!(
            "{file}:{line}: expected a first column that rises, but found {} after {}",
            here[0], before[0]
        )]);
    }
    Ok(Table { columns: (0..width).map(|c| rows.iter().map(|(_, row)| row[c]).collect()).collect() })
}

/// The numbers of a line; the error is the field that is none.
fn numbers(line: &str) -> Result<Vec<f64>, String> {
    let fields: Vec<String> = if line.contains(';') {
        // A decimal comma.
        line.split(';').map(|f| f.trim().replace(',', ".")).collect()
    } else if line.contains(',') {
        line.split(',').map(|f| f.trim().to_owned()).collect()
    } else {
        line.split_whitespace().map(str::to_owned).collect()
    };
    let number = |f: &String| f.parse::<f64>().ok().filter(|n| n.is_finite()).ok_or_else(|| f.clone());
    fields.iter().map(number).collect()
}

fn shown(text: &str) -> String {
    text.chars().take(40).flat_map(char::escape_debug).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &str) -> Result<Table, String> {
        parse("t.csv", text).map_err(|faults| faults.join("\n"))
    }

    /// Identity: the same table with commas, blanks, tabs, semicolons and decimal commas, with a header and comments, and upside down.
    #[test]
    fn tables_are_read_in_the_forms_in_which_they_come() {
        let expected = Table { columns: vec![vec![300.0, 300.5], vec![1.5e-3, 2.0]] };
        for text in [
            "300,1.5e-3\n300.5,2\n",
            "# a comment\nwavelength_nm,response\n300,1.5e-3\n\n300.5,2\n",
            "300 1.5e-3\n300.5   2",
            "Wavelength\tuJ/count\r\n300\t1.5e-3\r\n300.5\t2\r\n",
            "nm;Wert\n300;1,5e-3\n300,5;2\n",
            "\u{feff}300.5,2\n300,1.5e-3\n",
        ] {
            assert_eq!(table(text), Ok(expected.clone()), "{text:?}");
        }
    }

    /// What cannot be read is refused with its line.
    #[test]
    fn a_table_that_cannot_be_read_is_refused_with_its_line() {
        for (text, expected) in [
            ("300,1\n301,x\n", "t.csv:2: expected numbers, but found `x`"),
            ("300,1\n301,2,3\n", "t.csv:2: expected 2 columns, but found 3"),
            ("300,1\n302,1\n301,1\n303,1\n", "t.csv:3: expected a first column that rises, but found 301 after 302"),
            ("300,1\n301,NaN\n", "t.csv:2: expected numbers, but found `NaN`"),
            ("300,1\n", "t.csv: expected two to four columns and at least two rows, but found 1 rows of 2 columns"),
            ("", "t.csv: expected two to four columns and at least two rows, but found 0 rows of 0 columns"),
        ] {
            assert_eq!(table(text), Err(expected.to_owned()), "{text:?}");
        }
    }
}
