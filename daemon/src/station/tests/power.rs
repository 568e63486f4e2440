//! The order of powering on and off, what is read back on the way, and the warning before it.

use super::scripted::{Log, RELAY, Wrong, registry};
use super::*;
use calibration::interlock::TripReason;
use plan_schema::rig::{SafeAction, SafePath};
use plan_schema::units::Seconds;

fn scripted(wrong: Wrong, change: &dyn Fn(&mut ResolvedJob)) -> (Bench, Ended, Vec<String>) {
    let log = Log::default();
    let (bench, ended) =
        execute_on(Arc::new(Disk), None, change, |job, inner| registry(job, inner, &log, wrong));
    (bench, ended, log.steps())
}

fn unchanged(_: &mut ResolvedJob) {}

fn with_warning(job: &mut ResolvedJob) {
    job.rig.warning_output = Some(2);
}

#[test]
fn on_and_off_in_order_each_step_read_back() {
    let (bench, ended, steps) = scripted(Wrong::Nothing, &unchanged);
    assert_eq!(ended.map_err(|e| e.to_string()).unwrap().0.outcome, Outcome::Done);
    let first: Vec<&str> = steps.iter().take(6).map(String::as_str).collect();
    let order =
        ["source safe", "amplifier safe", "contacts safe", "amplifier asked", "unmute up to 0 V", "tone"];
    assert_eq!(first, order);
    let last: Vec<&str> = steps.iter().rev().take(4).rev().map(String::as_str).collect();
    assert_eq!(last, ["source off", "source safe", "amplifier safe", "contacts safe"]);
    assert!(bench.simulated.is_at_rest());
}

#[test]
fn an_amplifier_that_reads_back_otherwise_is_not_gone_on_with() {
    let (bench, ended, steps) = scripted(Wrong::LiveAfterMute, &unchanged);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!((report.outcome, report.rig_time.si()), (Outcome::Failed, 0.0));
    assert!(report.failures.iter().any(|f| f.contains("reads back as live")), "{:?}", report.failures);
    assert!(!steps.iter().any(|s| s.starts_with("unmute")), "{steps:?}");
    assert!(bench.simulated.is_at_rest());

    let (bench, ended, steps) = scripted(Wrong::MutedAfterUnmute, &unchanged);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Failed);
    assert!(report.failures.iter().any(|f| f.contains("reads back as muted")), "{:?}", report.failures);
    assert!(!steps.iter().any(|s| s == "tone"), "{steps:?}");
    assert!(bench.simulated.is_at_rest());
}

fn latched(bench: &Bench) -> String {
    match bench.latch.read(&Disk, "2000-01-01T00:00:00Z".parse().unwrap()) {
        Latch::Tripped { reason, .. } => reason,
        other => panic!("not latched: {other:?}"),
    }
}

/// At the start and at the end: louder than all else, and latched.
#[test]
fn what_can_not_be_made_safe_latches() {
    let (bench, ended, steps) = scripted(Wrong::NeverSafe(0), &unchanged);
    let Err(StationError::Program(trip)) = ended else { panic!("{steps:?}") };
    assert_eq!((trip.reason, latched(&bench).as_str()), (TripReason::MakeSafeFailed, "make_safe_failed"));
    assert!(!steps.iter().any(|s| s.starts_with("unmute")), "{steps:?}");

    let (bench, ended, _) = scripted(Wrong::NeverSafe(1), &unchanged);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Tripped);
    assert_eq!(report.trip.map(|t| t.reason), Some(TripReason::MakeSafeFailed));
    assert_eq!(latched(&bench), "make_safe_failed");
}

#[test]
fn the_warning_is_on_before_the_amplifier_is_live_and_off_at_the_end() {
    let (_, ended, steps) = scripted(Wrong::Nothing, &with_warning);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Done);
    assert!(report.waited.si() > 5.0, "{}", report.waited);
    let at = |what: &str| steps.iter().position(|s| s.starts_with(what)).unwrap();
    assert!(at("output 2 on") < at("unmute"));
    let last: Vec<&str> = steps.iter().rev().take(2).rev().map(String::as_str).collect();
    assert_eq!(last, ["output 2 off", "contacts safe"]);
}

