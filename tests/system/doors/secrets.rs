//! Files of secrets, and doors that are not opened without them.

use calwright::http::{DoorSettings, tokens};
use calwright::record::UtcTime;
use calwright::serve::words::Role;
use std::fs;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::Path;
use tests::doors::{House, PlayDesk};

fn refused(settings: impl FnOnce(&mut DoorSettings)) -> String {
    match House::open(PlayDesk::new(&[]).unwrap(), settings) {
        Ok(_) => panic!("the doors opened"),
        Err(error) => error.to_string(),
    }
}

#[test]
fn beyond_loopback_nothing_opens_without_tls_and_tokens() {
    let everywhere = ([0, 0, 0, 0], 0).into();
    let why = refused(|doors| doors.listen = everywhere);
    assert!(why.contains("open to other machines") && why.contains("certificate"), "{why}");
    let dir = tempfile::tempdir().unwrap();
    let key = dir.path().join("key.pem");
    fs::write(&key, "x").unwrap();
    let with_key = |doors: &mut DoorSettings, key: &Path| {
        doors.listen = everywhere;
        (doors.certificate, doors.key) = (Some(key.to_owned()), Some(key.to_owned()));
    };
    fs::set_permissions(&key, fs::Permissions::from_mode(0o640)).unwrap();
    let why = refused(|doors| with_key(doors, &key));
    assert!(why.contains("others than its owner") && why.contains("chmod 600"), "{why}");
    fs::set_permissions(&key, fs::Permissions::from_mode(0o600)).unwrap();
    let why = refused(|doors| with_key(doors, &key));
    assert!(why.contains("certificate"), "{why}");
}

#[test]
fn tokens_are_kept_hashed_in_a_file_for_one_user() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("tokens.toml");
    let token = tokens::add(&file, "Anna Example", [Role::Operator].into(), UtcTime::now()).unwrap();
    assert_eq!(fs::metadata(&file).unwrap().mode() & 0o777, 0o600);
    let text = fs::read_to_string(&file).unwrap();
    assert!(!text.contains(&token) && text.contains("Anna Example"), "{text}");
    let held = tokens::Tokens::open(&file).unwrap();
    assert_eq!(held.whose(&token).unwrap().name, "Anna Example");
    assert_eq!(held.whose("calwright_"), None);
    // Taken away while the daemon runs.
    assert_eq!(tokens::remove(&file, "Anna Example").unwrap(), 1);
    assert_eq!(held.whose(&token), None);
}

#[test]
fn a_file_of_tokens_that_others_can_read_is_refused_at_the_start_and_later() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("tokens.toml");
    let token = tokens::add(&file, "Anna Example", [Role::Operator].into(), UtcTime::now()).unwrap();
    let held = tokens::Tokens::open(&file).unwrap();
    fs::set_permissions(&file, fs::Permissions::from_mode(0o644)).unwrap();
    assert_eq!(held.whose(&token), None, "an open file opens nothing");
    let why = refused(|doors| doors.tokens = Some(file.clone()));
    assert!(why.contains("mode 0644") && why.contains("chmod 600"), "{why}");
    assert!(tokens::add(&file, "B. Example", [Role::Viewer].into(), UtcTime::now()).is_err());
}

#[test]
fn what_is_no_file_of_tokens_is_told_with_its_line() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("tokens.toml");
    for (text, says) in [
        ("format = 2\n", "format = 2"),
        ("format = 1\n[[token]]\nname = \"x\"\n", "line 2"),
        ("format = 1\n[[token]]\nname = \"x\"\nroles = [\"king\"]\n", "king"),
        (
            "format = 1\n[[token]]\nname = \"x\"\nroles = []\nsha256 = \"12\"\nmade = \"2026-01-01T00:00:00Z\"\n",
            "64 hexadecimal",
        ),
    ] {
        fs::write(&file, text).unwrap();
        fs::set_permissions(&file, fs::Permissions::from_mode(0o600)).unwrap();
        let why = tokens::Tokens::open(&file).unwrap_err().to_string();
        assert!(why.contains(says), "{why}");
    }
}

#[test]
fn the_socket_is_for_the_daemons_user_and_a_second_daemon_finds_it_taken() {
    let house = super::identity::house();
    let socket = house.folder().join("calwright.sock");
    assert_eq!(fs::metadata(&socket).unwrap().mode() & 0o777, 0o600);
    let why = refused(|doors| doors.socket = Some(socket.clone()));
    assert!(why.contains("a daemon listens there already"), "{why}");
    let dir = tempfile::tempdir().unwrap();
    let plain = dir.path().join("plain");
    fs::write(&plain, "").unwrap();
    assert!(refused(|doors| doors.socket = Some(plain.clone())).contains("no socket"));
}
