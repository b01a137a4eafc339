//! Parquet in folders `station=/instrument=/date=`, the partitions of query engines: one file per day, zstd, timestamps in UTC; lists of
//! the station in `station=`.
//!
//! Spectra and counts are one list per row (three levels: column, `list`, `element`), with the wavelengths in another list
//! column. The values in the folder names are not repeated in the file.

use super::atomic_file::{AtomicFile, escaped, output};
use super::sheet::{Axis, Column, Data, Place, Sheet, Sink};
use super::{ExportError, Header, What};
use crate::record::{Flags, Verdict};
use parquet::basic::{Compression, Encoding, LogicalType, Repetition, TimeUnit, Type as Physical, ZstdLevel};
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, FloatType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{ColumnPath, Type, TypePtr};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Writes partitions below a folder.
pub struct Parquet {
    folder: PathBuf,
    what: What,
    header: Header,
    open: Option<Open>,
    /// Files written.
    pub files: u64,
}

struct Open {
    file: AtomicFile,
    path: PathBuf,
    writer: SerializedFileWriter<File>,
}

impl Parquet {
    /// Writes partitions below a folder.
    pub fn new(folder: &Path, what: What, header: Header) -> Self {
        Self { folder: folder.to_owned(), what, header, open: None, files: 0 }
    }

    fn path(&self, place: &Place) -> PathBuf {
        let mut path = self.folder.join(format!("station={}", escaped(&place.station)));
        if let Some(instrument) = &place.instrument {
            path.push(format!("instrument={}", escaped(instrument)));
        }
        if let Some(date) = &place.date {
            path.push(format!("date={date}"));
        }
        path.join(format!("{}.parquet", self.what.name()))
    }

    fn begin(&self, path: &Path, sheet: &Sheet) -> Result<Open, ExportError> {
        let failed = parquet_error(path);
        let schema = schema(sheet).map_err(&failed)?;
        let level = ZstdLevel::try_new(1).map_err(&failed)?;
        let mut metadata: Vec<KeyValue> =
            self.header.lines().map(|(key, text)| KeyValue::new(key, text.to_owned())).collect();
        let with_unit = sheet.columns.iter().filter(|c| !c.unit.is_empty());
        metadata.extend(with_unit.map(|c| KeyValue::new(format!("unit of {}", c.name), c.unit.clone())));
        let mut properties = WriterProperties::builder()
            .set_created_by(format!("vigilux {}", env!("CARGO_PKG_VERSION")))
            .set_compression(Compression::ZSTD(level))
            .set_key_value_metadata(Some(metadata));
        for column in &sheet.columns {
            // Measured values rarely repeat: no dictionary; bytes grouped by significance compress better with zstd.
            let path = match column.data {
                Data::Real(_) => ColumnPath::from(column.name.as_str()),
                Data::Spectrum(_) => list_path(&column.name),
                _ => continue,
            };
            properties = properties
                .set_column_dictionary_enabled(path.clone(), false)
                .set_column_encoding(path, Encoding::BYTE_STREAM_SPLIT);
        }
        let atomic = AtomicFile::with_folder(path)?;
        let file = File::create(atomic.temporary_path()).map_err(output(path))?;
        let writer = SerializedFileWriter::new(file, schema, Arc::new(properties.build())).map_err(&failed)?;
        Ok(Open { file: atomic, path: path.to_owned(), writer })
    }
}

fn parquet_error(path: &Path) -> impl Fn(ParquetError) -> ExportError + '_ {
    |why| ExportError::Format { path: path.to_owned(), format: "Parquet", why: why.to_string() }
}

fn list_path(name: &str) -> ColumnPath {
    ColumnPath::new(vec![name.to_owned(), "list".to_owned(), "element".to_owned()])
}

fn leaf(name: &str, physical: Physical, logical: Option<LogicalType>, optional: bool) -> Result<TypePtr, ParquetError> {
    let repetition = if optional { Repetition::OPTIONAL } else { Repetition::REQUIRED };
    let built = Type::primitive_type_builder(name, physical).with_repetition(repetition).with_logical_type(logical);
    Ok(Arc::new(built.build()?))
}

/// A required list column with optional elements.
fn list(name: &str, physical: Physical, logical: Option<LogicalType>) -> Result<TypePtr, ParquetError> {
    let element = leaf("element", physical, logical, true)?;
    let group = Type::group_type_builder("list").with_repetition(Repetition::REPEATED).with_fields(vec![element]);
    let outer = Type::group_type_builder(name)
        .with_repetition(Repetition::REQUIRED)
        .with_logical_type(Some(LogicalType::List))
        .with_fields(vec![Arc::new(group.build()?)]);
    Ok(Arc::new(outer.build()?))
}