#[test]
fn nothing_moves_without_the_warning_that_the_rig_wants() {
    let (bench, ended, steps) = scripted(Wrong::NoOutputs, &with_warning);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Failed);
    assert!(report.failures.iter().any(|f| f.contains("no outputs")), "{:?}", report.failures);
    assert!(!steps.iter().any(|s| s.starts_with("unmute")), "{steps:?}");
    assert!(bench.simulated.is_at_rest());
}

/// What a source can't make is said before the amplifier is live, with the points that it is about.
#[test]
fn a_source_that_does_not_reach_the_points_drives_none_of_them() {
    let (bench, ended, steps) = scripted(Wrong::NothingBelow(1_000), &unchanged);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Failed);
    assert!(
        report.failures.iter().any(|f| f.contains("leave them out of the plan")),
        "{:?}",
        report.failures
    );
    assert_eq!(steps, ["source safe", "amplifier safe", "contacts safe", "amplifier asked"]);
    assert!(bench.simulated.is_at_rest());
}

fn with_relay(job: &mut ResolvedJob) {
    let rig = &mut job.rig;
    let mut relay = rig.instruments[0].clone();
    relay.name = RELAY.to_owned();
    rig.instruments.push(relay);
    rig.roles.relay = Some(format!("{RELAY}.relay"));
    rig.safe_paths.push(SafePath { action: SafeAction::Relay, time: Seconds::new(0.01) });
}

/// It is let through first and cut off together with the mute, and what it says of itself counts as much.
#[test]
fn a_relay_goes_with_the_amplifier() {
    let (bench, ended, steps) = scripted(Wrong::Nothing, &with_relay);
    assert_eq!(ended.map_err(|e| e.to_string()).unwrap().0.outcome, Outcome::Done);
    let first: Vec<&str> = steps.iter().take(8).map(String::as_str).collect();
    let order = [
        "source safe",
        "amplifier safe",
        "relay safe",
        "contacts safe",
        "amplifier asked",
        "relay asked",
        "relay: unmute up to 0 V",
        "unmute up to 0 V",
    ];
    assert_eq!(first, order);
    let last: Vec<&str> = steps.iter().rev().take(2).rev().map(String::as_str).collect();
    assert_eq!(last, ["relay safe", "contacts safe"]);
    assert!(bench.simulated.is_at_rest());

    let (bench, ended, steps) = scripted(Wrong::CutAfterUnmute, &with_relay);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Failed);
    assert!(report.failures.iter().any(|f| f.contains("reads back as cut off")), "{:?}", report.failures);
    assert!(!steps.iter().any(|s| s == "unmute up to 0 V" || s == "tone"), "{steps:?}");
    assert!(bench.simulated.is_at_rest());
}

/// A relay that is open hides no amplifier that is live: it would close onto it.
#[test]
fn a_relay_hides_no_live_amplifier() {
    let (bench, ended, steps) = scripted(Wrong::LiveAfterMute, &with_relay);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    assert_eq!(report.outcome, Outcome::Failed);
    assert!(report.failures.iter().any(|f| f.contains("reads back as live")), "{:?}", report.failures);
    assert!(!steps.iter().any(|s| s.contains("unmute")), "{steps:?}");
    assert!(bench.simulated.is_at_rest());
}

/// The relay stops the rig although the amplifier does not answer, which is no less loud.
#[test]
fn a_relay_cuts_off_what_the_amplifier_does_not() {
    let (bench, ended, steps) = scripted(Wrong::NeverSafe(1), &with_relay);
    let (report, _) = ended.map_err(|e| e.to_string()).unwrap();
    let trip = report.trip.unwrap();
    assert_eq!(trip.reason, TripReason::MakeSafeFailed);
    assert!(trip.message.contains("the relay beside it has cut the drive off"), "{}", trip.message);
    assert!(steps.iter().filter(|s| *s == "relay safe").count() > 1, "{steps:?}");
    assert_eq!(latched(&bench), "make_safe_failed");
}
