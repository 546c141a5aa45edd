//! The instants of a block.
//!
//! A probe that reports every minute leaves instants near the slots of a schedule: `first + slot * period`. Stored are
//! the period, the steps from slot to slot where they are not 1, and how far each instant lies from its slot. Deltas
//! from reading to reading would double the variance of the jitter, and the jitter is most of a block. Instants
//! without a schedule are stored by their deltas after all.

use pco::DeltaSpec;

use super::Effort;
use super::numeric;
use crate::store::bits::{Malformed, Packed, Source, pack, packed_len, put_varint, varint_len, zigzag};

/// How the instants of a block are written; the number is the low half of the block's second byte.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum TimeCodec {
    SlotsPacked = 0,
    SlotsPco = 1,
    DeltasPacked = 2,
    DeltasPco = 3,
}

/// Instants of a block, read as they are asked for.
#[derive(Debug)]
pub(super) struct Times<'a> {
    first: i64,
    count: usize,
    form: Form<'a>,
}

#[derive(Debug)]
enum Form<'a> {
    Slots { period_us: i64, jumps: Vec<Jump>, low: i64, residuals: Residuals<'a> },
    Given(Vec<i64>),
}

#[derive(Debug)]
enum Residuals<'a> {
    Packed(Packed<'a>),
    Given(Vec<i32>),
}

/// From reading `index` on, the slot is the reading's index plus `extra`.
#[derive(Clone, Copy, Debug)]
struct Jump {
    index: usize,
    extra: i64,
}

/// A schedule and what is left over.
struct Schedule {
    period_us: i64,
    /// (index of the reading, slots since the one before), where that is not 1.
    steps: Vec<(usize, i64)>,
    residuals: Vec<i64>,
    low: i64,
    range: u64,
}

// === impl TimeCodec ===

impl TimeCodec {
    pub(super) fn from_number(number: u8) -> Result<TimeCodec, Malformed> {
        match number {
            0 => Ok(TimeCodec::SlotsPacked),
            1 => Ok(TimeCodec::SlotsPco),
            2 => Ok(TimeCodec::DeltasPacked),
            3 => Ok(TimeCodec::DeltasPco),
            _ => Err(Malformed("its time codec is unknown")),
        }
    }
}

// === writing ===

/// Writes instants in ascending order; the first is known to the reader. Gives the codec that was shortest.
pub(super) fn encode(times: &[i64], effort: Effort, out: &mut Vec<u8>) -> TimeCodec {
    let schedule = Schedule::fit(times);
    let deltas: Vec<u64> = times.windows(2).map(|pair| pair[1].abs_diff(pair[0])).collect();
    let delta_max = deltas.iter().copied().max().unwrap_or(0);
    let (by_slots, by_deltas) = (schedule.len(), packed_len(delta_max, deltas.len()));
    if by_slots <= by_deltas {
        let head = out.len();
        schedule.write_head(out);
        let packed = varint_len(zigzag(schedule.low)) + packed_len(schedule.range, times.len());
        if let Some(shorter) = schedule.pco(effort).filter(|shorter| shorter.len() < packed) {
            out.extend(shorter);
            return TimeCodec::SlotsPco;
        }
        put_varint(zigzag(schedule.low), out);
        let digits = schedule.residuals.iter().map(|r| r.abs_diff(schedule.low));
        pack(digits, schedule.range, out);
        debug_assert_eq!(out.len() - head, by_slots);
        return TimeCodec::SlotsPacked;
    }
    let compressed = (effort == Effort::Full).then(|| numeric::encode(&deltas, DeltaSpec::Auto)).flatten();
    if let Some(shorter) = compressed.filter(|shorter| shorter.len() < by_deltas) {
        out.extend(shorter);
        return TimeCodec::DeltasPco;
    }
    pack(deltas.iter().copied(), delta_max, out);
    TimeCodec::DeltasPacked
}

// === impl Schedule ===

impl Schedule {
    /// Tries the median interval to the whole second, which is what a probe is set to, and the period of least squares
    /// for one that drifts.
    fn fit(times: &[i64]) -> Schedule {
        let first = times.first().copied().unwrap_or(0);
        let mut deltas: Vec<i64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let middle = deltas.len() / 2;
        let median = if deltas.is_empty() { 1 } else { (*deltas.select_nth_unstable(middle).1).max(1) };
        let period = if median >= 1_000 { (median + 500) / 1_000 * 1_000 } else { median };
        let slots: Vec<i64> = times.iter().map(|t| (t - first + period / 2) / period).collect();
        let set = Schedule::with_period(times, &slots, period * 1_000);
        let drifting = least_squares_us(times, &slots).filter(|us| *us > 0 && *us != set.period_us);
        match drifting.map(|us| Schedule::with_period(times, &slots, us)) {
            // A twentieth less range is less than a tenth of a bit; a round period is worth that.
            Some(fitted) if fitted.range < set.range - set.range / 20 => fitted,
            _ => set,
        }
    }

