//! The warning before motion: when it is due, and when it goes off.
//!
//! It is on from before the first motion until the run is over, except in pauses: after a minute at rest people come near
//! again, so it goes off, and what moves next is warned of anew. Must not: switch anything; the run asks for it.

use plan_schema::rig::Rig;
use plan_schema::units::{Mono, Seconds};

/// At rest for longer than this is a pause.
const PAUSE: Seconds = Seconds::new(60.0);

/// The warning of a run.
#[derive(Debug, Clone)]
pub(super) struct Warning {
    /// How long it warns; `None` where the rig has none.
    time: Option<Seconds>,
    on: bool,
    /// When something moved last, or was about to.
    moved: Option<Mono>,
}

impl Warning {
    /// That of a rig file.
    pub(super) fn of(rig: &Rig) -> Self {
        Self { time: rig.warning_output.map(|_| rig.warning_time), on: false, moved: None }
    }

    /// How long to warn before a motion that is to begin now; `None` if that was done, or there is no warning.
    pub(super) fn due(&self, now: Mono) -> Option<Seconds> {
        let fresh = self.on && self.moved.is_some_and(|at| now.since(at) <= PAUSE);
        if fresh { None } else { self.time }
    }

    /// It is being switched on.
    pub(super) fn begins(&mut self) {
        self.on = true;
        self.moved = None;
    }

    /// Something moves, or was warned of for long enough and is about to.
    pub(super) fn moves(&mut self, now: Mono) {
        self.moved = Some(now);
    }

    /// True if it is to be switched off: the pause got long. It counts as off from now on.
    pub(super) fn pauses(&mut self, now: Mono) -> bool {
        let pause = self.on && self.moved.is_some_and(|at| now.since(at) > PAUSE);
        self.on &= !pause;
        pause
    }

    /// True if it is to be switched off because the run is over. It counts as off from now on.
    pub(super) fn ends(&mut self) -> bool {
        std::mem::take(&mut self.on)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: u64 = 1_000_000_000;

    #[test]
    fn due_at_first_and_after_a_pause() {
        let mut warning = Warning { time: Some(Seconds::new(5.0)), on: false, moved: None };
        assert!(warning.due(Mono(0)).is_some());
        warning.begins();
        assert!(!warning.pauses(Mono(100 * SECOND)), "nothing moved yet, so nothing paused");
        warning.moves(Mono(5 * SECOND));
        assert_eq!(warning.due(Mono(64 * SECOND)), None);
        assert!(!warning.pauses(Mono(64 * SECOND)));
        assert!(warning.due(Mono(66 * SECOND)).is_some());
        assert!(warning.pauses(Mono(66 * SECOND)) && !warning.pauses(Mono(67 * SECOND)), "off once");
        assert!(!warning.ends());
    }

    #[test]
    fn without_an_output_nothing_is_due() {
        let warning = Warning { time: None, on: false, moved: None };
        assert_eq!(warning.due(Mono(0)), None);
    }
}
