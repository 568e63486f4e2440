//! Checks of the channel that shows the drive.

use super::Checker;
use crate::rig::{AmplifierMode, DrivePoint, Rig};
use crate::units::engineering;

/// What is wrong with the drive monitor of a rig.
pub(super) fn drive_monitor(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let Some(monitor) = &rig.drive_monitor else { return };
    let name = &monitor.channel;
    let displacement = rig.displacement.as_ref().map(|d| &d.channel);
    let second = rig.second_reference.as_ref().map(|r| &r.channel);
    let taken = [
        (Some(&rig.reference.channel), "the reference"),
        (second, "the second reference"),
        (displacement, "the displacement transducer"),
    ];
    let Some(channel) = rig.channels.iter().find(|c| &c.name == name) else {
        let names = crate::resolve::list(rig.channels.iter().map(|c| c.name.as_str()));
        let message = format!("the rig has no channel '{name}'");
        checker.error("drive_monitor.channel", message, format!("its channels are {names}"));
        return;
    };
    if let Some((_, what)) = taken.iter().find(|(channel, _)| *channel == Some(name)) {
        checker.error(
            "drive_monitor.channel",
            format!("channel '{name}' carries {what}"),
            "name the channel that the monitor of the drive is connected to",
        );
    }
    if channel.ac_corner.is_some() {
        checker.error(
            "drive_monitor.channel",
            format!("channel '{name}' is coupled for AC and can't show a direct voltage"),
            "name a channel with DC coupling",
        );
    }
    if monitor.ratio.si() == 0.0 {
        checker.error(
            "drive_monitor.ratio",
            "a ratio of zero shows nothing",
            "write what is shown, such as \"0.1 V/V\"",
        );
        return;
    }
    let gain = match (monitor.shows, rig.amplifier.mode) {
        (DrivePoint::Source, _) => 1.0,
        (DrivePoint::Amplifier, AmplifierMode::Voltage) => rig.amplifier.gain.map_or(0.0, |g| g.si().abs()),
        (DrivePoint::Amplifier, AmplifierMode::Current) => {
            checker.error(
                "drive_monitor.shows",
                "the output voltage of an amplifier in current mode follows the motion, not the drive",
                "connect the monitor to the source and write shows = \"source\"",
            );
            return;
        }
    };
    let most = rig.shaker.drive_limit.si() * gain * monitor.ratio.si().abs();
    if most > channel.range.si() {
        checker.error(
            "drive_monitor.channel",
            format!(
                "at the drive limit the monitor shows {}, more than channel '{name}' takes",
                engineering(most, "V pk")
            ),
            format!("the range of the channel is {}", engineering(channel.range.si(), "V pk")),
        );
    }
}