    fn with_period(times: &[i64], slots: &[i64], period_us: i64) -> Schedule {
        let first = times.first().copied().unwrap_or(0);
        let residuals: Vec<i64> =
            times.iter().zip(slots).map(|(t, slot)| t - first - expected_ms(*slot, period_us)).collect();
        let low = residuals.iter().copied().min().unwrap_or(0);
        let high = residuals.iter().copied().max().unwrap_or(0);
        let steps = slots.windows(2).map(|pair| pair[1] - pair[0]);
        let steps = (1..).zip(steps).filter(|(_, step)| *step != 1).collect();
        Schedule { period_us, steps, residuals, low, range: high.abs_diff(low) }
    }

    fn write_head(&self, out: &mut Vec<u8>) {
        put_varint(self.period_us.unsigned_abs(), out);
        put_varint(self.steps.len() as u64, out);
        let mut last = 0;
        for (index, step) in &self.steps {
            put_varint((index - last) as u64, out);
            put_varint(step.unsigned_abs(), out);
            last = *index;
        }
    }

    /// Bytes of head and packed residuals.
    fn len(&self) -> usize {
        let mut last = 0;
        let steps = self.steps.iter().map(|(index, step)| {
            let from = std::mem::replace(&mut last, *index);
            varint_len((index - from) as u64) + varint_len(step.unsigned_abs())
        });
        varint_len(self.period_us.unsigned_abs())
            + varint_len(self.steps.len() as u64)
            + steps.sum::<usize>()
            + varint_len(zigzag(self.low))
            + packed_len(self.range, self.residuals.len())
    }

    fn pco(&self, effort: Effort) -> Option<Vec<u8>> {
        if effort != Effort::Full || self.range == 0 {
            return None;
        }
        let small: Vec<i32> =
            self.residuals.iter().map(|r| i32::try_from(*r)).collect::<Result<_, _>>().ok()?;
        numeric::encode(&small, DeltaSpec::NoOp)
    }
}

fn expected_ms(slot: i64, period_us: i64) -> i64 {
    slot.wrapping_mul(period_us) / 1_000
}

#[expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    reason = "an estimate; what it misses goes into the residuals"
)]
fn least_squares_us(times: &[i64], slots: &[i64]) -> Option<i64> {
    let n = times.len() as f64;
    let first = times.first()?;
    let x_mean = slots.iter().map(|x| *x as f64).sum::<f64>() / n;
    let y_mean = times.iter().map(|t| (t - first) as f64).sum::<f64>() / n;
    let (mut xy, mut xx) = (0.0, 0.0);
    for (t, x) in times.iter().zip(slots) {
        let dx = *x as f64 - x_mean;
        xy += dx * ((t - first) as f64 - y_mean);
        xx += dx * dx;
    }
    (xx > 0.0).then(|| (xy / xx * 1_000.0).round() as i64)
}

// === impl Times ===

