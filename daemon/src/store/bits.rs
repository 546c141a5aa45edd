//! Numbers as bytes: variable-length integers, and many small numbers packed side by side.
//!
//! Packing is by a common radix: as many digits as fit well share one word of at most 64 bits, so that 3,001 different
//! values cost 11.6 bits each and not 12. Any digit can be read without the ones before it.

/// Bytes on their way out of a block.
#[derive(Clone, Copy, Debug)]
pub(super) struct Source<'a> {
    bytes: &'a [u8],
}

/// A block that says what none of ours can say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub(super) struct Malformed(pub(super) &'static str);

/// Digits of one radix, several to a word.
#[derive(Clone, Copy, Debug)]
pub(super) struct Packed<'a> {
    bytes: &'a [u8],
    count: usize,
    shape: Shape,
}

/// How digits share words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Shape {
    /// The radix; 0 stands for 2^64.
    radix: u64,
    digits: u32,
    bits: u32,
    /// floor((2^64 - 1) / radix), for dividing by multiplication.
    inverse: u64,
}

// === variable-length integers ===

pub(super) fn zigzag(x: i64) -> u64 {
    (x.cast_unsigned() << 1) ^ (x >> 63).cast_unsigned()
}

pub(super) fn unzigzag(x: u64) -> i64 {
    (x >> 1).cast_signed() ^ (x & 1).cast_signed().wrapping_neg()
}

/// Seven bits a byte, the lowest first; the top bit says that more come.
pub(super) fn put_varint(mut x: u64, out: &mut Vec<u8>) {
    while x >= 128 {
        out.push(x.to_le_bytes()[0] | 128);
        x >>= 7;
    }
    out.push(x.to_le_bytes()[0]);
}

pub(super) fn varint_len(x: u64) -> usize {
    (64 - (x | 1).leading_zeros()).div_ceil(7) as usize
}

// === impl Source ===

impl<'a> Source<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Source<'a> {
        Source { bytes }
    }

    pub(super) fn rest(self) -> &'a [u8] {
        self.bytes
    }

    pub(super) fn take(&mut self, n: usize) -> Result<&'a [u8], Malformed> {
        let (taken, rest) = self.bytes.split_at_checked(n).ok_or(Malformed("it ends too early"))?;
        self.bytes = rest;
        Ok(taken)
    }

    pub(super) fn array<const N: usize>(&mut self) -> Result<[u8; N], Malformed> {
        let (taken, rest) = self.bytes.split_first_chunk().ok_or(Malformed("it ends too early"))?;
        self.bytes = rest;
        Ok(*taken)
    }

    pub(super) fn byte(&mut self) -> Result<u8, Malformed> {
        Ok(self.array::<1>()?[0])
    }

    pub(super) fn varint(&mut self) -> Result<u64, Malformed> {
        let mut x = 0;
        for shift in (0..70).step_by(7) {
            let byte = self.byte()?;
            x |= u64::from(byte & 127).checked_shl(shift).unwrap_or(0);
            if byte < 128 {
                return Ok(x);
            }
        }
        Err(Malformed("a number has too many bytes"))
    }

    pub(super) fn signed(&mut self) -> Result<i64, Malformed> {
        Ok(unzigzag(self.varint()?))
    }

    /// A length or count of at most `max`.
    pub(super) fn length(&mut self, max: usize) -> Result<usize, Malformed> {
        let length = usize::try_from(self.varint()?).ok().filter(|length| *length <= max);
        length.ok_or(Malformed("a length is beyond its bound"))
    }

    pub(super) fn float(&mut self) -> Result<f64, Malformed> {
        Ok(f64::from_le_bytes(self.array()?))
    }
}

// === impl Shape ===

impl Shape {
    fn of(radix: u64) -> Shape {
        if radix == 0 {
            return Shape { radix, digits: 1, bits: 64, inverse: 0 };
        }
        let (mut best, mut power) = (Shape { radix, digits: 1, bits: 64, inverse: u64::MAX / radix }, 1_u64);
        for digits in 1..=64 {
            let Some(next) = power.checked_mul(radix) else { break };
            power = next;
            let bits = 64 - (power - 1).leading_zeros();
            // Fewer bits a digit, compared without dividing.
            if bits * best.digits < best.bits * digits {
                best = Shape { digits, bits, ..best };
            }
        }
        best
    }

    fn len(self, count: usize) -> usize {
        (count.div_ceil(self.digits as usize) * self.bits as usize).div_ceil(8)
    }

    /// Quotient and remainder by the radix. The estimate is at most one too small.
    fn divide(self, word: u64) -> (u64, u64) {
        let wide = u128::from(word) * u128::from(self.inverse);
        let mut quotient = (wide >> 64) as u64;
        let mut rest = word.wrapping_sub(quotient.wrapping_mul(self.radix));
        if rest >= self.radix {
            quotient += 1;
            rest -= self.radix;
        }
        (quotient, rest)
    }
}

// === packing ===

/// Bytes that [`pack`] would write for so many digits of at most `max`.
pub(super) fn packed_len(max: u64, count: usize) -> usize {
    varint_len(max) + Shape::of(max.wrapping_add(1)).len(count)
}

