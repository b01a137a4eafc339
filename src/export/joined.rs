//! One NetCDF file of many sheets: pieces that share a header, their records one after another.
//!
//! In the classic format a file is a header, the variables without time, then the records, each with its part of every
//! variable over the unlimited time; the header tells their number in bytes 4 to 8 (NetCDF Classic Format Specification,
//! `numrecs`, which scipy 1.17.1 reads there: `scipy.io.netcdf_file`; other programs read the files back in the tests). So files whose headers are alike but for that number
//! are joined by appending records. What must stay true: only the number of records ever differs between what is joined.

use super::ExportError;
use super::whole::{Whole, output};
use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Where the header tells the number of records.
const RECORDS: std::ops::Range<usize> = 4..8;

/// A file that grows piece by piece and appears once it is whole.
#[derive(Debug)]
pub struct Joined {
    whole: Whole,
    path: PathBuf,
    file: File,
    /// All before the records, as in the first piece.
    head: Vec<u8>,
    records: u64,
}

impl Joined {
    /// Begins a file with its first piece: the bytes of a whole file with so many records of so many bytes each.
    pub fn begin(path: &Path, piece: &[u8], records: usize, record_size: usize) -> Result<Self, ExportError> {
        let whole = Whole::with_folder(path)?;
        let mut file = File::create(whole.part()).map_err(output(path))?;
        file.write_all(piece).map_err(output(path))?;
        let head = head(piece, records, record_size).to_vec();
        Ok(Self { whole, path: path.to_owned(), file, head, records: records as u64 })
    }

    /// Whether a piece has the header of this file.
    pub fn fits(&self, piece: &[u8], records: usize, record_size: usize) -> bool {
        let other = head(piece, records, record_size);
        let (a, b) = (RECORDS.start, RECORDS.end);
        self.head.len() == other.len()
            && self.head.get(..a) == other.get(..a)
            && self.head.get(b..) == other.get(b..)
            // The number is a signed one of four bytes.
            && i32::try_from(self.records + records as u64).is_ok()
    }

    /// Appends the records of a piece that fits.
    pub fn append(&mut self, piece: &[u8], records: usize) -> Result<(), ExportError> {
        let body = piece.get(self.head.len()..).unwrap_or_default();
        self.file.write_all(body).map_err(output(&self.path))?;
        self.records += records as u64;
        Ok(())
    }

    /// Tells the header the number of records, and gives the file its name.
    pub fn keep(mut self) -> Result<(), ExportError> {
        let number = (self.records as u32).to_be_bytes();
        let told = self.file.seek(SeekFrom::Start(RECORDS.start as u64)).and_then(|_| self.file.write_all(&number));
        told.map_err(output(&self.path))?;
        self.whole.keep()
    }
}

/// All before the records.
fn head(piece: &[u8], records: usize, record_size: usize) -> &[u8] {
    &piece[..piece.len().saturating_sub(records * record_size)]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A made-up file: 4 bytes, the number of records, `rest` of the head, then records of two bytes.
    fn piece(rest: &[u8], records: &[[u8; 2]]) -> Vec<u8> {
        let number = (records.len() as u32).to_be_bytes();
        [b"CDF\x02", &number[..], rest, &records.concat()].concat()
    }

    /// Identity: joined pieces are the file that had been written at once; another head does not fit.
    #[test]
    fn joined_pieces_are_the_file_written_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.nc");
        let (first, second) = (piece(b"head", &[[1, 2], [3, 4]]), piece(b"head", &[[5, 6]]));
        let mut joined = Joined::begin(&path, &first, 2, 2).unwrap();
        assert!(joined.fits(&second, 1, 2));
        assert!(!joined.fits(&piece(b"heed", &[[5, 6]]), 1, 2));
        assert!(!joined.fits(&piece(b"header", &[[5, 6]]), 1, 2));
        joined.append(&second, 1).unwrap();
        assert!(!path.exists());
        joined.keep().unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), piece(b"head", &[[1, 2], [3, 4], [5, 6]]));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
