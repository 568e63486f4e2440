//! What the desk says of the rig while something goes on, and where nothing is known to be at rest.

use super::*;
use crate::files::Disk;
use crate::serve::crier::Crier;
use crate::serve::words::{Acknowledging, Arming, LatchState, Way, Whence};
use crate::station::Observer;
use crate::station::latch::Latch;
use crate::station::line::Stopped;
use calibration::interlock::{Trip, TripReason};
use calibration::sequence::{Cable, Event};
use plan_schema::units::Mono;
use std::collections::BTreeSet;
use tempfile::TempDir;

const EXAMPLES: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../examples/rigs");

/// A house on an example's rig. A real one is real as far as the program can tell: its source is a program that is not there.
async fn open(folder: &TempDir, is_real: bool) -> Opened {
    let mut text = std::fs::read_to_string(Path::new(EXAMPLES).join("long-stroke.toml")).unwrap();
    if is_real {
        let plug_in = "driver = \"plug-in\"\nsettings = { program = \"nowhere.py\" }";
        text = text.replacen("driver = \"simulated\"", plug_in, 1);
    }
    let rig = folder.path().join("rig.toml");
    std::fs::write(&rig, text).unwrap();
    let mut settings = Settings { state_dir: Some(folder.path().join("state")), ..Settings::default() };
    settings.serve.rig = Some(rig);
    House::open(settings, false).await.unwrap()
}

fn somebody() -> Person {
    Person { name: "A. Person".to_owned(), roles: BTreeSet::from([Role::Operator]), way: Way::Socket }
}

fn looked(made_safe_by_hand: bool) -> Acknowledging {
    Acknowledging { reason: "looked".to_owned(), made_safe_by_hand }
}

