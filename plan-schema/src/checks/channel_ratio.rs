//! Checks of the way of one voltage into all channels, and of the tones that a plan wants.

use super::Checker;
use crate::plan::{Plan, RATIO_TONES_MIN};
use crate::rig::{Rig, RoutedBy};
use crate::units::{Seconds, engineering};

/// Longest tone: more brings nothing, and nobody wants to wait for it.
const TONE_MAX: Seconds = Seconds::new(1000.0);

/// The rig's side.
pub(super) fn route(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let Some(route) = &rig.channel_ratio else { return };
    if !route.parts_amplifier {
        checker.error(
            "channel_ratio.parts_amplifier",
            "the tone would reach the amplifier, too",
            "use a switch or a cable that parts the source from the amplifier while it is connected to the channels, \
             then write true",
        );
    }
    routed(checker, rig, "channel_ratio", (route.by, route.output));
    checker.not_negative("channel_ratio.switch_time", route.switch_time.si());
    checker.positive("channel_ratio.person_wait", route.person_wait.si());
    checker.positive("channel_ratio.amplitude", route.amplitude.si());
    checker.not_negative("channel_ratio.equality", route.equality.si());
    checker.not_negative("channel_ratio.equality_phase", route.equality_phase.si());
    // Should the switch fail, the source gives the amplifier no more than it may.
    if route.amplitude > rig.shaker.drive_limit {
        checker.error(
            "channel_ratio.amplitude",
            format!(
                "a tone of {} lies above the drive limit of the shaker",
                engineering(route.amplitude.si(), "V pk")
            ),
            format!("write at most {}", engineering(rig.shaker.drive_limit.si(), "V pk")),
        );
    }
}

/// Who changes what the channels are connected to, by the table of this name.
pub(super) fn routed(
    checker: &mut Checker<'_, Rig>,
    rig: &Rig,
    table: &str,
    (by, output): (RoutedBy, Option<u32>),
) {
    let key = format!("{table}.output");
    match (by, output) {
        (RoutedBy::Switch, None) => checker.error(
            &format!("{table}.by"),
            "the switch names no contact output",
            "add output = 1 or the number that it is connected to",
        ),
        (RoutedBy::Person, Some(_)) => {
            checker.error(&key, "a person needs no contact output", "remove it, or write by = \"switch\"")
        }
        (RoutedBy::Switch, Some(number)) if rig.warning_output == Some(number) => checker.error(
            &key,
            format!("contact output {number} is that of the warning already"),
            "give each its own output",
        ),
        (RoutedBy::Switch, Some(_)) if rig.roles.contacts.is_none() => checker.error(
            &key,
            "no instrument of the rig has contacts",
            "add contacts = \"INSTRUMENT.contacts\" to [roles]",
        ),
        _ => {}
    }
}

/// The plan's side.
pub(super) fn tones(checker: &mut Checker<'_, Plan>, plan: &Plan) {
    let Some(wanted) = &plan.channel_ratio else { return };
    let mut previous = None;
    for (n, frequency) in wanted.frequencies.iter().enumerate() {
        let path = format!("channel_ratio.frequencies[{n}]");
        checker.positive(&path, frequency.si());
        checker.rising(&path, previous.replace(*frequency), *frequency);
        if frequency.si() > 0.0 && wanted.length(*frequency) > TONE_MAX {
            checker.error(
                &path,
                format!("a tone would last {}", engineering(wanted.length(*frequency).si(), "s")),
                format!("write a shorter time and a higher frequency: at most {} s", TONE_MAX.si()),
            );
        }
    }
    if wanted.frequencies.len() < RATIO_TONES_MIN {
        checker.error(
            "channel_ratio.frequencies",
            format!("{} frequencies do not show how the ratio goes with frequency", wanted.frequencies.len()),
            format!("write {RATIO_TONES_MIN} or more, from the lowest to the highest of the plan"),
        );
    }
    checker.positive("channel_ratio.time", wanted.time.si());
}
