//! Settings of instruments, as their drivers see them, with every mistake at its place in the rig file.

use crate::wiring;
use plan_schema::read::{Diagnostic, Diagnostics, Document};
use plan_schema::rig::{Rig, instrument_of};
use plan_schema::units::{Dimension, Gain, Quantity, Transconductance};
use serde_json::Value;

/// What is wrong with the settings of a rig's instruments.
#[must_use]
pub fn problems(rig: &Document<Rig>) -> Diagnostics {
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
    found.extend(gain(rig));
    Diagnostics(found)
}

/// The gain that an amplifier's settings state, by hand or as what it has to read back, is the one that every ceiling is computed
/// with: one of two that differ is wrong, and nobody knows which.
fn gain(rig: &Document<Rig>) -> Option<Diagnostic> {
    let name = instrument_of(&rig.value.roles.amplifier);
    let n = rig.value.instruments.iter().position(|i| i.name == name)?;
    let settings = &rig.value.instruments.get(n)?.settings.0;
    let amplifier = &rig.value.amplifier;
    let (key, of_settings, of_rig) = match (amplifier.gain, amplifier.transconductance) {
        (Some(gain), _) => ("gain", stated::<Gain>(settings.get("gain")?)?, gain.si()),
        (None, Some(gain)) => {
            let key = if settings.contains_key("transconductance") { "transconductance" } else { "gain" };
            (key, stated::<Transconductance>(settings.get(key)?)?, gain.si())
        }
        (None, None) => return None,
    };
    let differs = (of_settings - of_rig).abs() > 1e-6 * of_rig.abs();
    differs.then(|| {
        let place = format!("instrument[{n}].settings.{key}");
        let message = format!(
            "settings.{key}: {of_settings} here, and {of_rig} in [amplifier], which every limit of the drive is computed with"
        );
        rig.error(&place, message, "look which of them the amplifier has, and write it in both places")
    })
}

/// A quantity as text, or the value of a register table; what can't be read is the driver's to say.
fn stated<D: Dimension>(written: &Value) -> Option<f64> {
    match written {
        Value::String(text) => text.parse::<Quantity<D>>().ok().map(Quantity::si),
        Value::Object(table) => table.get("value")?.as_f64(),
        _ => None,
    }
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

    #[test]
    fn a_gain_that_is_not_the_rigs_is_refused() {
        let root =
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/rigs/portable-network.toml");
        let good = std::fs::read_to_string(root).unwrap();
        let of = |text: &str| problems(&Document::read("rig.toml", text).unwrap()).render(false);
        let read_back = good.replace("kind = \"f32\" }, value = 10 }", "kind = \"f32\" }, value = 20 }");
        assert_ne!(read_back, good);
        assert!(
            of(&read_back).contains("settings.gain: 20 here, and 10 in [amplifier]"),
            "{}",
            of(&read_back)
        );
        let (head, rest) = good.split_once("driver = \"modbus-amplifier\"").unwrap();
        let (_, tail) = rest.split_once("# An acquisition that streams frames of samples.").unwrap();
        let by_hand = |gain: &str| {
            let relay =
                "relay = { link = { tcp = \"127.0.0.1:1502\" }, mute = \"coil 0\", muted = \"discrete 0\" }";
            format!(
                "{head}driver = \"manual-amplifier\"\n[instrument.settings]\ngain = \"{gain}\"\n\
                 set_on = \"2000-01-31\"\nset_by = \"A. Person\"\n{relay}\n\n{tail}"
            )
        };
        assert_eq!(of(&by_hand("10 V/V")), of(&good));
        assert!(of(&by_hand("20 V/V")).contains("which every limit of the drive is computed with"));
    }
}
