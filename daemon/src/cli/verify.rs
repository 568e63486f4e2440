//! `calwright verify`: proof that a release is as it was signed.

use super::{Context, Exit, say};
use crate::release::key::PublicKey;
use crate::release::verify::{Proof, find, verify, verify_archive};
use serde_json::json;
use std::path::Path;

pub(super) fn run(context: &Context, path: &Path, public_key: Option<&Path>, runs: bool) -> Exit {
    let settings = &context.settings;
    let Some(key) = public_key.or(settings.release.public_key.as_deref()) else {
        say::error(
            "error: no key to verify with; name it with --public-key or the setting release.public_key",
        );
        return Exit::Input;
    };
    let key = match PublicKey::read(key) {
        Ok(key) => key,
        Err(error) => {
            say::error(&format!("error: {error}"));
            return Exit::Input;
        }
    };
    let state = settings.state_dir();
    let proofs = if runs {
        verify_archive(path, &key, &state)
    } else {
        let ledger = state.join(crate::release::ledger::FILE);
        let folder = match find(path) {
            Ok(folder) => folder,
            Err(what) => {
                say::error(&format!("error: {what}"));
                return Exit::Input;
            }
        };
        // A customer who verifies has no ledger; a laboratory has.
        verify(&folder, &key, ledger.is_file().then_some(state.as_path())).map(|proof| vec![proof])
    };
    match proofs {
        Ok(proofs) => {
            proofs.iter().for_each(|proof| tell(context, proof));
            Exit::Done
        }
        Err(wrong) => {
            if context.json {
                say::out(&json!({ "verified": false, "wrong": wrong }).to_string());
            }
            wrong.iter().for_each(|what| say::error(&format!("error: {what}")));
            Exit::Records
        }
    }
}

fn tell(context: &Context, proof: &Proof) {
    let record = &proof.record;
    if context.json {
        return say::out(&json!({ "verified": true, "release": record }).to_string());
    }
    for certificate in &record.certificates {
        let simulated = if record.simulated { " (SIMULATED)" } else { "" };
        say::out(&format!(
            "{}: sensor {}, run {}{simulated}, approved by {} on {}: signature, records and result verified",
            certificate.number,
            certificate.serial,
            record.run,
            record.approved_by,
            record.approved_utc.civil().date()
        ));
    }
}
