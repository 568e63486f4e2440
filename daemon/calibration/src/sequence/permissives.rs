//! The contacts that permit motion: which of them does not, and what follows.
//!
//! Owns: the judgement of contact inputs against the rig file. What was not read for the contact limit, and an input that
//! does not exist, do not permit. Must not: latch anything; the interlock does.

use crate::interlock::{Trip, TripReason};
use plan_schema::rig::{ContactState, Needed, Permissive, Rig};
use plan_schema::units::{Mono, Seconds};

/// The permissives of a rig and how their contacts were read last.
#[derive(Debug, Clone)]
pub(super) struct Permissives {
    list: Vec<Permissive>,
    /// The instrument that reads them, as `instrument.role`.
    role: Option<String>,
    limit: Seconds,
    last: Option<(Mono, Vec<bool>)>,
    /// For each of the list, whether it permitted at some time.
    seen: Vec<bool>,
    guard_opened: bool,
}

impl Permissives {
    /// Those of a rig file; nothing was read yet.
    pub(super) fn of(rig: &Rig) -> Self {
        let list = rig.permissives_in_force();
        Self {
            seen: vec![false; list.len()],
            list,
            role: rig.roles.contacts.clone(),
            limit: rig.timing.contact_limit,
            last: None,
            guard_opened: false,
        }
    }

    /// Takes a reading. A trip if one that is needed now was lost: with leave to drive each that is needed always, without
    /// it the door of a guard that was closed before.
    pub(super) fn read(&mut self, now: Mono, inputs: &[bool], driving: bool) -> Option<Trip> {
        let mut lost = None;
        for (permissive, seen) in self.list.iter().zip(&mut self.seen) {
            let permits = permits(permissive, inputs);
            self.guard_opened |= permissive.guard && !permits;
            let needed = permissive.when == Needed::Always && (driving || (permissive.guard && *seen));
            if needed && !permits && lost.is_none() {
                lost = Some(Trip {
                    instrument: self.role.clone(),
                    ..Trip::plain(TripReason::PermissiveLost, message(permissive, inputs, true))
                });
            }
            *seen |= permits;
        }
        self.last = Some((now, inputs.to_vec()));
        lost
    }

    /// What keeps the armature from moving at this moment, as a sentence with its remedy, and whether waiting for it makes
    /// sense: not for the door of a guard.
    pub(super) fn missing(&self, now: Mono) -> Option<(String, bool)> {
        let Some((at, inputs)) = &self.last else {
            let first = self.list.first()?;
            return Some((message(first, &[], false), true));
        };
        let inputs = if now.since(*at) > self.limit { &[][..] } else { inputs };
        let missing: Vec<&Permissive> = self.list.iter().filter(|p| !permits(p, inputs)).collect();
        let open_guard = |p: &&&Permissive| p.guard && read(p, inputs).is_some();
        let worst = missing.iter().find(open_guard).or(missing.first())?;
        Some((message(worst, inputs, false), !open_guard(&worst)))
    }

    /// True if the door of a guard was seen open, or could not be read.
    pub(super) fn guard_opened(&self) -> bool {
        self.guard_opened
    }
}

/// Whether a contact is closed; `None` where it could not be read.
fn read(permissive: &Permissive, inputs: &[bool]) -> Option<bool> {
    usize::try_from(permissive.input).ok().and_then(|n| inputs.get(n)).copied()
}

fn permits(permissive: &Permissive, inputs: &[bool]) -> bool {
    read(permissive, inputs).is_some_and(|closed| closed == (permissive.state == ContactState::Closed))
}

fn message(permissive: &Permissive, inputs: &[bool], tripped: bool) -> String {
    let Permissive { name, input, state, .. } = permissive;
    let what = match read(permissive, inputs) {
        None => format!("'{name}' (contact input {input}) was not read, which counts as not permitting"),
        Some(_) if permissive.guard => format!("the guard '{name}' (contact input {input}) is open"),
        Some(closed) => {
            let is = if closed { ContactState::Closed } else { ContactState::Open };
            format!(
                "'{name}' (contact input {input}) does not permit motion: it is {}, not {}",
                is.word(),
                state.word()
            )
        }
    };
    let remedy = match (read(permissive, inputs), permissive.guard) {
        (None, _) => "Check the contact and its link",
        (_, true) => "See that nobody is behind it and close it",
        (_, false) => "See why, and put it right",
    };
    let then = match (tripped, permissive.guard) {
        (true, true) => ", then acknowledge and give leave anew",
        (true, false) => ", then acknowledge",
        (false, true) => ", then give leave anew",
        (false, false) => "",
    };
    format!("{what}. {remedy}{then}.")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn permissive(name: &str, input: u32, state: ContactState, when: Needed, guard: bool) -> Permissive {
        Permissive { name: name.into(), input, state, when, guard }
    }

    /// A guard on 0, air that permits when open on 1, and a lock that is needed before on 2.
    fn three() -> Permissives {
        let list = vec![
            permissive("door", 0, ContactState::Closed, Needed::Always, true),
            permissive("air", 1, ContactState::Open, Needed::Always, false),
            permissive("lock", 2, ContactState::Closed, Needed::Before, false),
        ];
        Permissives {
            seen: vec![false; 3],
            list,
            role: Some("panel.contacts".into()),
            limit: Seconds::new(0.25),
            last: None,
            guard_opened: false,
        }
    }

    const ALL: [bool; 3] = [true, false, true];

    fn lost(driving: bool, inputs: &[bool]) -> Option<String> {
        let mut three = three();
        assert_eq!(three.read(Mono(0), &ALL, driving), None);
        let trip = three.read(Mono(1), inputs, driving)?;
        assert_eq!(trip.reason, TripReason::PermissiveLost);
        Some(trip.message)
    }

    #[test]
    fn what_is_needed_always_trips_while_driving_only() {
        assert!(lost(true, &[true, true, true]).unwrap().contains("'air'"));
        assert_eq!(lost(false, &[true, true, true]), None);
        assert_eq!(lost(true, &[true, false, false]), None, "the lock is needed before the first motion");
    }

    #[test]
    fn a_guard_that_opens_trips_even_at_rest() {
        for driving in [true, false] {
            let said = lost(driving, &[false, false, true]).unwrap();
            assert!(said.contains("acknowledge and give leave anew"), "{said}");
        }
    }

    #[test]
    fn an_input_that_is_not_there_does_not_permit() {
        assert!(lost(true, &[true]).unwrap().contains("was not read"));
    }

    #[test]
    fn a_guard_found_open_is_not_waited_for() {
        let mut three = three();
        assert_eq!(three.read(Mono(0), &[false, true, true], false), None, "it was never closed");
        let (said, wait) = three.missing(Mono(0)).unwrap();
        assert!(said.contains("the guard 'door'") && !wait && three.guard_opened(), "{said}");
    }

    #[test]
    fn everything_is_needed_at_the_start_and_has_to_be_fresh() {
        let mut three = three();
        assert!(three.missing(Mono(0)).is_some_and(|(_, wait)| wait), "nothing was read yet");
        assert_eq!(three.read(Mono(0), &[true, false, false], false), None);
        assert!(three.missing(Mono(0)).is_some_and(|(said, wait)| said.contains("'lock'") && wait));
        assert_eq!(three.read(Mono(0), &ALL, false), None);
        assert_eq!(three.missing(Mono(250_000_000)), None);
        let (said, wait) = three.missing(Mono(250_000_001)).unwrap();
        assert!(said.contains("was not read") && wait, "{said}");
    }
}
