//! The amplifier against a unit that keeps a log of what it was told.

use super::super::tests_support::{Shared as Unit, lock, over_line, serve, unit};
use super::*;
use crate::built_in::settings::tests::instrument;
use crate::permit::PermitIssuer;
use plan_schema::units::Volts;

/// Coil 0 mutes, coil 1 enables, discrete input 8 reads muted; holding 0 heartbeat, 1 watchdog; input 10 and 11: faults,
/// temperature; input 12: gain.
const MAP: &str = r#"
    mute = "coil 0"
    enable = "coil 1"
    heartbeat = "holding 0"
    watchdog = { register = "holding 1", count = 500 }
    gain = { at = { register = "input 12", scale = 0.1 }, value = 20 }
    fault = [
        { at = "input 10 bit 0", means = "output stage too warm" },
        { at = "not input 10 bit 1", means = "interlock loop open" },
    ]
    watch = [{ at = { register = "input 11", kind = "i16", scale = 0.1 }, max = 80, means = "heat sink in °C" }]
"#;

fn fresh() -> Unit {
    unit(&[(0, true), (1, false)], &[(0, 0), (1, 0), (10, 0b10), (11, 251), (12, 200)])
}

async fn open(unit: &Unit, more: &str) -> (Box<dyn PowerAmplifier>, Arc<dyn SafeHandle>) {
    let link = format!("link = {{ tcp = \"{}\", timeout = \"100 ms\" }}\n{MAP}{more}", serve(unit).await);
    let opened = Factory.open(&instrument("modbus-amplifier", &link)).await.unwrap();
    (opened.amplifier.unwrap(), opened.safe)
}

fn permit() -> DrivePermit {
    PermitIssuer::new().0.grant(Volts::new(1.0))
}

#[tokio::test]
async fn it_is_unmuted_in_order_and_read_back() {
    let unit = fresh();
    let (mut amplifier, safe) = open(&unit, "").await;
    assert!(lock(&unit).written().is_empty(), "opening only reads");
    let refused = amplifier.unmute(&permit()).await.unwrap_err();
    assert_eq!(refused.kind, ErrorKind::Disconnected);
    assert_eq!(safe.make_safe(StopReason::Start).await.unwrap().muted, Some(true));
    lock(&unit).log.clear();
    let status = amplifier.unmute(&permit()).await.unwrap();
    assert_eq!(status, AmplifierStatus { muted: false, fault: false, clipping: None });
    let written = lock(&unit).written();
    assert_eq!(written, [(6, 0), (6, 1), (5, 1), (5, 0), (6, 0)]);
    assert_eq!(lock(&unit).words[&1], 500);
    assert!(lock(&unit).bits[&1]);
    let beats = lock(&unit).words[&0];
    assert!(!amplifier.status().await.unwrap().muted);
    assert_eq!(lock(&unit).words[&0], beats + 1);
    assert!(amplifier.mute().await.unwrap().muted);
    assert!(lock(&unit).bits[&0]);
}

#[tokio::test]
async fn what_is_wrong_keeps_it_muted() {
    for (address, word, says) in [
        (10, 0b11, "too warm"),
        (10, 0, "loop open"),
        (11, 801, "heat sink in °C is 80.1"),
        (12, 199, "gain reads"),
    ] {
        let unit = fresh();
        let (mut amplifier, safe) = open(&unit, "").await;
        safe.make_safe(StopReason::Start).await.unwrap();
        let gain_within = address == 12;
        lock(&unit).words.insert(address, if gain_within { 150 } else { word });
        let refused = amplifier.unmute(&permit()).await.unwrap_err();
        assert_eq!(refused.kind, ErrorKind::BadData);
        assert!(refused.detail.contains(says), "{refused}");
        assert_eq!(amplifier.status().await.unwrap().fault, !gain_within);
        assert!(lock(&unit).bits[&0]);
    }
}

#[tokio::test]
async fn a_mute_that_does_not_follow_is_said_loudly() {
    let unit = fresh();
    let (mut amplifier, safe) = open(&unit, "").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    amplifier.unmute(&permit()).await.unwrap();
    lock(&unit).stuck.push(0);
    assert_eq!(amplifier.mute().await.unwrap_err().kind, ErrorKind::BadData);
    assert!(safe.make_safe(StopReason::Trip).await.is_err());
    assert_eq!(amplifier.unmute(&permit()).await.unwrap_err().kind, ErrorKind::Disconnected);
}

