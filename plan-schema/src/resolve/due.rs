//! What of a job is past its due date on a day.

use super::{MountedReference, ResolvedJob};
use crate::read::{Diagnostic, Diagnostics, Document};
use crate::registers::Date;
use crate::rig::{Channel, Rig};

/// Everything that is not in calibration on the day of the measurement: a reference, a conditioner or a channel in use.
/// Nothing that is measured with it is traceable. `rig` is the file that `job` was put together from.
#[must_use]
pub fn overdue(job: &ResolvedJob, rig: &Document<Rig>, day: Date) -> Diagnostics {
    let references =
        [("reference", Some(&job.reference)), ("second_reference", job.second_reference.as_ref())];
    let references = references.into_iter().filter_map(|(key, mounted)| reference(rig, key, mounted?, day));
    let used = |channel: &Channel| job.columns.iter().any(|c| c.name == channel.name);
    let channels = rig.value.channels.iter().enumerate().filter(|(_, c)| used(c));
    let channels = channels.flat_map(|(n, c)| [conditioner(rig, n, c, day), gain(rig, n, c, day)]);
    Diagnostics(references.chain(channels.flatten()).collect())
}

fn reference(rig: &Document<Rig>, key: &str, mounted: &MountedReference, day: Date) -> Option<Diagnostic> {
    let (date, due) = (mounted.calibration.date, mounted.calibration.due);
    let what = if day > due {
        format!("was due for calibration on {due}, and the measurement is on {day}")
    } else if day < date {
        format!("was calibrated on {date}, after the measurement on {day}")
    } else {
        return None;
    };
    let message = format!("reference '{}' {what}", mounted.reference.serial);
    let remedy =
        "enter a calibration that is in force into the register of references, or use another reference";
    Some(rig.error(&format!("{key}.serial"), message, remedy))
}

fn conditioner(rig: &Document<Rig>, n: usize, channel: &Channel, day: Date) -> Option<Diagnostic> {
    let due = channel.conditioner_due.filter(|due| day > *due)?;
    let serial = channel.conditioner.as_ref().map_or(String::new(), |s| format!(" '{s}'"));
    Some(rig.error(
        &format!("channel[{n}].conditioner_due"),
        format!(
            "conditioner{serial} on channel '{}' was due for calibration on {due}, and the measurement is on {day}",
            channel.name
        ),
        "have it calibrated and enter its gain and the next date, or use another conditioner",
    ))
}

fn gain(rig: &Document<Rig>, n: usize, channel: &Channel, day: Date) -> Option<Diagnostic> {
    let position = channel.gains.iter().position(|g| g.range == channel.range)?;
    let due = channel.gains.get(position)?.due.filter(|due| day > *due)?;
    Some(rig.error(
        &format!("channel[{n}].gain[{position}].due"),
        format!(
            "channel '{}' was due for calibration on {due}, and the measurement is on {day}",
            channel.name
        ),
        "have the channel calibrated and enter its gain and the next date, or use another channel",
    ))
}
