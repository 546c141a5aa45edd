//! SHA-256 (FIPS 180-4), by the library that TLS brings along.

use ring::digest::{Context, SHA256};

/// Of bytes that come in pieces.
pub struct Hasher(Context);

/// Of bytes that are all there.
pub fn digest(bytes: &[u8]) -> [u8; 32] {
    let mut hasher = Hasher::new();
    hasher.update(bytes);
    hasher.finish()
}

// === impl Hasher ===

impl Hasher {
    pub fn new() -> Hasher {
        Hasher(Context::new(&SHA256))
    }

    pub fn update(&mut self, bytes: &[u8]) {
        self.0.update(bytes);
    }

    pub fn finish(self) -> [u8; 32] {
        let digest = self.0.finish();
        let mut bytes = [0; 32];
        // The library gives a slice, of SHA-256 always so long.
        bytes.copy_from_slice(digest.as_ref());
        bytes
    }
}

impl Default for Hasher {
    fn default() -> Hasher {
        Hasher::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::digest::sha256;

    /// The examples of NIST for FIPS 180-4 (`SHA256.pdf`), and of the empty message.
    #[test]
    fn the_published_examples_come_out() {
        for (message, wanted) in [
            ("", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
            ("abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
            (
                "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
        ] {
            assert_eq!(sha256(message.as_bytes()), wanted, "{message}");
            let mut pieces = Hasher::new();
            for piece in message.as_bytes().chunks(5) {
                pieces.update(piece);
            }
            assert_eq!(pieces.finish(), digest(message.as_bytes()), "{message} in pieces");
        }
    }
}
