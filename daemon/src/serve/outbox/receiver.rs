//! One receiver: an address that takes notices over HTTP, or over TLS from whom the settings trust.

use super::OutboxSettings;
use super::spool::Notice;
use http_body_util::Full;
use hyper::body::Bytes;
use hyper::header::{AUTHORIZATION, CONTENT_TYPE, HOST, HeaderValue};
use hyper::{Method, Request, Uri};
use hyper_util::rt::TokioIo;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, RootCertStore};
use std::fmt;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;

/// Longest time for one notice.
const PATIENCE: Duration = Duration::from_secs(10);

/// Why a receiver can't be told, or not now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReceiverError(pub(super) String);

impl fmt::Display for ReceiverError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for ReceiverError {}

fn failed(error: impl fmt::Display) -> ReceiverError {
    ReceiverError(error.to_string())
}

/// An address with what it takes to reach it.
pub(super) struct Receiver {
    written: String,
    uri: Uri,
    host: String,
    port: u16,
    token: Option<HeaderValue>,
    tls: Option<TlsConnector>,
}

impl Receiver {
    /// All of the settings.
    pub(super) fn all(settings: &OutboxSettings) -> Result<Vec<Self>, ReceiverError> {
        let token = settings.token.as_deref().map(token).transpose()?;
        let tls = settings.authorities.as_deref().map(trusting).transpose()?;
        settings.receivers.iter().map(|a| Self::new(a, token.as_ref(), tls.as_ref())).collect()
    }

    fn new(
        address: &str,
        token: Option<&HeaderValue>,
        tls: Option<&TlsConnector>,
    ) -> Result<Self, ReceiverError> {
        let wrong = |why: &str| {
            ReceiverError(format!(
                "outbox.receivers: '{address}' {why}; write such as \"http://192.0.2.9:8080/notices\""
            ))
        };
        let uri: Uri = address.parse().map_err(|_| wrong("is no address"))?;
        let host = uri.host().ok_or_else(|| wrong("names no host"))?.to_owned();
        let (tls, port) = match uri.scheme_str() {
            Some("http") => (None, 80),
            Some("https") => {
                let tls = tls.ok_or_else(|| {
                    wrong("is https: name the file of trusted certificates with outbox.authorities")
                });
                (Some(tls?.clone()), 443)
            }
            _ => return Err(wrong("is neither http nor https")),
        };
        let port = uri.port_u16().unwrap_or(port);
        Ok(Self { written: address.to_owned(), host, port, token: token.cloned(), tls, uri })
    }

    /// As it is written in the settings.
    pub(super) fn address(&self) -> &str {
        &self.written
    }

    /// Posts a notice; `Ok` once it was taken.
    pub(super) async fn post(&self, notice: &Notice) -> Result<(), ReceiverError> {
        tokio::time::timeout(PATIENCE, self.exchange(notice))
            .await
            .unwrap_or_else(|_| Err(ReceiverError(format!("no answer within {} s", PATIENCE.as_secs()))))
    }

    async fn exchange(&self, notice: &Notice) -> Result<(), ReceiverError> {
        let plain =
            TcpStream::connect((self.host.trim_matches(['[', ']']), self.port)).await.map_err(failed)?;
        match &self.tls {
            None => self.speak(plain, notice).await,
            Some(tls) => {
                let name = ServerName::try_from(self.host.clone()).map_err(failed)?;
                let secret = tls.connect(name, plain).await.map_err(failed)?;
                self.speak(secret, notice).await
            }
        }
    }

    async fn speak<S>(&self, stream: S, notice: &Notice) -> Result<(), ReceiverError>
    where
        S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    {
        let (mut sender, connection) =
            hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(failed)?;
        let driven = tokio::spawn(connection);
        let path = self.uri.path_and_query().map_or("/", |p| p.as_str());
        let mut request = Request::new(Full::new(Bytes::from(serde_json::to_vec(notice).map_err(failed)?)));
        *request.method_mut() = Method::POST;
        *request.uri_mut() = path.parse().map_err(failed)?;
        let headers = request.headers_mut();
        let host = self.uri.authority().map_or(self.host.as_str(), |a| a.as_str());
        headers.insert(HOST, HeaderValue::from_str(host).map_err(failed)?);
        headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/json"));
        if let Some(token) = &self.token {
            headers.insert(AUTHORIZATION, token.clone());
        }
        let answer = sender.send_request(request).await;
        driven.abort();
        match answer.map_err(failed)?.status() {
            status if status.is_success() => Ok(()),
            status => Err(ReceiverError(format!("it answered {status}"))),
        }
    }
}

fn token(path: &Path) -> Result<HeaderValue, ReceiverError> {
    let of = |why: String| ReceiverError(format!("outbox.token: {}: {why}", path.display()));
    let mode = std::fs::metadata(path).map_err(|e| of(e.to_string()))?.permissions().mode();
    if mode & 0o077 != 0 {
        return Err(of("others than its owner can read it; give it the mode 0600".to_owned()));
    }
    let text = std::fs::read_to_string(path).map_err(|e| of(e.to_string()))?;
    let mut value = HeaderValue::from_str(&format!("Bearer {}", text.trim()))
        .map_err(|_| of("a token is one line of letters and digits".to_owned()))?;
    value.set_sensitive(true);
    Ok(value)
}

fn trusting(path: &Path) -> Result<TlsConnector, ReceiverError> {
    let of = |why: String| ReceiverError(format!("outbox.authorities: {}: {why}", path.display()));
    let mut roots = RootCertStore::empty();
    for certificate in CertificateDer::pem_file_iter(path).map_err(|e| of(e.to_string()))? {
        roots.add(certificate.map_err(|e| of(e.to_string()))?).map_err(|e| of(e.to_string()))?;
    }
    if roots.is_empty() {
        return Err(of("there is no certificate in it".to_owned()));
    }
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|e| of(e.to_string()))?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(TlsConnector::from(Arc::new(config)))
}