fn schema(sheet: &Sheet) -> Result<TypePtr, ParquetError> {
    let instant = LogicalType::timestamp(true, TimeUnit::MICROS);
    let mut fields = Vec::new();
    for Column { name, data, .. } in &sheet.columns {
        fields.push(match data {
            Data::Time(_) => leaf(name, Physical::INT64, Some(instant.clone()), true)?,
            Data::Integer(_) => leaf(name, Physical::INT64, None, true)?,
            Data::Real(_) => leaf(name, Physical::DOUBLE, None, true)?,
            Data::Flags(_) | Data::Text(_) => leaf(name, Physical::BYTE_ARRAY, Some(LogicalType::String), false)?,
            Data::Verdict(_) => leaf(name, Physical::BYTE_ARRAY, Some(LogicalType::String), true)?,
            Data::Spectrum(_) => list(name, Physical::FLOAT, None)?,
            Data::Counts(_) => list(name, Physical::INT32, Some(LogicalType::integer(32, false)))?,
        });
    }
    if matches!(sheet.axis, Axis::Wavelength(_)) {
        fields.push(list("wavelength_nm", Physical::FLOAT, None)?);
    }
    Ok(Arc::new(Type::group_type_builder("row").with_fields(fields).build()?))
}

/// The row group, written column by column.
struct Group<'a, 'b>(&'a mut SerializedRowGroupWriter<'b, File>);

impl Group<'_, '_> {
    fn column<T: parquet::data_type::DataType>(
        &mut self,
        values: &[T::T],
        definitions: Option<&[i16]>,
        repetitions: Option<&[i16]>,
    ) -> Result<(), ParquetError> {
        let missing = || ParquetError::General("expected one more column".into());
        let mut column = self.0.next_column()?.ok_or_else(missing)?;
        column.typed::<T>().write_batch(values, definitions, repetitions)?;
        column.close()
    }

    fn optional<T: parquet::data_type::DataType>(
        &mut self,
        cells: impl Iterator<Item = Option<T::T>>,
    ) -> Result<(), ParquetError> {
        let (mut values, mut definitions) = (Vec::new(), Vec::new());
        for cell in cells {
            definitions.push(i16::from(cell.is_some()));
            values.extend(cell);
        }
        self.column::<T>(&values, Some(&definitions), None)
    }

    /// Lists of `width` elements per row.
    fn lists<T: parquet::data_type::DataType>(
        &mut self,
        elements: impl Iterator<Item = Option<T::T>>,
        width: usize,
    ) -> Result<(), ParquetError> {
        let (mut values, mut definitions, mut repetitions) = (Vec::new(), Vec::new(), Vec::new());
        for (i, element) in elements.enumerate() {
            // Definition level 0: empty list, 1: absent element, 2: element. A row begins at repetition level 0.
            definitions.push(1 + i16::from(element.is_some()));
            repetitions.push(i16::from(i % width != 0));
            values.extend(element);
        }
        self.column::<T>(&values, Some(&definitions), Some(&repetitions))
    }

    fn sheet(&mut self, sheet: &Sheet) -> Result<(), ParquetError> {
        let width = sheet.axis.len().max(1);
        for column in &sheet.columns {
            match &column.data {
                Data::Time(v) | Data::Integer(v) => self.optional::<Int64Type>(v.iter().copied())?,
                Data::Real(v) => self.optional::<DoubleType>(v.iter().map(|x| x.is_finite().then_some(*x)))?,
                Data::Flags(v) => {
                    let names: Vec<ByteArray> =
                        v.iter().map(|f| Flags(*f).names().join(" ").into_bytes().into()).collect();
                    self.column::<ByteArrayType>(&names, None, None)?;
                }
                Data::Text(v) => {
                    let texts: Vec<ByteArray> = v.iter().map(|t| t.clone().into_bytes().into()).collect();
                    self.column::<ByteArrayType>(&texts, None, None)?;
                }
                Data::Verdict(v) => {
                    let name = |c: &Option<u8>| Some(ByteArray::from(Verdict::from_code(i64::from((*c)?))?.name()));
                    self.optional::<ByteArrayType>(v.iter().map(name))?;
                }
                Data::Spectrum(v) => {
                    self.lists::<FloatType>(v.iter().map(|x| x.is_finite().then_some(*x)), width)?;
                }
                Data::Counts(v) => self.lists::<Int32Type>(v.iter().map(|n| Some(*n as i32)), width)?,
            }
        }
        if let Axis::Wavelength(w) = &sheet.axis {
            let rows = std::iter::repeat_n(w.iter(), sheet.rows).flatten();
            self.lists::<FloatType>(rows.map(|nm| Some(*nm as f32)), width)?;
        }
        Ok(())
    }
}

impl Sink for Parquet {
    fn put(&mut self, place: &Place, sheet: &Sheet) -> Result<(), ExportError> {
        let path = self.path(place);
        let mut open = match self.open.take() {
            Some(open) => open,
            None => self.begin(&path, sheet)?,
        };
        let written = (|| {
            let mut group = open.writer.next_row_group()?;
            Group(&mut group).sheet(sheet)?;
            group.close()
        })();
        written.map_err(parquet_error(&path))?;
        self.open = Some(open);
        Ok(())
    }

    fn close(&mut self) -> Result<(), ExportError> {
        let Some(open) = self.open.take() else { return Ok(()) };
        open.writer.close().map_err(parquet_error(&open.path))?;
        open.file.commit()?;
        self.files += 1;
        Ok(())
    }
}
