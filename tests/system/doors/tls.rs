//! The port with TLS: who trusts the certificate gets in, who does not goes away, and plain HTTP is no way in.
//!
//! Certificates and the key are invented and for these tests only.

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};
use std::fs;
use std::io::{self, Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tests::doors::{House, PlayDesk};
use tests::program::root;

fn fixture(name: &str) -> PathBuf {
    root().join("tests/system/doors/fixture").join(name)
}

/// Doors with TLS, and their address.
fn house() -> (tempfile::TempDir, House, String) {
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("door.key");
    fs::copy(fixture("door.key"), &key).unwrap();
    fs::set_permissions(&key, fs::Permissions::from_mode(0o600)).unwrap();
    let house = House::open(PlayDesk::new(&[]).unwrap(), |doors| {
        doors.certificate = Some(fixture("door.crt"));
        doors.key = Some(key);
    })
    .unwrap();
    let address = house.url().unwrap().strip_prefix("https://").unwrap().to_owned();
    (folder, house, address)
}

fn connected(address: &str) -> TcpStream {
    let stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    stream
}

/// What is answered to a question of somebody who trusts this certificate.
fn asked(address: &str, trusts: &str, token: &str) -> io::Result<String> {
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from_pem_file(fixture(trusts)).unwrap()).unwrap();
    let config = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = ServerName::try_from("127.0.0.1").unwrap();
    let client = ClientConnection::new(Arc::new(config), name).map_err(io::Error::other)?;
    let mut stream = StreamOwned::new(client, connected(address));
    write!(
        stream,
        "GET /api/v1/rig HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\n\r\n"
    )?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer)?;
    Ok(answer)
}

#[test]
fn who_trusts_the_certificate_gets_in_and_who_does_not_goes_away() {
    let (_folder, house, address) = house();
    let answer = asked(&address, "door.crt", house.token("viewer")).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    let refused = asked(&address, "other.crt", house.token("viewer")).unwrap_err();
    assert!(refused.to_string().contains("certificate"), "{refused}");
    let nobody = asked(&address, "door.crt", "calwright_wrong").unwrap();
    assert!(nobody.starts_with("HTTP/1.1 401"), "{nobody}");
}

#[test]
fn plain_http_is_closed_and_holds_up_nobody() {
    let (_folder, house, address) = house();
    let mut plain = connected(&address);
    // In one piece: the door closes as soon as it has seen that this is no TLS.
    let request = format!("GET /api/v1/rig HTTP/1.1\r\nHost: {address}\r\n\r\n");
    plain.write_all(request.as_bytes()).unwrap();
    let mut answer = Vec::new();
    // An alert of TLS and the end, or the end alone; an error where it ended in mid-request.
    let ended = plain.read_to_end(&mut answer);
    assert!(!matches!(&ended, Err(e) if e.kind() == io::ErrorKind::WouldBlock), "it was kept open");
    assert!(!String::from_utf8_lossy(&answer).contains("HTTP/"), "{answer:?}");
    assert!(asked(&address, "door.crt", house.token("viewer")).unwrap().starts_with("HTTP/1.1 200"));
}

#[test]
fn a_key_that_others_can_read_opens_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("door.key");
    fs::copy(fixture("door.key"), &key).unwrap();
    fs::set_permissions(&key, fs::Permissions::from_mode(0o644)).unwrap();
    let opened = House::open(PlayDesk::new(&[]).unwrap(), |doors| {
        doors.certificate = Some(fixture("door.crt"));
        doors.key = Some(key);
    });
    assert!(opened.is_err());
}
