//! The values of a block, bit for bit as they were given.
//!
//! Sensors say decimals of a fixed step: 0.0625, 0.1. Where every value is exactly `m / 10^k` for the fewest decimals
//! `k` up to 9, whole numbers `(m - first) / step` are stored, otherwise the values as they are.

use pco::DeltaSpec;

use super::Effort;
use super::numeric;
use crate::store::bits::{Malformed, Packed, Source, pack, packed_len, put_varint, unzigzag, zigzag};
use crate::store::types::Summary;

/// How the values of a block are written; the number is the high half of the block's second byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum ValueCodec {
    DecimalDeltasPacked = 0,
    DecimalPacked = 1,
    DecimalPco = 2,
    FloatPacked = 3,
    FloatPco = 4,
}

/// value = (first + step * n) / 10^decimals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Scale {
    pub(super) decimals: u8,
    pub(super) step: i64,
    pub(super) first: i64,
}

/// Values as whole numbers of a scale, or as they are.
#[derive(Clone, Debug)]
pub(super) enum Numbers {
    Decimal(Scale, Vec<i32>),
    Float(Vec<f64>),
}

const POWERS: [f64; 10] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];
/// Whole numbers up to here are exact as floats, with room to spare.
const MANTISSA_MAX: u64 = 9_000_000_000_000_000;

// === impl ValueCodec ===

impl ValueCodec {
    pub(super) fn from_number(number: u8) -> Result<ValueCodec, Malformed> {
        match number {
            0 => Ok(ValueCodec::DecimalDeltasPacked),
            1 => Ok(ValueCodec::DecimalPacked),
            2 => Ok(ValueCodec::DecimalPco),
            3 => Ok(ValueCodec::FloatPacked),
            4 => Ok(ValueCodec::FloatPco),
            _ => Err(Malformed("its value codec is unknown")),
        }
    }

    pub(super) fn is_decimal(self) -> bool {
        !matches!(self, ValueCodec::FloatPacked | ValueCodec::FloatPco)
    }
}

// === impl Scale ===

impl Scale {
    /// Value of a whole number of this scale.
    pub(super) fn value(self, n: i64) -> f64 {
        let mantissa = self.first.wrapping_add(self.step.wrapping_mul(n));
        #[expect(clippy::cast_precision_loss, reason = "at most 9e15 in a block that was written here")]
        let mantissa = mantissa as f64;
        mantissa / power(self.decimals)
    }

    /// Sum of `count` values whose whole numbers have the sum `n`: rounded once, whatever the order.
    pub(super) fn sum(self, count: u64, n: i64) -> f64 {
        let exact = i128::from(self.first) * i128::from(count) + i128::from(self.step) * i128::from(n);
        #[expect(clippy::cast_precision_loss, reason = "a sum is rounded once")]
        let rounded = exact as f64;
        rounded / power(self.decimals)
    }

    pub(super) fn write(self, out: &mut Vec<u8>) {
        out.push(self.decimals);
        put_varint(zigzag(self.step), out);
        put_varint(zigzag(self.first), out);
    }

    pub(super) fn read(source: &mut Source) -> Result<Scale, Malformed> {
        let decimals = source.byte()?;
        if usize::from(decimals) >= POWERS.len() {
            return Err(Malformed("it has too many decimals"));
        }
        Ok(Scale { decimals, step: source.signed()?, first: source.signed()? })
    }
}

fn power(decimals: u8) -> f64 {
    POWERS.get(usize::from(decimals)).copied().unwrap_or(1.0)
}

// === impl Numbers ===

impl Numbers {
    /// The shortest form of these values.
    pub(super) fn of(values: &[f64]) -> Numbers {
        decimal(values).unwrap_or_else(|| Numbers::Float(values.to_vec()))
    }

    pub(super) fn encode(&self, effort: Effort, out: &mut Vec<u8>) -> ValueCodec {
        match self {
            Numbers::Decimal(_, numbers) => encode_decimal(numbers, effort, out),
            Numbers::Float(values) => {
                let compressed =
                    (effort == Effort::Full).then(|| numeric::encode(values, DeltaSpec::Auto)).flatten();
                if let Some(shorter) = compressed.filter(|shorter| shorter.len() < values.len() * 8) {
                    out.extend(shorter);
                    return ValueCodec::FloatPco;
                }
                for value in values {
                    out.extend(value.to_le_bytes());
                }
                ValueCodec::FloatPacked
            }
        }
    }

    pub(super) fn read(
        codec: ValueCodec,
        scale: Option<Scale>,
        count: usize,
        source: &mut Source,
    ) -> Result<Numbers, Malformed> {
        let Some(scale) = scale else {
            return Ok(Numbers::Float(match codec {
                ValueCodec::FloatPco => numeric::decode(source, count)?,
                _ => (0..count).map(|_| source.float()).collect::<Result<_, _>>()?,
            }));
        };
        let numbers = match codec {
            ValueCodec::DecimalPco => numeric::decode(source, count)?,
            ValueCodec::DecimalPacked => {
                let low = source.signed()?;
                let mut numbers = Vec::with_capacity(count);
                let digits = Packed::read(source, count)?;
                digits.each(0, count, |digit| numbers.push(clamp(low.wrapping_add(digit.cast_signed()))));
                numbers
            }
            _ => {
                let mut numbers = Vec::with_capacity(count);
                let mut at = 0_i64;
                Packed::read(source, count)?.each(0, count, |digit| {
                    at = at.wrapping_add(unzigzag(digit));
                    numbers.push(clamp(at));
                });
                numbers
            }
        };
        Ok(Numbers::Decimal(scale, numbers))
    }

