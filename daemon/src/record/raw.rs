//! Raw waveforms: one Parquet file a stretch, a column of f32 volts a channel, what is needed to fit it as metadata.
//!
//! The bytes depend on nothing but the samples and the metadata, so that equal runs give equal files.

use parquet::basic::{Compression, Encoding, Repetition, Type as Physical, ZstdLevel};
use parquet::column::reader::ColumnReader;
use parquet::data_type::FloatType;
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A stretch of waveforms.
#[derive(Debug, Clone, PartialEq)]
pub struct Raw {
    /// Channel names, in the order of the columns.
    pub names: Vec<String>,
    /// Samples in volts, a vector a column, all of one length.
    pub columns: Vec<Vec<f32>>,
    /// What belongs to them: names with unit suffixes, values as text.
    pub metadata: BTreeMap<String, String>,
}

impl Raw {
    /// The file's bytes.
    ///
    /// # Errors
    /// Of the Parquet writer.
    pub fn encode(&self) -> Result<Vec<u8>, ParquetError> {
        let fields = self
            .names
            .iter()
            .map(|name| {
                Type::primitive_type_builder(name, Physical::FLOAT)
                    .with_repetition(Repetition::REQUIRED)
                    .build()
                    .map(Arc::new)
            })
            .collect::<Result<Vec<_>, _>>()?;
        let schema = Arc::new(Type::group_type_builder("waveforms").with_fields(fields).build()?);
        let metadata =
            self.metadata.iter().map(|(k, v)| KeyValue::new(k.clone(), v.clone())).collect::<Vec<_>>();
        let properties = WriterProperties::builder()
            .set_dictionary_enabled(false)
            .set_encoding(Encoding::BYTE_STREAM_SPLIT)
            .set_compression(Compression::ZSTD(ZstdLevel::try_new(3)?))
            .set_created_by("calwright".to_owned())
            .set_key_value_metadata(Some(metadata))
            .build();
        let mut bytes = Vec::new();
        let mut file = SerializedFileWriter::new(&mut bytes, schema, Arc::new(properties))?;
        let mut group = file.next_row_group()?;
        for column in &self.columns {
            let Some(mut writer) = group.next_column()? else {
                break;
            };
            writer.typed::<FloatType>().write_batch(column, None, None)?;
            writer.close()?;
        }
        group.close()?;
        file.close()?;
        Ok(bytes)
    }

    /// Reads a file back.
    ///
    /// # Errors
    /// Where the bytes are no such file.
    pub fn decode(bytes: Vec<u8>) -> Result<Self, ParquetError> {
        let reader = SerializedFileReader::new(bytes::Bytes::from(bytes))?;
        let file = reader.metadata().file_metadata();
        let names: Vec<String> = file.schema().get_fields().iter().map(|f| f.name().to_owned()).collect();
        let metadata = file
            .key_value_metadata()
            .into_iter()
            .flatten()
            .map(|kv| (kv.key.clone(), kv.value.clone().unwrap_or_default()))
            .collect();
        let mut columns = vec![Vec::new(); names.len()];
        for group in 0..reader.num_row_groups() {
            let group = reader.get_row_group(group)?;
            let rows = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
            for (index, column) in columns.iter_mut().enumerate() {
                let ColumnReader::FloatColumnReader(mut values) = group.get_column_reader(index)? else {
                    return Err(ParquetError::General(format!("column {index} does not hold f32")));
                };
                while values.read_records(rows, None, None, column)?.0 > 0 {}
            }
        }
        Ok(Self { names, columns, metadata })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_back_to_the_bit_and_writes_the_same_bytes_again() {
        let columns = vec![
            (0..70_000u32).map(|n| (n as f32 * 0.37).sin()).collect(),
            (0..70_000u32)
                .map(|n| f32::from_bits(n * 7919))
                .map(|x| if x.is_nan() { 0.0 } else { x })
                .collect(),
        ];
        let metadata = BTreeMap::from([("rate_hz".to_owned(), "10000".to_owned())]);
        let raw = Raw { names: vec!["ref".into(), "ch 1".into()], columns, metadata };
        let bytes = raw.encode().unwrap();
        assert_eq!(bytes, raw.encode().unwrap());
        assert_eq!(Raw::decode(bytes).unwrap(), raw);
    }

    #[test]
    fn garbage_is_an_error() {
        assert!(Raw::decode(b"PAR1 but not really PAR1".to_vec()).is_err());
        assert!(Raw::decode(Vec::new()).is_err());
    }
}
