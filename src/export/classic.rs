//! Files of the NetCDF classic format with 64-bit offsets (CDF-2), written record by record.
//!
//! A file is a header, the variables without the unlimited dimension, and then the records, each with its part of every variable
//! over that dimension. The header states the number of records, so it is written at the start and again at the end. All values
//! have 4 or 8 bytes, and texts a multiple of 4, so no padding occurs. Source: NetCDF Classic and 64-bit Offset Format Specification (Unidata), from memory;
//! the tests read the files with three other implementations.

use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::Path;

const DIMENSIONS: u32 = 0x0A;
const VARIABLES: u32 = 0x0B;
const ATTRIBUTES: u32 = 0x0C;

/// Type of a variable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Text of a fixed length, in bytes of UTF-8; the length has to be a multiple of 4.
    Char,
    /// Integer of 32 bits.
    Int,
    /// Single precision.
    Float,
    /// Double precision.
    Double,
}

impl Kind {
    fn code(self) -> u32 {
        match self {
            Self::Char => 2,
            Self::Int => 4,
            Self::Float => 5,
            Self::Double => 6,
        }
    }

    fn bytes(self) -> u64 {
        match self {
            Self::Char => 1,
            Self::Int | Self::Float => 4,
            Self::Double => 8,
        }
    }
}

/// Value of an attribute.
#[derive(Clone, Debug, PartialEq)]
pub enum Value {
    /// Text, UTF-8.
    Text(String),
    /// Integers.
    Int(Vec<i32>),
    /// A number in single precision.
    Float(f32),
    /// A number in double precision.
    Double(f64),
}

/// Attributes by name.
pub type Attributes = Vec<(String, Value)>;

/// A variable.
#[derive(Clone, Debug, PartialEq)]
pub struct Variable {
    /// Name.
    pub name: String,
    /// Type.
    pub kind: Kind,
    /// Dimensions, as indices into [`Definition::dimensions`].
    pub dimensions: Vec<usize>,
    /// Attributes.
    pub attributes: Attributes,
}

/// Dimensions, attributes and variables of a file, without data.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Definition {
    /// Name and length; the first is the unlimited one, whose length is not used.
    pub dimensions: Vec<(String, u32)>,
    /// Attributes of the file.
    pub attributes: Attributes,
    /// Variables; a record contains their parts in this order.
    pub variables: Vec<Variable>,
}

impl Definition {
    fn is_record(variable: &Variable) -> bool {
        variable.dimensions.first() == Some(&0)
    }

    /// Size of a variable, or of its part of one record [bytes].
    fn size(&self, variable: &Variable) -> u64 {
        let lengths = variable.dimensions.iter().filter(|d| **d > 0).map(|d| u64::from(self.dimensions[*d].1));
        lengths.product::<u64>() * variable.kind.bytes()
    }

    /// The header of a file with a number of records.
    fn header(&self, records: u32) -> Vec<u8> {
        // The length of the header does not depend on the offsets of the variables.
        let length = self.header_with(records, &mut |_| 0).len() as u64;
        let fixed = |v: &&Variable| !Self::is_record(v);
        let (mut next, mut next_record) =
            (length, length + self.variables.iter().filter(fixed).map(|v| self.size(v)).sum::<u64>());
        self.header_with(records, &mut |variable| {
            let next = if Self::is_record(variable) { &mut next_record } else { &mut next };
            let begin = *next;
            *next += self.size(variable);
            begin
        })
    }

    fn header_with(&self, records: u32, begin: &mut dyn FnMut(&Variable) -> u64) -> Vec<u8> {
        let mut out = b"CDF\x02".to_vec();
        put(&mut out, records);
        list(&mut out, DIMENSIONS, self.dimensions.len());
        for (i, (name, length)) in self.dimensions.iter().enumerate() {
            text(&mut out, name);
            put(&mut out, if i == 0 { 0 } else { *length });
        }
        attributes(&mut out, &self.attributes);
        list(&mut out, VARIABLES, self.variables.len());
        for variable in &self.variables {
            text(&mut out, &variable.name);
            put(&mut out, variable.dimensions.len() as u32);
            variable.dimensions.iter().for_each(|d| put(&mut out, *d as u32));
            attributes(&mut out, &variable.attributes);
            put(&mut out, variable.kind.code());
            put(&mut out, u32::try_from(self.size(variable)).unwrap_or(u32::MAX));
            out.extend(begin(variable).to_be_bytes());
        }
        out
    }
}

fn put(out: &mut Vec<u8>, number: u32) {
    out.extend(number.to_be_bytes());
}

/// The head of a list; an empty list has no tag.
fn list(out: &mut Vec<u8>, tag: u32, count: usize) {
    put(out, if count == 0 { 0 } else { tag });
    put(out, count as u32);
}

/// Text with its length, padded to four bytes.
fn text(out: &mut Vec<u8>, text: &str) {
    put(out, text.len() as u32);
    out.extend(text.as_bytes());
    out.resize(out.len().next_multiple_of(4), 0);
}