async fn armed(house: &House) -> RigState {
    house.clear_trip(&somebody(), looked(true)).await.unwrap();
    let confirmed = house.rig_state().await.checklist;
    house.give_leave(&somebody(), Arming { hours: None, confirmed }).await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_rig_that_could_not_be_made_safe_at_the_start_is_tripped() {
    let folder = tempfile::tempdir().unwrap();
    let house = open(&folder, true).await.house;
    let state = house.rig_state().await;
    assert_eq!((state.latch, state.trip.as_deref()), (LatchState::Tripped, Some("make_safe_failed")));
    let remarked = |state: &RigState| state.warnings.iter().any(|w| w.contains("could not be made safe"));
    assert!(state.queue_held.is_some() && remarked(&state), "{state:?}");
    let from = Whence { way: Way::Port, place: "192.0.2.7".to_owned() };
    let stopped = house.stop_now(None, &from).await.unwrap();
    let noted = house.store.audited(None, 1).await.unwrap().remove(0);
    assert_eq!((noted.what.as_str(), noted.who, noted.way), ("stop", None, Some(Way::Port)));
    assert!(noted.detail.ends_with("(from 192.0.2.7)"), "{}", noted.detail);
    assert!(!stopped.at_rest && stopped.message.contains("NOT SAFE"), "{stopped:?}");
    let confirmed = state.checklist;
    let arming = house.give_leave(&somebody(), Arming { hours: None, confirmed }).await;
    assert!(arming.unwrap_err().to_string().contains("make_safe_failed"));
    house.clear_trip(&somebody(), looked(false)).await.unwrap_err();
    let state = house.clear_trip(&somebody(), looked(true)).await.unwrap();
    assert!(state.latch == LatchState::Clear && !remarked(&state), "{state:?}");
    let stopped = house.stop_now(None, &from).await.unwrap();
    assert!(stopped.at_rest, "{stopped:?}");
    drop(house);
    let state = open(&folder, true).await.house.rig_state().await;
    assert_eq!(state.trip.as_deref(), Some("make_safe_failed"), "and again at the next start");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_another_hand_acknowledged_is_remarked_no_more() {
    let folder = tempfile::tempdir().unwrap();
    let house = open(&folder, true).await.house;
    assert!(house.rig_state().await.warnings.iter().any(|w| w.contains("could not be made safe")));
    let clear = Latch::Clear { at_utc: "2000-01-01T00:00:00Z".to_owned(), acknowledged: None };
    house.rig().latch.write(&Disk, &clear).unwrap();
    let state = house.rig_state().await;
    assert!(!state.warnings.iter().any(|w| w.contains("could not be made safe")), "{state:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_leave_of_a_run_is_seen_while_it_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let house = open(&folder, true).await.house;
    let armed = armed(&house).await;
    assert_eq!(armed.leave_by.as_deref(), Some("A. Person"));
    let moving = Latch::MayBeMoving { at_utc: "2000-01-01T00:00:00Z".to_owned(), run: "one".to_owned() };
    house.rig().latch.write(&Disk, &moving).unwrap();
    house.set_running(Some(Running::new(1, "one".to_owned())));
    let state = house.rig_state().await;
    assert_eq!(state.latch, LatchState::MayBeMoving);
    assert_eq!((&state.leave_by, state.leave_until), (&armed.leave_by, armed.leave_until), "{state:?}");
    house.set_running(None);
    let state = house.rig_state().await;
    assert!(state.leave_by.is_none() && state.leave_missing.is_some(), "it was cut off: {state:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_trip_and_a_question_show_while_the_run_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let house = open(&folder, true).await.house;
    armed(&house).await;
    house.set_running(Some(Running::new(1, "one".to_owned())));
    let (_, mut news) = house.news.since(None);
    let mut crier = Crier::new(house.clone());
    crier.event(Mono(0), &Event::Asks(Cable::ToChannels));
    let state = house.rig_state().await;
    assert_eq!(state.asks.as_deref(), Some(Cable::ToChannels.asks()));
    crier.event(Mono(0), &Event::Confirmed(Cable::ToChannels));
    assert_eq!(house.rig_state().await.asks, None);
    crier.event(Mono(0), &Event::Tripped(Trip::plain(TripReason::MakeSafeFailed, "cut the power by hand")));
    let told = loop {
        let one = news.recv().await.unwrap();
        if let Happening::Rig(state) = &one.news.what
            && state.latch == LatchState::Tripped
        {
            break state.clone();
        }
    };
    assert_eq!((told.running.as_deref(), told.trip.as_deref()), (Some("one"), Some("make_safe_failed")));
    assert_eq!(told.message.as_deref(), Some("cut the power by hand"));
    assert!(told.leave_by.is_none() && told.leave_missing.unwrap().contains("tripped"));
    crier.event(Mono(0), &Event::Failure("the source went away".to_owned()));
    let state = house.rig_state().await;
    assert!(state.warnings.iter().any(|w| w == "the run ends: the source went away"), "{state:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn only_what_is_known_to_be_at_rest_is_called_so() {
    let folder = tempfile::tempdir().unwrap();
    let house = open(&folder, false).await.house;
    let ended = |how: &str| Stopped::Ended(how.to_owned());
    for (heard, at_rest) in [
        (ended("the rig was made safe and the run has ended"), true),
        (ended("NOT SAFE: the amplifier did not answer"), false),
        (Stopped::Unanswered, false),
        (Stopped::Nobody, true),
    ] {
        let stopped = house.stopped(heard.clone());
        assert_eq!(stopped.at_rest, at_rest, "{heard:?}: {stopped:?}");
        assert_ne!(stopped.message.contains("emergency stop"), at_rest, "{stopped:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_asks_after_news_of_the_rig_is_not_told_the_state_before() {
    let folder = tempfile::tempdir().unwrap();
    let house = open(&folder, false).await.house;
    // Each time as good as at once, so that at one of them it is still there.
    let mut is_kept = false;
    for _ in 0..50 {
        assert_eq!(house.rig_lately().await.latch, LatchState::Clear);
        is_kept |= house.kept.rig.get("").is_ok();
    }
    assert!(is_kept, "to read the state is no reason to read it again");
    // By another hand of this machine.
    let latch = Latch::Tripped {
        at_utc: "2000-01-01T00:00:00Z".to_owned(),
        run: None,
        reason: "overload".to_owned(),
        message: "m".to_owned(),
    };
    house.rig().latch.write(&Disk, &latch).unwrap();
    house.tell_rig(house.rig_state().await);
    assert_eq!(house.rig_lately().await.latch, LatchState::Tripped);
}
