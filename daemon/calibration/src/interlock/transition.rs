//! The interlock's transitions: one pure function, total over states and events. A snapshot holds the whole table.
//!
//! Owns: where the interlock stands ([`State`]), what can happen to it ([`Event`]) and what follows ([`next`]). Must not:
//! judge signals; what is wrong with them reaches it as a [`Trip`].

use super::monitor::Ceiling;
use super::trip::{Trip, TripReason};
use plan_schema::units::{Peak, Volts, engineering};

/// Where the interlock stands.
#[derive(Debug, Clone, PartialEq)]
pub enum State {
    /// Nothing is wrong and nothing may move.
    Clear,
    /// Leave to drive is given up to a ceiling.
    Leave(Ceiling),
    /// Something was wrong; only an acknowledgement by a person leads out.
    Tripped(Trip),
}

/// What can happen to the interlock.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// The run asks for leave up to a ceiling.
    Ask(Ceiling),
    /// The run gives leave back.
    GiveBack,
    /// The run is about to command this drive on a rig with this limit.
    Drive {
        /// Peak of the tone.
        drive: Volts<Peak>,
        /// The rig's own limit.
        limit: Volts<Peak>,
    },
    /// An input was judged, and nothing is wrong with it.
    Fine,
    /// Something is wrong.
    Wrong(Trip),
}

/// What the shell has to do for the interlock, in this order of urgency.
#[derive(Debug, Clone, PartialEq)]
pub enum Order {
    /// Make every permit stale.
    Withdraw,
    /// Issue a permit up to this drive.
    Grant(Volts<Peak>),
}

/// What follows from an event in a state, and what has to be done. There is no way from [`State::Tripped`] to leave: an
/// acknowledgement clears the latch, and the next run begins with another interlock.
#[must_use]
pub fn next(state: State, event: Event) -> (State, Option<Order>) {
    match (state, event) {
        (State::Clear | State::Leave(_), Event::Ask(ceiling)) => {
            (State::Leave(ceiling), Some(Order::Grant(ceiling.drive)))
        }
        (State::Clear, Event::GiveBack | Event::Fine) => (State::Clear, None),
        (State::Clear, Event::Drive { drive, .. }) => commanded(State::Clear, drive, Volts::ZERO),
        (State::Leave(_), Event::GiveBack) => (State::Clear, Some(Order::Withdraw)),
        (State::Leave(ceiling), Event::Drive { drive, limit }) => {
            commanded(State::Leave(ceiling), drive, ceiling.drive.min(limit))
        }
        (State::Leave(ceiling), Event::Fine) => (State::Leave(ceiling), None),
        (State::Clear | State::Leave(_), Event::Wrong(trip)) => (State::Tripped(trip), Some(Order::Withdraw)),
        (State::Tripped(trip), Event::Ask(_) | Event::GiveBack | Event::Drive { .. } | Event::Fine) => {
            (State::Tripped(trip), None)
        }
        (State::Tripped(old), Event::Wrong(new)) => {
            if explains(new.reason, old.reason) {
                let message = format!("{} Seen before it: {}", new.message, old.message);
                let at_sample = new.at_sample.or(old.at_sample);
                (State::Tripped(Trip { at_sample, message, ..new }), Some(Order::Withdraw))
            } else {
                (State::Tripped(old), None)
            }
        }
    }
}

/// A drive passes if it is a number from zero to what is allowed.
fn commanded(state: State, drive: Volts<Peak>, allowed: Volts<Peak>) -> (State, Option<Order>) {
    // Not a comparison with `>`: a drive that is no number must not pass.
    if drive.si() >= 0.0 && drive <= allowed {
        return (state, None);
    }
    let shown = (engineering(drive.si(), "V"), engineering(allowed.si(), "V"));
    let message = format!(
        "a drive of {} pk was asked for, {} pk is allowed. The response of the rig may have changed. \
         Check the amplifier, then acknowledge.",
        shown.0, shown.1
    );
    let trip = Trip::beyond(TripReason::DriveLimit, drive.si(), allowed.si(), "v", message);
    (State::Tripped(trip), Some(Order::Withdraw))
}

/// True if a reason takes the place of the first one. What follows a trip is its consequence and changes nothing, except
/// that a failure to make safe is louder than all else, and that an amplifier which says itself that it failed knows more
/// than a monitor that only saw the motion jump or cease by it.
const fn explains(new: TripReason, old: TripReason) -> bool {
    let louder = matches!(new, TripReason::MakeSafeFailed) && !matches!(old, TripReason::MakeSafeFailed);
    louder || (may_be_the_amplifiers(old) && matches!(new, TripReason::AmplifierFault))
}

/// True for what an amplifier that fails may look like before it says so.
#[must_use]
pub const fn may_be_the_amplifiers(reason: TripReason) -> bool {
    matches!(
        reason,
        TripReason::SourceDc
            | TripReason::SourceNotFollowing
            | TripReason::StrokeLimit
            | TripReason::VelocityLimit
            | TripReason::AccelerationLimit
            | TripReason::Overload
    )
}
