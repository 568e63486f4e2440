//! Checks of the way of the reference's output into the channels of the sensors.

use super::Checker;
use super::channel_ratio::routed;
use crate::rig::{Rig, RoutedBy};

/// What is wrong with it.
pub(super) fn way(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let Some(way) = &rig.substitution else { return };
    if !way.keeps_reference {
        checker.error(
            "substitution.keeps_reference",
            "the motion would be without its reference while the sensors' channels have it",
            "let the reference stay connected to its own channel, too, then write true",
        );
    }
    routed(checker, rig, "substitution", (way.by, way.output));
    let ratio = rig.channel_ratio.as_ref().and_then(|route| route.output);
    if let Some(number) = way.output.filter(|_| way.by == RoutedBy::Switch && way.output == ratio) {
        checker.error(
            "substitution.output",
            format!("contact output {number} is that of the ratio of channels already"),
            "give each its own output",
        );
    }
    checker.not_negative("substitution.switch_time", way.switch_time.si());
    checker.positive("substitution.person_wait", way.person_wait.si());
    checker.not_negative("substitution.equality", way.equality.si());
    checker.not_negative("substitution.equality_phase", way.equality_phase.si());
    checker.not_negative("substitution.stability", way.stability.si());
    checker.not_negative("substitution.stability_phase", way.stability_phase.si());
}
