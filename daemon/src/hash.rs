//! SHA-256 as records name it: 64 hexadecimal digits.

use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::io::{self, Read};

/// SHA-256 of bytes, in lower-case hexadecimal.
#[must_use]
pub fn sha256(bytes: &[u8]) -> String {
    hexadecimal(Sha256::digest(bytes).as_slice())
}

/// SHA-256 of everything that can be read, piece by piece: a large file never lies in memory as a whole.
///
/// # Errors
/// Of the reader.
pub fn sha256_of(mut from: impl Read) -> io::Result<String> {
    let mut hash = Sha256::new();
    let mut piece = vec![0; 64 << 10];
    loop {
        match from.read(&mut piece)? {
            0 => return Ok(hexadecimal(hash.finalize().as_slice())),
            n => hash.update(piece.get(..n).unwrap_or_default()),
        }
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    let mut hex = String::with_capacity(64);
    for byte in bytes {
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

    #[test]
    fn a_stream_has_the_hash_of_its_bytes() {
        let bytes: Vec<u8> = (0..200_000_u32).map(|n| (n % 251) as u8).collect();
        assert_eq!(super::sha256_of(bytes.as_slice()).unwrap(), super::sha256(&bytes));
    }
}
