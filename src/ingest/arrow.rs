//! Batches of an Arrow file, with the columns turned into kinds that the tables library was built with.
//!
//! In: batches as the file has them. Out: a table. Integers of 8 and 16 bits become wider ones; names kept as a dictionary (what
//! other languages' libraries make of words that come again and again) become text. A few bytes of such a file may name one long
//! word millions of times: what the words come to is bounded.

use super::frame::Header;
use polars::prelude::*;
use polars_arrow::array::{
    Array, DictionaryArray, DictionaryKey, PrimitiveArray, Utf8Array, Utf8ViewArray,
};
use polars_arrow::datatypes::IntegerType;
use polars_arrow::types::NativeType;

/// Most bytes that the words of one table may come to.
const MOST_TEXT: usize = 1 << 30;

/// Whether a column of this kind is read, as it is or turned into another.
pub(super) fn is_read(kind: &ArrowDataType) -> bool {
    use ArrowDataType::*;
    match kind {
        Null | Boolean | Utf8 | LargeUtf8 | Utf8View | Float32 | Float64 => true,
        Int8 | Int16 | Int32 | Int64 | UInt8 | UInt16 | UInt32 | UInt64 => true,
        Date32 | Date64 | Timestamp(..) => true,
        Dictionary(_, words, _) => matches!(**words, Utf8 | LargeUtf8 | Utf8View),
        _ => false,
    }
}

/// The table of all batches; `header` names the columns, of which those are in the batches that are read.
pub(super) fn table<B>(
    header: &Header,
    batches: impl Iterator<Item = PolarsResult<B>>,
) -> PolarsResult<DataFrame>
where
    B: IntoIterator<Item = Box<dyn Array>>,
{
    let names: Vec<&str> = header
        .iter()
        .filter(|(_, unread)| unread.is_none())
        .map(|(name, _)| name.as_str())
        .collect();
    let mut chunks: Vec<Vec<Box<dyn Array>>> = Vec::new();
    chunks.resize_with(names.len(), Vec::new);
    let mut room = MOST_TEXT;
    for batch in batches {
        for (column, array) in chunks.iter_mut().zip(batch?) {
            column.push(plain(array, &mut room)?);
        }
    }
    let columns = names.into_iter().zip(chunks).map(|(name, chunks)| {
        let series = match chunks.is_empty() {
            true => Series::new_empty(name.into(), &DataType::String),
            false => Series::from_arrow_chunks(name.into(), chunks)?,
        };
        Ok(series.into_column())
    });
    let columns: Vec<Column> = columns.collect::<PolarsResult<_>>()?;
    DataFrame::new(columns.first().map_or(0, Column::len), columns)
}

fn plain(array: Box<dyn Array>, room: &mut usize) -> PolarsResult<Box<dyn Array>> {
    let whole = &*array;
    let key = match whole.dtype() {
        ArrowDataType::Int8 => return wider::<i8>(whole),
        ArrowDataType::Int16 => return wider::<i16>(whole),
        ArrowDataType::UInt8 => return wider::<u8>(whole),
        ArrowDataType::UInt16 => return wider::<u16>(whole),
        ArrowDataType::Dictionary(key, _, _) => *key,
        _ => return Ok(array),
    };
    match key {
        IntegerType::Int8 => text::<i8>(whole, room),
        IntegerType::Int16 => text::<i16>(whole, room),
        IntegerType::Int32 => text::<i32>(whole, room),
        IntegerType::Int64 => text::<i64>(whole, room),
        IntegerType::UInt8 => text::<u8>(whole, room),
        IntegerType::UInt16 => text::<u16>(whole, room),
        IntegerType::UInt32 => text::<u32>(whole, room),
        IntegerType::UInt64 => text::<u64>(whole, room),
        _ => polars_bail!(ComputeError: "a dictionary has keys of no known kind"),
    }
}

fn contradiction() -> PolarsError {
    polars_err!(ComputeError: "a column is not of the kind that it is said to be")
}

fn wider<T: NativeType + Into<i32>>(array: &dyn Array) -> PolarsResult<Box<dyn Array>> {
    let narrow = array.as_any().downcast_ref::<PrimitiveArray<T>>();
    let narrow = narrow.ok_or_else(contradiction)?;
    let wide: PrimitiveArray<i32> = narrow.iter().map(|x| x.map(|&x| x.into())).collect();
    Ok(Box::new(wide))
}

/// The words of a dictionary, row by row.
fn text<K: DictionaryKey>(array: &dyn Array, room: &mut usize) -> PolarsResult<Box<dyn Array>> {
    let kept = array.as_any().downcast_ref::<DictionaryArray<K>>();
    let kept = kept.ok_or_else(contradiction)?;
    let words = words(&**kept.values()).ok_or_else(contradiction)?;
    let mut rows: Vec<Option<&str>> = Vec::with_capacity(kept.len());
    for key in kept.keys().iter() {
        let at: Option<usize> = key.and_then(|k| (*k).try_into().ok());
        let word = at.and_then(|at| words.get(at).copied().flatten());
        *room = room
            .checked_sub(word.map_or(0, str::len))
            .ok_or_else(|| polars_err!(ComputeError: "its words come to more than can be held"))?;
        rows.push(word);
    }
    Ok(Box::new(rows.into_iter().collect::<Utf8Array<i64>>()))
}

fn words(values: &dyn Array) -> Option<Vec<Option<&str>>> {
    let any = values.as_any();
    if let Some(words) = any.downcast_ref::<Utf8ViewArray>() {
        return Some(words.iter().collect());
    }
    if let Some(words) = any.downcast_ref::<Utf8Array<i64>>() {
        return Some(words.iter().collect());
    }
    let words = any.downcast_ref::<Utf8Array<i32>>()?;
    Some(words.iter().collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(word: &str, rows: usize) -> PolarsResult<DataFrame> {
        let words = Utf8Array::<i64>::from_slice([word]);
        let keys: PrimitiveArray<i32> = vec![Some(0); rows].into_iter().collect();
        let names = DictionaryArray::try_from_keys(keys, Box::new(words), false).unwrap();
        let batch: Vec<Box<dyn Array>> = vec![Box::new(names)];
        let header = vec![("channel".to_string(), None)];
        table(&header, std::iter::once(Ok(batch)))
    }

    #[test]
    fn a_word_that_stands_in_many_rows_is_read_and_a_long_one_in_too_many_is_refused() {
        let read = names("pn", 1000).unwrap();
        let column = read.column("channel").unwrap().str().unwrap().clone();
        assert_eq!((column.len(), column.get(999)), (1000, Some("pn")));
        // A megabyte in two thousand rows: two gigabytes of text in a file of one megabyte.
        let error = names(&"x".repeat(1 << 20), 2000).unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("its words come to more than can be held"),
            "{error}"
        );
    }
}
