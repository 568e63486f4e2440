//! `calwright keygen`: a pair of keys for releases.

use super::{Exit, say};
use crate::release::key::{KeyError, PrivateKey};
use std::path::Path;

pub(super) fn run(name: &Path) -> Exit {
    let ending = |ending: &str| {
        let mut path = name.as_os_str().to_owned();
        path.push(ending);
        std::path::PathBuf::from(path)
    };
    let (private, public) = (ending(".key"), ending(".pub"));
    let made = PrivateKey::generate().and_then(|key| key.write(&private, &public).map(|()| key));
    match made {
        Ok(key) => {
            say::out(&format!(
                "Private key {}: keep it secret, and a copy of it safe.\nPublic key {}: give it to whoever verifies.\n\
                 Fingerprint {}",
                private.display(),
                public.display(),
                key.public().fingerprint()
            ));
            Exit::Done
        }
        Err(error) => {
            say::error(&format!("error: {error}"));
            if matches!(error, KeyError::Random(_)) { Exit::Environment } else { Exit::Input }
        }
    }
}
