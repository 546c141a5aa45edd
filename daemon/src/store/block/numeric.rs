//! The numeric codec of the `pco` crate in its wrapped form: no header in each block, one chunk of one page.

use std::sync::LazyLock;

use pco::data_types::Number;
use pco::wrapped::{FileCompressor, FileDecompressor};
use pco::{ChunkConfig, DeltaSpec};

use crate::store::bits::{Malformed, Source};

/// Above 8 the time doubles and the size stays.
const LEVEL: usize = 8;

/// The header says only the version of the format; it is the same for each block and kept out of them. The first byte
/// of a block stands for it.
static HEADER: LazyLock<Vec<u8>> =
    LazyLock::new(|| FileCompressor::default().write_header(Vec::new()).unwrap_or_default());

/// `None` if the codec refuses; another codec has to do then.
pub(super) fn encode<T: Number>(numbers: &[T], deltas: DeltaSpec) -> Option<Vec<u8>> {
    let config = ChunkConfig::default().with_compression_level(LEVEL).with_delta_spec(deltas);
    let mut chunk = FileCompressor::default().chunk_compressor(numbers, &config).ok()?;
    let meta = chunk.write_meta(Vec::new()).ok()?;
    chunk.write_page(0, meta).ok()
}

/// Reads so many numbers; what follows them stays in the source.
pub(super) fn decode<T: Number + Default>(source: &mut Source, count: usize) -> Result<Vec<T>, Malformed> {
    let wrong = |_| Malformed("its compressed numbers can't be read");
    let (file, _) = FileDecompressor::new(HEADER.as_slice()).map_err(wrong)?;
    let (mut chunk, rest) = file.chunk_decompressor::<T, _>(source.rest()).map_err(wrong)?;
    let mut numbers = vec![T::default(); count];
    let mut page = chunk.page_decompressor(rest, count).map_err(wrong)?;
    let progress = page.read(&mut numbers).map_err(wrong)?;
    if progress.n_processed != count {
        return Err(Malformed("numbers are missing"));
    }
    *source = Source::new(page.into_src());
    Ok(numbers)
}
