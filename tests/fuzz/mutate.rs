//! Changes to bytes, from a seed.

/// A small generator of random numbers (xorshift64*), the same everywhere and for ever.
pub(crate) struct Random(u64);

/// What breaks readers of numbers, texts and JSON.
const PIECES: [&[u8]; 44] = [
    b"NaN",
    b"-Infinity",
    b"1e999",
    b"1e-400",
    b"-0",
    b"0x1F",
    b"12,5",
    b"999999999999999999999",
    b"null",
    b"true",
    b"\"\"",
    b"\"",
    b"\\u0000",
    b"\\ud800",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    b"\x00",
    b"[",
    b"]",
    b"{",
    b"}",
    b",",
    b":",
    b"\n",
    b"[[[[[[[[[[[[[[[[[",
    b"{\"a\":{\"a\":{\"a\":",
    b"\"Id\":",
    b"\"t\":",
    b"2026-02-30T25:61:61Z",
    b"2026-11-01T01:30:00",
    b"1777716900",
    b"1777716900000",
    b"-1",
    b"9223372036854775808",
    b"1.7976931348623157e308",
    b"85.0",
    b"-127",
    b"\xc2\xb0C",
    b" F",
    b"unavailable",
    b"~0",
    b"~1",
    b"/",
    b"\xf0\x9f\x94\xa5",
];

// === impl Random ===

impl Random {
    pub(crate) fn new(seed: u64) -> Random {
        Random(seed | 1)
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }

    /// Below `n`.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        let n = u64::try_from(n.max(1)).unwrap();
        usize::try_from(self.next() % n).unwrap()
    }

    pub(crate) fn one_of<'t, T>(&mut self, all: &'t [T]) -> &'t T {
        &all[self.below(all.len())]
    }

    fn byte(&mut self) -> u8 {
        self.next().to_le_bytes()[3]
    }
}

/// Some changes to `bytes`; `others` to cross it with.
pub(crate) fn mutate(bytes: &mut Vec<u8>, others: &[Vec<u8>], random: &mut Random) {
    for _ in 0..=random.below(4) {
        let at = random.below(bytes.len() + 1);
        match random.below(9) {
            0 => bytes.truncate(at),
            1 => bytes.insert(at, random.byte()),
            2 if at < bytes.len() => bytes[at] = random.byte(),
            3 if at < bytes.len() => bytes[at] ^= 1 << random.below(8),
            4 if at < bytes.len() => {
                bytes.remove(at);
            }
            5 => {
                let piece = *random.one_of(&PIECES);
                bytes.splice(at..at, piece.iter().copied());
            }
            6 => {
                let other = random.one_of(others);
                let from = random.below(other.len() + 1);
                bytes.splice(at.., other[from..].iter().copied());
            }
            7 => {
                let end = at + random.below(bytes.len() - at + 1);
                let part = bytes[at..end].to_vec();
                bytes.splice(at..at, part);
            }
            _ => {
                let piece = *random.one_of(&PIECES);
                let end = (at + piece.len()).min(bytes.len());
                bytes.splice(at..end, piece.iter().copied());
            }
        }
        bytes.truncate(70_000);
    }
}
