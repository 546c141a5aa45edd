//! What a frame of the side log says: names of series, then readings.
//!
//! | bytes | meaning |
//! | --- | --- |
//! | 1 | version, 1 |
//! | varint | names; each: varint number of the series, varint length, text (`schema::series_text`) |
//! | varint | readings; each: varint series, varint zigzag of the instant less the one before (first: less 0), 8 bytes value |
//!
//! The first frame of an epoch names every series, so that a log can be read without its database.

use super::bits::{Malformed, Source, put_varint, zigzag};
use super::error::StoreError;
use super::types::{NewReading, SeriesId};
use heapward_rules::units::At;

const VERSION: u8 = 1;

/// Names and readings of one commit.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Frame {
    pub(super) names: Vec<(SeriesId, String)>,
    pub(super) readings: Vec<NewReading>,
}

// === impl Frame ===

impl Frame {
    pub(super) fn encode(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(32 + self.names.len() * 24 + self.readings.len() * 14);
        out.push(VERSION);
        put_varint(self.names.len() as u64, &mut out);
        for (id, name) in &self.names {
            put_varint(id.0.into(), &mut out);
            put_varint(name.len() as u64, &mut out);
            out.extend_from_slice(name.as_bytes());
        }
        put_varint(self.readings.len() as u64, &mut out);
        let mut last = 0_i64;
        for reading in &self.readings {
            put_varint(reading.series.0.into(), &mut out);
            put_varint(zigzag(reading.at.0.wrapping_sub(last)), &mut out);
            out.extend(reading.value.to_le_bytes());
            last = reading.at.0;
        }
        out
    }

    pub(super) fn decode(bytes: &[u8]) -> Result<Frame, StoreError> {
        Frame::parse(bytes).map_err(|error| StoreError::encoding("a frame of the side log", error))
    }

    fn parse(bytes: &[u8]) -> Result<Frame, Malformed> {
        let mut source = Source::new(bytes);
        if source.byte()? != VERSION {
            return Err(Malformed("its version is unknown"));
        }
        let mut frame = Frame::default();
        for _ in 0..source.length(bytes.len())? {
            let id = series(&mut source)?;
            let length = source.length(bytes.len())?;
            let name =
                std::str::from_utf8(source.take(length)?).map_err(|_| Malformed("a name is no text"))?;
            frame.names.push((id, name.to_owned()));
        }
        let mut last = 0_i64;
        for _ in 0..source.length(bytes.len())? {
            let series = series(&mut source)?;
            last = last.wrapping_add(source.signed()?);
            frame.readings.push(NewReading { series, at: At(last), value: source.float()? });
        }
        Ok(frame)
    }
}

fn series(source: &mut Source) -> Result<SeriesId, Malformed> {
    u32::try_from(source.varint()?).map(SeriesId).map_err(|_| Malformed("a series has no such number"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_comes_back_and_a_cut_one_is_refused() {
        let reading = |series, at, value| NewReading { series: SeriesId(series), at: At(at), value };
        let frame = Frame {
            names: vec![(SeriesId(3), "temperature C k1".to_owned())],
            readings: vec![reading(3, 1_777_647_600_000, 57.0625), reading(4, 5, -1.0), reading(3, 9, 1e300)],
        };
        let bytes = frame.encode();
        assert_eq!(Frame::decode(&bytes).unwrap(), frame);
        for n in 0..bytes.len() {
            assert!(Frame::decode(&bytes[..n]).is_err(), "cut at {n}");
        }
    }
}
