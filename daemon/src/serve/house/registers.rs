//! The registers at the desk, and what is due.

use super::House;
use crate::serve::desk::Refusal;
use crate::serve::words::{Due, RegisteredReference, Registers};
use plan_schema::registers::Date;
use plan_schema::rig::Rig;

impl House {
    pub(super) async fn all_registers(&self) -> Result<Registers, Refusal> {
        let references = self.store.registered_references().await?;
        let sensors = self.store.registered_sensors().await?;
        let day = self.day().day();
        let due = due(&references, &self.rig().document.value, day);
        Ok(Registers { day: day.to_string(), due, references, sensors })
    }
}

/// What has to be calibrated, the earliest first. Days as texts are in their order.
fn due(references: &[RegisteredReference], rig: &Rig, day: Date) -> Vec<Due> {
    let today = day.to_string();
    let of = |what: &str, name: &str, due: String| Due {
        overdue: due < today,
        what: what.to_owned(),
        name: name.to_owned(),
        due,
    };
    let latest = references.iter().filter_map(|r| Some((r, r.calibrations.last()?)));
    let mut all: Vec<Due> = latest.map(|(r, last)| of("reference", &r.serial, last.due.clone())).collect();
    for channel in &rig.channels {
        if let Some(due) = channel.conditioner_due {
            let serial = channel.conditioner.as_deref().unwrap_or(&channel.name);
            all.push(of("conditioner", serial, due.to_string()));
        }
        if let Some(due) = channel.gain_in_use().and_then(|g| g.due) {
            all.push(of("channel", &channel.name, due.to_string()));
        }
    }
    all.sort();
    all.dedup();
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan_schema::read::Document;

    #[test]
    fn what_is_past_its_day_is_overdue_and_first() {
        let rig = include_str!("../../../../examples/rigs/long-stroke.toml");
        let mut rig: Rig = Document::read("rig", rig).unwrap().value;
        let date = |text: &str| text.parse::<Date>().unwrap();
        let count = due(&[], &rig, date("2000-01-01")).len();
        let channel = rig.channels.first_mut().unwrap();
        channel.conditioner = Some("QX-1".to_owned());
        channel.conditioner_due = Some(date("1999-12-31"));
        let found = due(&[], &rig, date("2000-01-01"));
        assert_eq!(found.len(), count + 1);
        assert_eq!(
            (found[0].what.as_str(), found[0].name.as_str(), found[0].overdue),
            ("conditioner", "QX-1", true)
        );
        assert!(!due(&[], &rig, date("1999-12-31"))[0].overdue, "on the day itself it is in force");
    }
}
