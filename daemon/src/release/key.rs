//! Keys: Ed25519 (RFC 8032), PKCS#8 and SPKI in PEM, so that common tools read them.
//!
//! Owns reading, writing and using keys. Invariant: a private key that others can read is refused, and is written so that
//! only its owner can.

use crate::hash::sha256;
use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey, EncodePrivateKey, EncodePublicKey};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use std::fmt;
use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// Why a key can't be used.
#[derive(Debug)]
pub enum KeyError {
    /// The file can't be read or written.
    File(PathBuf, io::Error),
    /// Others than its owner can read it.
    Open(PathBuf),
    /// It is no key of this kind.
    Form(PathBuf, String),
    /// The operating system has no random numbers.
    Random(String),
}

impl fmt::Display for KeyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File(path, error) => write!(f, "key {}: {error}", path.display()),
            Self::Open(path) => write!(
                f,
                "key {}: others than its owner can read it, so it may not be secret any more. Give it the mode 0600 \
                 if you are sure that it is, else make a new one with keygen",
                path.display()
            ),
            Self::Form(path, detail) => {
                write!(f, "key {}: this is no Ed25519 key in PEM ({detail})", path.display())
            }
            Self::Random(detail) => write!(f, "the system gives no random numbers: {detail}"),
        }
    }
}

impl std::error::Error for KeyError {}

/// The private key of an approver or a laboratory.
pub struct PrivateKey(SigningKey);

/// The key that signatures are verified with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicKey(VerifyingKey);

impl PrivateKey {
    /// A new key from the system's random numbers.
    ///
    /// # Errors
    /// Where the system has none.
    pub fn generate() -> Result<Self, KeyError> {
        let mut seed = [0; 32];
        getrandom::fill(&mut seed).map_err(|error| KeyError::Random(error.to_string()))?;
        Ok(Self(SigningKey::from_bytes(&seed)))
    }

    /// Reads a private key that only its owner can read.
    ///
    /// # Errors
    /// See [`KeyError`].
    pub fn read(path: &Path) -> Result<Self, KeyError> {
        let file = |error| KeyError::File(path.to_owned(), error);
        let mode = fs::metadata(path).map_err(file)?.permissions().mode();
        if mode & 0o077 != 0 {
            return Err(KeyError::Open(path.to_owned()));
        }
        let text = fs::read_to_string(path).map_err(file)?;
        SigningKey::from_pkcs8_pem(&text)
            .map(Self)
            .map_err(|error| KeyError::Form(path.to_owned(), error.to_string()))
    }

    /// Writes it and its public key beside it; never over a file that exists.
    ///
    /// # Errors
    /// See [`KeyError`].
    pub fn write(&self, private: &Path, public: &Path) -> Result<(), KeyError> {
        let form = |path: &Path, detail: String| KeyError::Form(path.to_owned(), detail);
        let secret = self.0.to_pkcs8_pem(LineEnding::LF).map_err(|e| form(private, e.to_string()))?;
        let open = self
            .0
            .verifying_key()
            .to_public_key_pem(LineEnding::LF)
            .map_err(|e| form(public, e.to_string()))?;
        write_new(private, secret.as_bytes(), 0o600)?;
        write_new(public, open.as_bytes(), 0o644)
    }

    /// Its public key.
    #[must_use]
    pub fn public(&self) -> PublicKey {
        PublicKey(self.0.verifying_key())
    }

    /// The signature of bytes, 128 hexadecimal digits.
    #[must_use]
    pub fn sign(&self, bytes: &[u8]) -> String {
        self.0.sign(bytes).to_bytes().iter().map(|byte| format!("{byte:02x}")).collect()
    }
}

impl PublicKey {
    /// Reads a public key.
    ///
    /// # Errors
    /// See [`KeyError`].
    pub fn read(path: &Path) -> Result<Self, KeyError> {
        let text = fs::read_to_string(path).map_err(|error| KeyError::File(path.to_owned(), error))?;
        VerifyingKey::from_public_key_pem(&text)
            .map(Self)
            .map_err(|error| KeyError::Form(path.to_owned(), error.to_string()))
    }

    /// A name for the key: SHA-256 of its 32 bytes.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        sha256(self.0.as_bytes())
    }

    /// Whether a signature in hexadecimal is this key's, of these bytes. Strict: no second form of a signature passes.
    #[must_use]
    pub fn verifies(&self, bytes: &[u8], signature: &str) -> bool {
        let digits = signature.trim();
        let parsed: Option<Vec<u8>> = (digits.len() == 128 && digits.is_ascii())
            .then(|| (0..64).map(|n| u8::from_str_radix(digits.get(2 * n..2 * n + 2)?, 16).ok()).collect())
            .flatten();
        parsed
            .and_then(|bytes| <[u8; 64]>::try_from(bytes).ok())
            .is_some_and(|parts| self.0.verify_strict(bytes, &Signature::from_bytes(&parts)).is_ok())
    }
}

fn write_new(path: &Path, bytes: &[u8], mode: u32) -> Result<(), KeyError> {
    let write = || -> io::Result<()> {
        let mut file = OpenOptions::new().write(true).create_new(true).mode(mode).open(path)?;
        file.write_all(bytes)?;
        file.sync_all()
    };
    write().map_err(|error| KeyError::File(path.to_owned(), error))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 8032, 7.1, test 2 (values from memory; the library's own tests hold them too).
    #[test]
    fn agrees_with_the_example_of_the_rfc() {
        let seed = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb";
        let bytes: Vec<u8> =
            (0..32).map(|n| u8::from_str_radix(&seed[2 * n..2 * n + 2], 16).unwrap()).collect();
        let key = PrivateKey(SigningKey::from_bytes(&bytes.try_into().unwrap()));
        let signature = key.sign(&[0x72]);
        assert_eq!(
            signature,
            "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302a\
             eeb00d291612bb0c00"
        );
        assert!(key.public().verifies(&[0x72], &signature));
        assert!(!key.public().verifies(&[0x73], &signature));
        assert!(!key.public().verifies(&[0x72], &signature.replace('9', "8")));
        assert!(!key.public().verifies(&[0x72], "x"));
    }

    #[test]
    fn a_pair_is_written_and_read_back() {
        let dir = tempfile::tempdir().unwrap();
        let (private, public) = (dir.path().join("lab.key"), dir.path().join("lab.pub"));
        let key = PrivateKey::generate().unwrap();
        key.write(&private, &public).unwrap();
        let signature = PrivateKey::read(&private).unwrap().sign(b"x");
        assert!(PublicKey::read(&public).unwrap().verifies(b"x", &signature));
        assert!(matches!(key.write(&private, &public), Err(KeyError::File(..))), "nothing is overwritten");
        fs::set_permissions(&private, fs::Permissions::from_mode(0o644)).unwrap();
        assert!(matches!(PrivateKey::read(&private), Err(KeyError::Open(_))));
        assert!(matches!(PublicKey::read(&private), Err(KeyError::Form(..))));
    }
}
