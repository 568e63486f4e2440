//! Giving leave to move, and clearing a trip: the two forms that need most care.

use super::frame::Frame;
use super::text;
use crate::serve::words::{LatchState, Role};
use maud::{Markup, html};

/// What everybody has to know who lets an armature move.
fn cautions() -> Markup {
    html! {
        section class="panel caution" aria-labelledby="caution" {
            h2 id="caution" { "Before anything moves" }
            p { "A shaker's armature crushes and throws. This program protects equipment and data; it is no safety function in the sense of machine-safety standards." }
            ul {
                li { "A hard-wired emergency stop is within reach, and works without this program. The stop on this page is none." }
                li { "Moving parts are guarded; payload, adapters and cables are secured and tight; the transport lock is out." }
                li { "Nobody's hands, hair or clothing are near the armature, and nobody can come near it unseen." }
                li { "Hearing protection where it is loud; coils may be hot, currents high." }
            }
            p { "The maker's manuals, local safety rules and qualified, authorised staff go before anything that is written here." }
        }
    }
}

pub(super) async fn arm_page(frame: Frame) -> Markup {
    let Some(rig) = &frame.rig else {
        return frame.page("Arm", &html! { h1 { "Arm" } p { "The rig's state can't be read." } });
    };
    let tripped = rig.latch != LatchState::Clear && rig.running.is_none();
    frame.page("Arm", &html! {
        div class="narrow" {
            h1 { "Give leave to move" }
            (cautions())
            @if tripped {
                section class="panel bad" {
                    p { strong { "The rig is not clear" } @if let Some(trip) = &rig.trip { ": " (text::words(trip)) } ". Acknowledge first." }
                    p { a class="button" href="/acknowledge" { "Acknowledge …" } }
                }
            } @else if let Some(name) = &rig.leave_by {
                section class="panel good" { p { (name) " gave leave" @if let Some(until) = rig.leave_until { " until " (frame.instant(until)) } "." } }
            }
            section class="panel" {
                h2 { "Check-list of rig " (rig.rig) }
                @if rig.simulated && rig.leave_by.is_none() && rig.leave_missing.is_none() {
                    p { "Nothing real moves on this rig: no leave is needed." }
                } @else if !frame.may(Role::Operator) {
                    p class="wrong" { "Giving leave needs the role 'operator'." }
                    (list(&rig.checklist))
                } @else if !frame.at_machine {
                    p class="wrong" { "Leave is given at the machine, with the rig in view: " code { "calwright arm" } " there." }
                    (list(&rig.checklist))
                } @else if !tripped {
                    form method="post" action="/do/arm" class="fields" {
                        (frame.hidden())
                        fieldset {
                            legend { "I looked at each of these, and found it so" }
                            @for line in &rig.checklist {
                                label class="tick" { input type="checkbox" name="confirmed" value=(line) required; span { (line) } }
                            }
                        }
                        label for="hours" { "For how many hours" }
                        input id="hours" name="hours" type="text" inputmode="decimal" placeholder="8, or the rig's limit";
                        button class="first" { "Give leave as " (frame.person.as_ref().map_or("", |p| p.name.as_str())) }
                    }
                    p class="hint" {
                        "It ends by its time, a restart, any trip, a run that was cut off, a changed rig file, other sensors, an open guard, "
                        "or a stop."
                    }
                }
            }
        }
    })
}

fn list(lines: &[String]) -> Markup {
    html! { ul { @for line in lines { li { (line) } } } }
}

pub(super) async fn acknowledge_page(frame: Frame) -> Markup {
    let Some(rig) = &frame.rig else {
        return frame
            .page("Acknowledge", &html! { h1 { "Acknowledge" } p { "The rig's state can't be read." } });
    };
    // The latch of a run that goes on says that it may be moving, which is no trip.
    let clear = match rig.latch {
        LatchState::Clear => true,
        LatchState::Tripped => false,
        LatchState::MayBeMoving => rig.running.is_some(),
    };
    frame.page("Acknowledge", &html! {
        div class="narrow" {
            h1 { "Clear a trip" }
            @if clear { section class="panel good" { p { "Nothing is tripped." } } } @else {
                section class="panel bad" {
                    p { strong { "Tripped" } @if let Some(trip) = &rig.trip { ": " (text::words(trip)) } }
                    @if let Some(message) = &rig.message { p { (message) } }
                }
                section class="panel caution" {
                    p { "Look at rig and amplifier first; clear a trip only when its cause is found and gone. The armature may be live until the amplifier is off." }
                }
                section class="panel" {
                    @if !frame.may(Role::Operator) {
                        p class="wrong" { "Clearing a trip needs the role 'operator'." }
                    } @else if !frame.at_machine {
                        p class="wrong" { "A trip is cleared at the machine: " code { "calwright acknowledge" } " there." }
                    } @else {
                        form method="post" action="/do/acknowledge" class="fields" {
                            (frame.hidden())
                            p { "As " strong { (frame.person.as_ref().map_or("", |p| p.name.as_str())) } "; name and reason are recorded." }
                            label for="reason" { "What was found, and what was done" }
                            textarea id="reason" name="reason" rows="4" required maxlength="2000" {}
                            @if rig.trip.as_deref() == Some("make_safe_failed") {
                                label class="tick" {
                                    input type="checkbox" name="made_safe_by_hand" value="yes";
                                    span { "An instrument could not be made safe: the power was cut by hand, and the cause is found." }
                                }
                            }
                            button class="first" { "Clear the trip" }
                        }
                    }
                }
            }
        }
    })
}
