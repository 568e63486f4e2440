//! Settings of instruments, as their drivers see them, with every mistake at its place in the rig file.

use crate::wiring;
use plan_schema::read::{Diagnostics, Document};
use plan_schema::rig::Rig;

/// What is wrong with the settings of a rig's instruments.
pub(super) fn problems(rig: &Document<Rig>) -> Diagnostics {
    let registry = wiring::built_in();
    let mut found = Vec::new();
    for (n, instrument) in rig.value.instruments.iter().enumerate() {
        match registry.find(instrument) {
            Err(error) => {
                let remedy = "write one that 'calwright drivers' lists";
                found.push(rig.error(&format!("instrument[{n}].driver"), error.detail, remedy));
            }
            Ok(factory) => {
                for problem in factory.check(instrument) {
                    let (key, words) = problem.split_once(": ").unwrap_or(("", &problem));
                    let (message, remedy) = words.rsplit_once("; ").unwrap_or((words, "correct the setting"));
                    found.push(rig.error(
                        &format!("instrument[{n}].{key}"),
                        format!("{key}: {message}"),
                        remedy,
                    ));
                }
            }
        }
    }
    Diagnostics(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mistakes_are_shown_at_their_place() {
        let root =
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/rigs/portable-network.toml");
        let good = std::fs::read_to_string(root).unwrap();
        let of = |text: &str| problems(&Document::read("rig.toml", text).unwrap());
        assert!(of(&good).is_usable(), "{}", of(&good).render(false));
        let bad = good.replace("muted = \"discrete 0\"", "mutted = \"discrete 0\"");
        insta::assert_snapshot!(of(&bad).render(false));
        let unknown = good.replace("driver = \"text-ambient\"", "driver = \"text-ambiance\"");
        assert!(of(&unknown).render(false).contains("there is no driver 'text-ambiance'"));
    }
}
