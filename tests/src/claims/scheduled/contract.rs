//! What the contract at the head of `sim/src/faults.rs` wants of each kind of fault, and the fault of it at a place.

use super::place::Place;
use plan_schema::faults::{Fault, FaultKind, Moment, Size};
use plan_schema::rig::Needed;

/// What the contract wants of a fault that strikes a moving armature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Wanted {
    /// A trip with one of these reasons.
    Trip(&'static [&'static str]),
    /// The point of the sensor is not accepted, with one of these findings; or a trip with one of these reasons.
    Reject(&'static [&'static str], &'static [&'static str]),
    /// As the last, or the result keeps within its uncertainty.
    RejectOrRight(&'static [&'static str], &'static [&'static str]),
}

pub(super) const LIMITS: [&str; 5] =
    ["stroke_limit", "velocity_limit", "acceleration_limit", "current_limit", "overload"];

/// Every kind with its size and what is wanted; on the reference's channel where the last is true.
pub(super) const CONTRACT: [(FaultKind, Option<&str>, Wanted, bool); 19] = [
    (FaultKind::ReferenceOpen, None, Wanted::Trip(&["reference_open"]), false),
    (
        FaultKind::SensorOpen,
        None,
        Wanted::Reject(&["sensor_open", "residual", "noise", "distortion", "clipped"], &[]),
        false,
    ),
    // Threefold, as `check` promises; a channel that it drives beyond its range says so too.
    (FaultKind::GainJump, Some("200 %"), Wanted::Trip(&LIMITS), false),
    (
        FaultKind::GainJump,
        Some("-100 %"),
        // Nothing drives the coil any more, whatever the source says.
        Wanted::Trip(&["source_dc", "source_not_following"]),
        false,
    ),
    (FaultKind::AmplifierTrip, None, Wanted::Trip(&["amplifier_fault"]), false),
    (FaultKind::SourceDeaf, None, Wanted::Trip(&["source_not_following"]), false),
    // A displacement channel may see the armature leave before the tone is missed.
    (
        FaultKind::SourceHoldsLast,
        None,
        Wanted::Trip(&["source_dc", "source_not_following", "stroke_limit"]),
        false,
    ),
    (FaultKind::AcquisitionStall, None, Wanted::Trip(&["blocks_missing"]), false),
    (FaultKind::Overload, None, Wanted::Trip(&["overload"]), true),
    (FaultKind::Overload, None, Wanted::Reject(&["clipped"], &["overload"]), false),
    (
        FaultKind::SensorClipped,
        Some("half"),
        Wanted::Reject(&["clipped", "distortion", "residual", "noise", "sensor_open"], &[]),
        false,
    ),
    (
        FaultKind::LooseMount,
        Some("100 %"),
        Wanted::RejectOrRight(&["distortion", "residual", "noise"], &["overload"]),
        false,
    ),
    (FaultKind::Hum, None, Wanted::RejectOrRight(&["hum", "noise", "residual", "distortion"], &[]), false),
    (FaultKind::ReferenceReversed, None, Wanted::Trip(&["reference_reversed"]), false),
    (
        FaultKind::CoilOverheating,
        Some("1000 K"),
        Wanted::RejectOrRight(&[], &["amplifier_fault", "coil_temperature"]),
        false,
    ),
    (FaultKind::EmergencyStop, None, Wanted::Trip(&["emergency_stop"]), false),
    (FaultKind::PermissiveOpens, None, Wanted::Trip(&["permissive_lost"]), false),
    // Not the motion jumps, but the line.
    (FaultKind::CableIntermittent, None, Wanted::Trip(&["reference_open", "channels_disagree"]), true),
    // Between dwells an opening means nothing.
    (
        FaultKind::CableIntermittent,
        None,
        Wanted::RejectOrRight(&["sensor_open", "residual", "noise", "distortion", "hum", "clipped"], &[]),
        false,
    ),
];

/// A fault of the contract at a place, striking at a moment; `None` where the rig has nothing that it could strike.
pub(super) fn fault_at(place: &Place, row: usize, at: Moment, phase: u32) -> Option<Fault> {
    let (kind, size, _, on_reference) = CONTRACT.get(row).copied()?;
    let job = &place.setup.job;
    let sensor = place.sensor_channel(phase as usize);
    let channel = match kind {
        FaultKind::SensorOpen | FaultKind::SensorClipped | FaultKind::LooseMount | FaultKind::Hum => {
            Some(sensor)
        }
        FaultKind::Overload | FaultKind::CableIntermittent if on_reference => {
            job.columns.get(job.reference.column).map(|c| c.name.clone())
        }
        FaultKind::Overload | FaultKind::CableIntermittent => Some(sensor),
        FaultKind::PermissiveOpens => {
            Some(job.rig.permissives.iter().find(|p| p.when == Needed::Always)?.name.clone())
        }
        FaultKind::CoilOverheating => {
            job.rig.shaker.coil_heat_capacity?;
            None
        }
        _ => None,
    };
    let value = match size {
        Some("half") => Some(Size(format!("{} V pk", 0.5 * place.amplitude(channel.as_deref()?)?))),
        Some(text) => Some(Size(text.to_owned())),
        None => None,
    };
    Some(Fault { kind, at, channel, value, lasts: None })
}