/// Its mute command is refused: what counts is what reads back, and what enables it is taken away.
#[tokio::test]
async fn a_mute_that_is_refused_is_read_back_and_its_leave_taken_away() {
    let unit = fresh();
    let (mut amplifier, safe) = open(&unit, "muted = \"not coil 1\"").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    amplifier.unmute(&permit()).await.unwrap();
    assert!(lock(&unit).bits[&1]);
    lock(&unit).refused.push(0);
    assert_eq!(safe.make_safe(StopReason::Trip).await.unwrap().muted, Some(true));
    assert!(!lock(&unit).bits[&1]);
    // Nothing follows: the refusal is what is said.
    lock(&unit).bits.insert(1, true);
    lock(&unit).stuck.push(1);
    assert_eq!(safe.make_safe(StopReason::Trip).await.unwrap_err().kind, ErrorKind::OutOfRange);
}

/// The heartbeat and every request of a status give way.
#[tokio::test]
async fn a_status_gives_way_to_making_safe() {
    let unit = fresh();
    let (mut amplifier, safe) = open(&unit, "").await;
    let (status, proof) = tokio::join!(amplifier.status(), safe.make_safe(StopReason::Trip));
    assert!(proof.unwrap().is_safe() && status.unwrap().muted);
    let log = lock(&unit).log.clone();
    let muted = log.iter().position(|request| *request == (5, 0)).unwrap();
    // What came before it is the opening, and the one request that was under way.
    let opening = log.iter().position(|request| *request == (6, 0)).unwrap();
    assert_eq!(muted, opening + 1, "{log:?}");
}

#[tokio::test]
async fn a_lost_link_is_opened_anew_to_make_it_safe_and_not_to_drive() {
    let unit = fresh();
    let (mut amplifier, safe) = open(&unit, "").await;
    safe.make_safe(StopReason::Start).await.unwrap();
    amplifier.unmute(&permit()).await.unwrap();
    lock(&unit).silent = true;
    assert_eq!(amplifier.status().await.unwrap_err().kind, ErrorKind::Timeout);
    assert!(safe.make_safe(StopReason::Trip).await.is_err());
    lock(&unit).silent = false;
    assert!(amplifier.status().await.is_ok());
    assert_eq!(amplifier.unmute(&permit()).await.unwrap_err().kind, ErrorKind::Disconnected);
    assert!(safe.make_safe(StopReason::Trip).await.unwrap().is_safe());
    assert!(amplifier.unmute(&permit()).await.is_ok());
}

/// With nothing but a mute it is a relay, here inverted and on a serial line.
#[tokio::test]
async fn a_mute_relay_is_an_instrument_of_its_own() {
    let unit = unit(&[(3, true)], &[]);
    let (link, _keeper) = over_line(&unit, 500);
    let path = link.serial.unwrap();
    let settings = format!("link = {{ serial = \"{path}\", timeout = \"500 ms\" }}\nmute = \"not coil 3\"");
    let opened = Factory.open(&instrument("modbus-amplifier", &settings)).await.unwrap();
    assert!(opened.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
    assert!(!lock(&unit).bits[&3]);
    assert!(!opened.amplifier.unwrap().unmute(&permit()).await.unwrap().muted);
    assert!(lock(&unit).bits[&3]);
}

#[test]
fn settings_are_checked_with_a_remedy() {
    let problems = |settings: &str| Factory.check(&instrument("modbus-amplifier", settings)).join("\n");
    insta::assert_snapshot!(problems(
        "link = { tcp = \"a:502\" }\nmute = \"coil\"\nenabel = \"coil 1\"\nfault = [{ at = \"coil 1\" }]\n\
         watch = [{ at = { register = \"input 1\", scale = \"1\" }, means = \"x\" }]"
    ));
    insta::assert_snapshot!(
        "meaning",
        problems(
            "link = { tcp = \"a:502\" }\nmute = \"discrete 0\"\nheartbeat = \"input 0\"\nfollows = \"1 min\"\n\
             watchdog = { register = \"input 1\", count = 70000 }\nwatch = [{ at = { register = \"input 1\" }, means = \"x\" }]"
        )
    );
}
