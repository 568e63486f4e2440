//! The protocol's text and its source do not part unnoticed.

use super::tree;
use calwright::hash::sha256;

#[test]
fn the_protocol_is_described_as_it_is() {
    let mut source = String::new();
    for (_, text) in tree::rust().iter().filter(|(path, _)| path.starts_with("drivers/src/protocol/")) {
        source.push_str(text.split("#[cfg(test)]").next().unwrap());
    }
    assert!(source.len() > 10_000, "the protocol's files were not found");
    let hash = sha256(source.as_bytes());
    let text = tree::files().into_iter().find(|f| f.path == "drivers/PROTOCOL.md").unwrap().text.unwrap();
    let stated = text.lines().find_map(|line| line.strip_prefix("Source: ")).unwrap();
    assert_eq!(
        stated, hash,
        "drivers/src/protocol changed: look whether drivers/PROTOCOL.md still says what it does, then state the hash"
    );
}
