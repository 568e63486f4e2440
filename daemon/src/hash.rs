//! SHA-256 as records name it: 64 hexadecimal digits.

use sha2::{Digest, Sha256};
use std::fmt::Write;

/// SHA-256 of bytes, in lower-case hexadecimal.
#[must_use]
pub fn sha256(bytes: &[u8]) -> String {
    let mut hex = String::with_capacity(64);
    for byte in Sha256::digest(bytes) {
        // Writing to a String can't fail.
        let _ = write!(hex, "{byte:02x}");
    }
    hex
}

#[cfg(test)]
mod tests {
    /// FIPS 180-4, example "abc" (value from memory; agrees with common tools).
    #[test]
    fn known_value() {
        assert_eq!(super::sha256(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
    }
}