impl<'a> Times<'a> {
    pub(super) fn read(
        codec: TimeCodec,
        first: i64,
        count: usize,
        source: &mut Source<'a>,
    ) -> Result<Times<'a>, Malformed> {
        let form = match codec {
            TimeCodec::SlotsPacked | TimeCodec::SlotsPco => {
                let period_us = source.varint()?.cast_signed();
                let jumps = read_jumps(count, source)?;
                let packed = codec == TimeCodec::SlotsPacked;
                let low = if packed { source.signed()? } else { 0 };
                let residuals = if packed {
                    Residuals::Packed(Packed::read(source, count)?)
                } else {
                    Residuals::Given(numeric::decode(source, count)?)
                };
                Form::Slots { period_us, jumps, low, residuals }
            }
            TimeCodec::DeltasPacked | TimeCodec::DeltasPco => {
                let deltas = if codec == TimeCodec::DeltasPco {
                    numeric::decode(source, count - 1)?
                } else {
                    let mut deltas = Vec::with_capacity(count - 1);
                    Packed::read(source, count - 1)?.each(0, count - 1, |delta| deltas.push(delta));
                    deltas
                };
                let mut at = first;
                let rest = deltas.into_iter().map(|delta: u64| {
                    at = at.wrapping_add(delta.cast_signed());
                    at
                });
                Form::Given(std::iter::once(first).chain(rest).collect())
            }
        };
        Ok(Times { first, count, form })
    }

    /// The instant of a reading.
    pub(super) fn get(&self, index: usize) -> i64 {
        match &self.form {
            Form::Given(times) => times.get(index).copied().unwrap_or(self.first),
            Form::Slots { period_us, jumps, low, residuals } => {
                let jump = jumps.partition_point(|jump| jump.index <= index);
                let extra = jump.checked_sub(1).and_then(|i| jumps.get(i)).map_or(0, |jump| jump.extra);
                let residual = match residuals {
                    Residuals::Packed(digits) => low.wrapping_add(digits.get(index).cast_signed()),
                    Residuals::Given(given) => given.get(index).copied().unwrap_or(0).into(),
                };
                let slot = extra.wrapping_add_unsigned(index as u64);
                self.first.wrapping_add(expected_ms(slot, *period_us)).wrapping_add(residual)
            }
        }
    }

    /// Index of the first reading at or after an instant; the count if there is none.
    pub(super) fn first_from(&self, at: i64) -> usize {
        let mut index = match &self.form {
            Form::Given(times) => return times.partition_point(|t| *t < at),
            Form::Slots { period_us, jumps, .. } => self.guess(at, *period_us, jumps),
        };
        while index > 0 && self.get(index - 1) >= at {
            index -= 1;
        }
        while index < self.count && self.get(index) < at {
            index += 1;
        }
        index
    }

    /// Where the schedule expects an instant.
    fn guess(&self, at: i64, period_us: i64, jumps: &[Jump]) -> usize {
        let since_us = at.saturating_sub(self.first).max(0).saturating_mul(1_000);
        let slot = since_us / period_us.max(1);
        let slot_of = |jump: &Jump| jump.extra.wrapping_add_unsigned(jump.index as u64);
        let next = jumps.partition_point(|jump| slot_of(jump) <= slot);
        let extra = next.checked_sub(1).and_then(|i| jumps.get(i)).map_or(0, |jump| jump.extra);
        let end = jumps.get(next).map_or(self.count, |jump| jump.index);
        usize::try_from(slot.wrapping_sub(extra)).unwrap_or(0).min(end).min(self.count)
    }

    /// Puts the instants of readings [from, to) at the end of `out`.
    pub(super) fn fill(&self, from: usize, to: usize, out: &mut Vec<i64>) {
        let (period_us, jumps, low, residuals) = match &self.form {
            Form::Given(times) => return out.extend(times.get(from..to).unwrap_or_default()),
            Form::Slots { period_us, jumps, low, residuals } => (*period_us, jumps, *low, residuals),
        };
        let mut next = jumps.partition_point(|jump| jump.index <= from);
        let mut extra = next.checked_sub(1).and_then(|i| jumps.get(i)).map_or(0, |jump| jump.extra);
        let mut index = from;
        let mut push = |residual: i64| {
            if let Some(jump) = jumps.get(next).filter(|jump| jump.index == index) {
                extra = jump.extra;
                next += 1;
            }
            let slot = extra.wrapping_add_unsigned(index as u64);
            out.push(self.first.wrapping_add(expected_ms(slot, period_us)).wrapping_add(residual));
            index += 1;
        };
        match residuals {
            Residuals::Packed(digits) => {
                digits.each(from, to, |digit| push(low.wrapping_add(digit.cast_signed())));
            }
            Residuals::Given(given) => {
                given.get(from..to).unwrap_or_default().iter().for_each(|residual| push((*residual).into()));
            }
        }
    }
}

fn read_jumps(count: usize, source: &mut Source) -> Result<Vec<Jump>, Malformed> {
    let n = source.length(count)?;
    let mut jumps = Vec::with_capacity(n);
    let (mut index, mut extra) = (0_usize, 0_i64);
    for _ in 0..n {
        index += source.length(count)?;
        extra = extra.wrapping_add(source.varint()?.cast_signed()).wrapping_sub(1);
        if index >= count {
            return Err(Malformed("a jump lies beyond the last reading"));
        }
        jumps.push(Jump { index, extra });
    }
    Ok(jumps)
}