fn attributes(out: &mut Vec<u8>, all: &Attributes) {
    const CHAR: u32 = 2;
    list(out, ATTRIBUTES, all.len());
    for (name, value) in all {
        text(out, name);
        match value {
            Value::Text(value) => {
                put(out, CHAR);
                text(out, value);
            }
            Value::Int(values) => {
                put(out, Kind::Int.code());
                put(out, values.len() as u32);
                out.extend(values.iter().flat_map(|v| v.to_be_bytes()));
            }
            Value::Float(value) => {
                put(out, Kind::Float.code());
                put(out, 1);
                out.extend(value.to_be_bytes());
            }
            Value::Double(value) => {
                put(out, Kind::Double.code());
                put(out, 1);
                out.extend(value.to_be_bytes());
            }
        }
    }
}

/// Writer of one file.
#[derive(Debug)]
pub struct Writer {
    definition: Definition,
    out: BufWriter<File>,
    records: u32,
}

impl Writer {
    /// Creates a file; the caller appends the variables without the unlimited dimension, then the records.
    pub fn create(path: &Path, definition: Definition) -> io::Result<Self> {
        let mut out = BufWriter::new(File::create(path)?);
        out.write_all(&definition.header(0))?;
        Ok(Self { definition, out, records: 0 })
    }

    /// The definition of the file.
    pub fn definition(&self) -> &Definition {
        &self.definition
    }

    /// Whether the format allows so many further records.
    pub fn has_room_for(&self, records: usize) -> bool {
        i32::try_from(self.records as usize + records).is_ok()
    }

    /// Appends integers.
    pub fn ints(&mut self, values: impl IntoIterator<Item = i32>) -> io::Result<()> {
        values.into_iter().try_for_each(|v| self.out.write_all(&v.to_be_bytes()))
    }

    /// Appends numbers in single precision.
    pub fn floats(&mut self, values: impl IntoIterator<Item = f32>) -> io::Result<()> {
        values.into_iter().try_for_each(|v| self.out.write_all(&v.to_be_bytes()))
    }

    /// Appends numbers in double precision.
    pub fn doubles(&mut self, values: impl IntoIterator<Item = f64>) -> io::Result<()> {
        values.into_iter().try_for_each(|v| self.out.write_all(&v.to_be_bytes()))
    }

    /// Appends a text, filled with zeros to its length; what is longer is cut off.
    pub fn text(&mut self, text: &str, length: usize) -> io::Result<()> {
        let bytes = &text.as_bytes()[..text.len().min(length)];
        self.out.write_all(bytes)?;
        self.out.write_all(&vec![0; length - bytes.len()])
    }

    /// Ends a record after all its parts were appended.
    pub fn end_record(&mut self) {
        self.records += 1;
    }

    /// Writes the header with the number of records.
    pub fn finish(mut self) -> io::Result<()> {
        self.out.seek(SeekFrom::Start(0))?;
        self.out.write_all(&self.definition.header(self.records))?;
        self.out.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: the `netcdf3` crate reads back dimensions, attributes and data.
    #[test]
    fn another_reader_reads_the_written_data() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.nc");
        let variable = |name: &str, kind, dimensions: &[usize], attributes| Variable {
            name: name.into(),
            kind,
            dimensions: dimensions.to_vec(),
            attributes,
        };
        let definition = Definition {
            dimensions: vec![("time".into(), 0), ("pixel".into(), 3)],
            attributes: vec![("title".into(), Value::Text("roof Süd".into()))],
            variables: vec![
                variable("pixel", Kind::Int, &[1], vec![]),
                variable("time", Kind::Double, &[0], vec![("units".into(), Value::Text("s".into()))]),
                variable("light", Kind::Float, &[0, 1], vec![("_FillValue".into(), Value::Float(9e36))]),
                variable("flags", Kind::Int, &[0], vec![("flag_masks".into(), Value::Int(vec![1, 2]))]),
                variable("offset", Kind::Double, &[1], vec![("scale".into(), Value::Double(0.5))]),
            ],
        };
        let mut writer = Writer::create(&path, definition).unwrap();
        writer.ints([0, 1, 2]).unwrap();
        writer.doubles([0.5, 1.5, 2.5]).unwrap();
        for k in 0..5_u8 {
            writer.doubles([f64::from(k) * 60.0]).unwrap();
            writer.floats([f32::from(k), 1.0, 2.0]).unwrap();
            writer.ints([i32::from(k)]).unwrap();
            writer.end_record();
        }
        writer.finish().unwrap();
        let mut reader = netcdf3::FileReader::open(&path).unwrap();
        assert_eq!(reader.data_set().num_records(), Some(5));
        assert_eq!(reader.data_set().get_global_attr_as_string("title").as_deref(), Some("roof Süd"));
        assert_eq!(reader.data_set().get_var_attr_i32("flags", "flag_masks"), Some(&[1, 2][..]));
        assert_eq!(reader.data_set().get_var_attr_f32("light", "_FillValue"), Some(&[9e36][..]));
        assert_eq!(reader.data_set().get_var_attr_f64("offset", "scale"), Some(&[0.5][..]));
        assert_eq!(reader.read_var_i32("pixel").unwrap(), [0, 1, 2]);
        assert_eq!(reader.read_var_f64("offset").unwrap(), [0.5, 1.5, 2.5]);
        assert_eq!(reader.read_var_f64("time").unwrap(), [0.0, 60.0, 120.0, 180.0, 240.0]);
        assert_eq!(reader.read_var_i32("flags").unwrap(), [0, 1, 2, 3, 4]);
        assert_eq!(reader.read_var_f32("light").unwrap()[3..9], [1.0, 1.0, 2.0, 2.0, 1.0, 2.0]);
    }
}
