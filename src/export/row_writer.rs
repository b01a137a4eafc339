//! Writes the cells of one row of a sheet, column by column.

use super::sheet::{Data, Sheet};
use crate::clock::UtcMicros;
use crate::record::Flags;

/// Writes the cells of one row, column by column.
pub(super) struct RowWriter<'a> {
    sheet: &'a mut Sheet,
    column: usize,
}

impl<'a> RowWriter<'a> {
    pub(super) fn new(sheet: &'a mut Sheet) -> Self {
        Self { sheet, column: 0 }
    }

    fn next(&mut self) -> &mut Data {
        self.column += 1;
        &mut self.sheet.columns[self.column - 1].data
    }

    pub(super) fn time(&mut self, t: UtcMicros) -> &mut Self {
        self.optional_time(Some(t))
    }
    pub(super) fn optional_time(&mut self, t: Option<UtcMicros>) -> &mut Self {
        if let Data::Time(v) = self.next() {
            v.push(t.map(|t| t.0));
        }
        self
    }
    pub(super) fn integer(&mut self, n: i64) -> &mut Self {
        self.optional_integer(Some(n))
    }
    pub(super) fn optional_integer(&mut self, n: Option<i64>) -> &mut Self {
        if let Data::Integer(v) = self.next() {
            v.push(n);
        }
        self
    }
    pub(super) fn real(&mut self, x: Option<f64>) -> &mut Self {
        if let Data::Real(v) = self.next() {
            v.push(x.unwrap_or(f64::NAN));
        }
        self
    }
    pub(super) fn flags(&mut self, flags: Flags) -> &mut Self {
        if let Data::Flags(v) = self.next() {
            v.push(flags.0);
        }
        self
    }
    pub(super) fn verdict(&mut self, code: Option<u8>) -> &mut Self {
        if let Data::Verdict(v) = self.next() {
            v.push(code);
        }
        self
    }
    pub(super) fn text(&mut self, text: &str) -> &mut Self {
        if let Data::Text(v) = self.next() {
            v.push(text.to_owned());
        }
        self
    }
    pub(super) fn list(&mut self, values: impl IntoIterator<Item = f32>) -> &mut Self {
        if let Data::Spectrum(v) = self.next() {
            v.extend(values);
        }
        self
    }
    pub(super) fn counts(&mut self, counts: &[u32]) -> &mut Self {
        if let Data::Counts(v) = self.next() {
            v.extend_from_slice(counts);
        }
        self
    }
    /// Ends the row; every column must have its cell.
    pub(super) fn end_row(self) {
        debug_assert_eq!(self.column, self.sheet.columns.len());
        self.sheet.rows += 1;
    }
}