/// Writes the largest digit and then all of them.
pub(super) fn pack(digits: impl ExactSizeIterator<Item = u64>, max: u64, out: &mut Vec<u8>) {
    put_varint(max, out);
    let shape = Shape::of(max.wrapping_add(1));
    if shape.bits == 0 {
        return;
    }
    let end = out.len() + shape.len(digits.len());
    let (mut bits, mut filled) = (0_u128, 0);
    let mut write = |word: u64| {
        bits |= u128::from(word) << filled;
        filled += shape.bits;
        while filled >= 8 {
            out.push(bits.to_le_bytes()[0]);
            bits >>= 8;
            filled -= 8;
        }
        bits
    };
    let (mut word, mut power, mut held, mut last) = (0_u64, 1_u64, 0, 0);
    for digit in digits {
        word = word.wrapping_add(digit.wrapping_mul(power));
        power = power.wrapping_mul(shape.radix);
        held += 1;
        if held == shape.digits {
            last = write(word);
            (word, power, held) = (0, 1, 0);
        }
    }
    if held > 0 {
        last = write(word);
    }
    if out.len() < end {
        out.push(last.to_le_bytes()[0]);
    }
}

// === impl Packed ===

impl<'a> Packed<'a> {
    pub(super) fn read(source: &mut Source<'a>, count: usize) -> Result<Packed<'a>, Malformed> {
        let shape = Shape::of(source.varint()?.wrapping_add(1));
        Ok(Packed { bytes: source.take(shape.len(count))?, count, shape })
    }

    fn word(&self, index: usize) -> u64 {
        let bit = index * self.shape.bits as usize;
        let (byte, shift) = (bit / 8, bit % 8);
        let mask = u64::MAX >> (64 - self.shape.bits);
        if let Some(bytes) = self.bytes.get(byte..).and_then(|rest| rest.first_chunk::<16>()) {
            #[expect(clippy::cast_possible_truncation, reason = "masked to the bits of a word")]
            return (u128::from_le_bytes(*bytes) >> shift) as u64 & mask;
        }
        let mut bytes = [0; 16];
        let rest = self.bytes.get(byte..).unwrap_or_default();
        let n = rest.len().min(16);
        bytes[..n].copy_from_slice(&rest[..n]);
        #[expect(clippy::cast_possible_truncation, reason = "masked to the bits of a word")]
        let word = (u128::from_le_bytes(bytes) >> shift) as u64;
        word & mask
    }

    /// The digit at a place; 0 beyond the end.
    pub(super) fn get(&self, index: usize) -> u64 {
        let Shape { digits, bits, radix, .. } = self.shape;
        if bits == 0 || index >= self.count {
            return 0;
        }
        let mut word = self.word(index / digits as usize);
        if digits == 1 {
            return if radix == 0 { word } else { word.min(radix - 1) };
        }
        for _ in 0..index % digits as usize {
            word = self.shape.divide(word).0;
        }
        self.shape.divide(word).1
    }

    /// Gives each digit of [from, to) in order to `each`.
    pub(super) fn each(&self, from: usize, to: usize, mut each: impl FnMut(u64)) {
        let Shape { digits, bits, radix, .. } = self.shape;
        let to = to.min(self.count);
        if bits == 0 {
            (from..to).for_each(|_| each(0));
            return;
        }
        if digits == 1 {
            (from..to)
                .for_each(|i| each(if radix == 0 { self.word(i) } else { self.word(i).min(radix - 1) }));
            return;
        }
        let digits = digits as usize;
        let mut index = from;
        while index < to {
            let mut word = self.word(index / digits);
            for _ in 0..index % digits {
                word = self.shape.divide(word).0;
            }
            let end = to.min((index / digits + 1) * digits);
            while index < end {
                let (rest, digit) = self.shape.divide(word);
                each(digit);
                word = rest;
                index += 1;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn varints_and_zigzags_come_back() {
        for x in [0, 1, 127, 128, 300, u64::from(u32::MAX), u64::MAX - 1, u64::MAX] {
            let mut out = Vec::new();
            put_varint(x, &mut out);
            assert_eq!(out.len(), varint_len(x));
            assert_eq!(Source::new(&out).varint(), Ok(x));
            assert_eq!(zigzag(unzigzag(x)), x);
        }
        assert_eq!(unzigzag(zigzag(i64::MIN)), i64::MIN);
        assert!(Source::new(&[255; 11]).varint().is_err());
        assert!(Source::new(&[128]).varint().is_err());
    }

    #[test]
    fn three_thousand_values_cost_less_than_twelve_bits() {
        assert_eq!(packed_len(3_000, 2_000) * 8, 8 * 2 + 400 * 58);
        assert_eq!(packed_len(0, 2_000), 1);
        assert_eq!(packed_len(1, 2_000), 1 + 250);
        assert_eq!(packed_len(u64::MAX, 3), 10 + 24);
    }

    proptest! {
        #[test]
        fn packed_digits_come_back(bits in 0_u32..=64, seeds in prop::collection::vec(any::<u64>(), 0..300)) {
            let mask = u64::MAX.checked_shr(64 - bits).unwrap_or(0);
            let digits: Vec<u64> = seeds.iter().map(|x| x & mask).collect();
            let max = digits.iter().copied().max().unwrap_or(0);
            let mut out = vec![7];
            pack(digits.iter().copied(), max, &mut out);
            prop_assert_eq!(out.len(), 1 + packed_len(max, digits.len()));
            let mut source = Source::new(&out[1..]);
            let packed = Packed::read(&mut source, digits.len()).unwrap();
            prop_assert!(source.rest().is_empty());
            for (i, digit) in digits.iter().enumerate() {
                prop_assert_eq!(packed.get(i), *digit);
            }
            let (from, to) = (digits.len() / 3, digits.len() - digits.len() / 5);
            let mut some = Vec::new();
            packed.each(from, to, |digit| some.push(digit));
            prop_assert_eq!(&some, &digits[from..to.max(from)]);
        }
    }
}
