//! A power amplifier without an interface: its gain is set by hand and typed in, and a relay mutes it.

use crate::built_in::modbus::amplifier::{self as relay, AmplifierSettings as Relay};
use crate::built_in::settings::{check, read_or_refuse};
use crate::error::DriverError;
use crate::registry::DriverFactory;
use crate::safe::{Identity, Opened};
use async_trait::async_trait;
use jiff::civil::Date;
use plan_schema::rig::Instrument;
use plan_schema::units::{Gain, Quantity, Transconductance};
use plan_schema::written_table;

written_table! {
    /// An amplifier that is set by hand. Its safe paths are the source and the relay.
    pub struct AmplifierSettings {
        /// The gain that was set, of an amplifier in voltage mode.
        pub gain: Option<Quantity<Gain>>,
        /// The gain that was set, of an amplifier in current mode.
        pub transconductance: Option<Quantity<Transconductance>>,
        /// The day on which it was set, such as 2000-01-31.
        pub set_on: String,
        /// Who set it.
        pub set_by: String,
        /// The relay between amplifier and coil, or before the amplifier: the settings of a modbus-amplifier.
        pub relay: Relay,
    }
}

impl AmplifierSettings {
    fn problems(&self) -> Vec<String> {
        let of_relay = self.relay.problems().into_iter();
        let mut found: Vec<String> =
            of_relay.map(|p| p.replacen("settings.", "settings.relay.", 1)).collect();
        if self.gain.is_some() == self.transconductance.is_some() {
            found.push(
                "settings.gain: write gain in voltage mode, or transconductance in current mode".to_owned(),
            );
        }
        let positive =
            self.gain.is_none_or(|g| g.si() > 0.0) && self.transconductance.is_none_or(|g| g.si() > 0.0);
        if !positive {
            found.push("settings.gain: a gain is above 0; write what was set".to_owned());
        }
        if self.set_on.parse::<Date>().is_err() {
            found.push(format!("settings.set_on: '{}' is no day; write such as 2000-01-31", self.set_on));
        }
        if self.set_by.trim().is_empty() {
            found.push("settings.set_by: nobody is named; write who set it".to_owned());
        }
        found
    }
}

/// Opens amplifiers that are set by hand.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "manual-amplifier"
    }

    fn describe(&self) -> &str {
        "power amplifier whose gain is set by hand and typed in with day and name; a relay behind Modbus mutes it"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, AmplifierSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, AmplifierSettings::problems)?;
        let gain = match (settings.gain, settings.transconductance) {
            (Some(gain), _) => gain.to_string(),
            (_, Some(gain)) => gain.to_string(),
            _ => String::new(),
        };
        let mut opened = relay::open(&instrument.name, settings.relay).await?;
        opened.identity = Identity {
            make: "set by hand".to_owned(),
            model: format!("{gain}, set by {} on {}", settings.set_by, settings.set_on),
            ..opened.identity
        };
        Ok(opened)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::built_in::settings::tests::instrument;

    #[test]
    fn a_gain_has_a_day_and_a_name() {
        let of = |text: &str| {
            let relay = "relay = { link = { tcp = \"a:502\" }, mute = \"coil 0\" }";
            Factory.check(&instrument("manual-amplifier", &format!("{text}\n{relay}")))
        };
        assert!(of("gain = \"20 V/V\"\nset_on = 2000-01-31\nset_by = \"A. Inventor\"").is_empty());
        assert_eq!(of("set_on = \"soon\"\nset_by = \" \"").len(), 3);
        assert_eq!(of("gain = \"-20 V/V\"\nset_on = 2000-01-31\nset_by = \"A. Inventor\"").len(), 1);
    }
}