    pub(super) fn get(&self, index: usize) -> f64 {
        match self {
            Numbers::Decimal(scale, numbers) => scale.value(numbers.get(index).copied().unwrap_or(0).into()),
            Numbers::Float(values) => values.get(index).copied().unwrap_or(0.0),
        }
    }
}

#[expect(clippy::cast_possible_truncation, reason = "clamped")]
fn clamp(n: i64) -> i32 {
    n.clamp(i32::MIN.into(), i32::MAX.into()) as i32
}

fn encode_decimal(numbers: &[i32], effort: Effort, out: &mut Vec<u8>) -> ValueCodec {
    let mut last = 0;
    let deltas: Vec<u64> =
        numbers.iter().map(|n| zigzag(i64::from(*n) - i64::from(std::mem::replace(&mut last, *n)))).collect();
    let delta_max = deltas.iter().copied().max().unwrap_or(0);
    let low = i64::from(numbers.iter().copied().min().unwrap_or(0));
    let range = numbers.iter().map(|n| i64::from(*n).abs_diff(low)).max().unwrap_or(0);
    let by_deltas = packed_len(delta_max, numbers.len());
    let direct = packed_len(range, numbers.len());
    let compressed = (effort == Effort::Full).then(|| numeric::encode(numbers, DeltaSpec::Auto)).flatten();
    if let Some(shorter) = compressed.filter(|shorter| shorter.len() < by_deltas.min(direct)) {
        out.extend(shorter);
        return ValueCodec::DecimalPco;
    }
    if by_deltas < direct {
        pack(deltas.iter().copied(), delta_max, out);
        return ValueCodec::DecimalDeltasPacked;
    }
    put_varint(zigzag(low), out);
    pack(numbers.iter().map(|n| i64::from(*n).abs_diff(low)), range, out);
    ValueCodec::DecimalPacked
}

/// Whole numbers of the coarsest scale that gives back every value bit for bit; `None` if there is none.
fn decimal(values: &[f64]) -> Option<Numbers> {
    let (decimals, mantissas) = (0..).zip(POWERS).find_map(|(decimals, power)| {
        let mantissas: Option<Vec<i64>> = values.iter().map(|value| mantissa(*value, power)).collect();
        Some((decimals, mantissas?))
    })?;
    let first = *mantissas.first()?;
    let mut step = 0_u64;
    for mantissa in &mantissas {
        let distance = mantissa.abs_diff(first);
        if step == 0 || !distance.is_multiple_of(step) {
            step = common_divisor(distance, step);
        }
    }
    let step = step.max(1).cast_signed();
    let numbers: Option<Vec<i32>> =
        mantissas.iter().map(|m| i32::try_from((m - first) / step).ok()).collect();
    Some(Numbers::Decimal(Scale { decimals, step, first }, numbers?))
}

/// The whole number that a value is at a scale, if it gives the value back to the last bit.
#[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "the way back is checked")]
fn mantissa(value: f64, power: f64) -> Option<i64> {
    let whole = (value * power).round() as i64;
    let exact = whole.unsigned_abs() <= MANTISSA_MAX && (whole as f64 / power).to_bits() == value.to_bits();
    exact.then_some(whole)
}

fn common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

// === summaries ===

impl Numbers {
    /// Scale, extremes and sum of the values at some places.
    pub(super) fn write_summary(&self, places: impl Iterator<Item = usize>, out: &mut Vec<u8>) {
        match self {
            Numbers::Decimal(scale, numbers) => {
                let (mut min, mut max, mut sum) = (i32::MAX, i32::MIN, 0_i64);
                for n in places.filter_map(|i| numbers.get(i).copied()) {
                    (min, max, sum) = (min.min(n), max.max(n), sum + i64::from(n));
                }
                scale.write(out);
                for n in [min.into(), max.into(), sum] {
                    put_varint(zigzag(n), out);
                }
            }
            Numbers::Float(values) => {
                let mut summary = Summary::EMPTY;
                places.filter_map(|i| values.get(i)).for_each(|value| summary.add(*value));
                for x in [summary.min, summary.max, summary.sum] {
                    out.extend(x.to_le_bytes());
                }
            }
        }
    }

    /// Adds the values at [from, to) to a summary.
    pub(super) fn add_to(&self, from: usize, to: usize, summary: &mut Summary) {
        match self {
            Numbers::Decimal(scale, numbers) => {
                let numbers = numbers.get(from..to).unwrap_or_default();
                if numbers.is_empty() {
                    return;
                }
                let min = numbers.iter().copied().min().unwrap_or(0);
                let max = numbers.iter().copied().max().unwrap_or(0);
                let sum: i64 = numbers.iter().map(|n| i64::from(*n)).sum();
                summary.merge(&of_decimal(*scale, numbers.len() as u64, min.into(), max.into(), sum));
            }
            Numbers::Float(values) => {
                values.get(from..to).unwrap_or_default().iter().for_each(|value| summary.add(*value));
            }
        }
    }
}

pub(super) fn read_summary(
    scale: Option<Scale>,
    count: u64,
    source: &mut Source,
) -> Result<Summary, Malformed> {
    let Some(scale) = scale else {
        let (min, max, sum) = (source.float()?, source.float()?, source.float()?);
        return Ok(Summary { count, min, max, sum });
    };
    let (min, max, sum) = (source.signed()?, source.signed()?, source.signed()?);
    Ok(if count == 0 { Summary::EMPTY } else { of_decimal(scale, count, min, max, sum) })
}

fn of_decimal(scale: Scale, count: u64, min: i64, max: i64, sum: i64) -> Summary {
    Summary { count, min: scale.value(min), max: scale.value(max), sum: scale.sum(count, sum) }
}
