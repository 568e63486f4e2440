//! TLS of the port: certificate and key from files in PEM.

use super::open::DoorError;
use super::tokens::private;
use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::path::Path;
use std::sync::Arc;
use tokio_rustls::TlsAcceptor;

/// Reads certificate and key.
///
/// # Errors
/// What is wrong with which file.
pub(super) fn acceptor(certificate: &Path, key: &Path) -> Result<TlsAcceptor, DoorError> {
    private(key).map_err(|error| DoorError::Settings(error.to_string()))?;
    let of = |path: &Path, why: String| DoorError::Settings(format!("{}: {why}", path.display()));
    let chain = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| of(certificate, format!("no certificate in PEM: {e}")))?;
    if chain.is_empty() {
        return Err(of(certificate, "there is no certificate in it".to_owned()));
    }
    let secret =
        PrivateKeyDer::from_pem_file(key).map_err(|e| of(key, format!("no private key in PEM: {e}")))?;
    let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|e| of(certificate, e.to_string()))?
        .with_no_client_auth()
        .with_single_cert(chain, secret)
        .map_err(|e| of(certificate, format!("certificate and key can't be used together: {e}")))?;
    Ok(TlsAcceptor::from(Arc::new(config)))
}
