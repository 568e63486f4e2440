//! The instruments between motion and numbers in words: conditioners, channels, acquisition, what measures the surroundings.
//!
//! Owns one line of text an instrument, for paper and data alike. What the rig file doesn't state is left out.

use serde::Serialize;

use super::{MissingMessage, Source};
use crate::certificate::data::Equipment;

/// An instrument in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Instrument {
    /// What it does.
    pub label: String,
    /// Name, serial number, gain with its uncertainty, who set it by hand, last and next calibration.
    pub told: String,
    /// Its serial number, for data.
    #[serde(skip)]
    pub serial: Option<String>,
}

/// The instruments of which anything is known.
pub(super) fn instruments(source: &Source<'_>) -> Result<Vec<Instrument>, MissingMessage> {
    let mut all = Vec::new();
    for one in &source.request.equipment {
        let told = told(source, one)?;
        if !told.is_empty() {
            let label = source.messages.text("equipment", one.role.word())?.to_owned();
            all.push(Instrument { label, told, serial: one.serial.clone() });
        }
    }
    Ok(all)
}

fn told(source: &Source<'_>, one: &Equipment) -> Result<String, MissingMessage> {
    let say = |key: &str, values: &[(&str, &str)]| source.messages.filled("equipment", key, values);
    let mut parts: Vec<String> = one.name.iter().cloned().collect();
    if let Some(serial) = &one.serial {
        parts.push(say("serial", &[("serial", serial)])?);
    }
    match (&one.gain, &one.u) {
        (Some(gain), Some(u)) => {
            let (gain, u) = (source.print.number(gain), source.print.number(u));
            parts.push(say("gain_u", &[("gain", &gain), ("u", &u)])?);
        }
        (Some(gain), None) => parts.push(say("gain", &[("gain", &source.print.number(gain))])?),
        (None, _) => {}
    }
    if let Some((on, by)) = &one.set {
        parts.push(say("set", &[("on", on), ("by", by)])?);
    }
    if let Some(certificate) = &one.certificate {
        parts.push(say("certificate", &[("certificate", certificate)])?);
    }
    if let Some(due) = &one.due {
        parts.push(say("due", &[("due", due)])?);
    }
    Ok(parts.join(", "))
}
