//! The daemon's side: what it makes of its hosts, good and bad.

use super::notes;
use drivers::client::{Hosted, HostedOptions, Hosts, PlugIns, Program};
use drivers::{
    AcquisitionRequest, ChannelRequest, DriverFactory, ErrorKind, Opened, PermitIssuer, Registry, StopReason,
    Tone, Transition,
};
use plan_schema::units::{
    Celsius, Fraction, Hertz, SampleCount, SampleIndex, SamplesPerSecond, Seconds, Volts,
};
use rustix::process::Signal;
use serde_json::{Value, json};
use std::future::Future;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tests::host::{Wire, factory, instrument, is_alive, path_of_test_host, signal, state, trusted, wait_for};

fn run(test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    runtime.block_on(test);
}

const OPTIONS: HostedOptions =
    HostedOptions { reply_limit: Seconds::new(5.0), heartbeat_limit: Seconds::new(20.0) };

fn hosted(program: Program) -> (Hosted, Arc<Hosts>) {
    let hosts = Registry::default().hosts().clone();
    (Hosted::new(factory(), program, hosts.clone(), OPTIONS), hosts)
}

fn own() -> Program {
    Program::new(path_of_test_host().unwrap().to_owned(), [])
}

async fn open(path: &Path, settings: Value) -> (Opened, Arc<Hosts>) {
    let (hosted, hosts) = hosted(own());
    (hosted.open(&instrument(path, settings)).await.unwrap(), hosts)
}

fn process(opened: &Opened) -> u32 {
    opened.identity.firmware.parse().unwrap()
}

fn tone(amplitude: f64) -> Transition {
    let tone = Tone { frequency: Hertz::new(80.0), amplitude: Volts::new(amplitude) };
    Transition { tone, over: Seconds::new(0.1) }
}

#[test]
fn every_role_does_over_the_wire_what_it_does_in_process() {
    let (_folder, path, notes) = notes();
    run(async {
        let (mut there, hosts) = open(&path, json!({})).await;
        let own_notes = path.with_extension("own");
        let mut here = factory().open(&instrument(&own_notes, json!({}))).await.unwrap();
        let (mut issuer, _gate) = PermitIssuer::new();
        let permit = issuer.grant(Volts::new(2.0));
        hosts.leave(permit.generation());
        for opened in [&mut here, &mut there] {
            let ambient = opened.ambient.as_mut().unwrap().read().await.unwrap();
            assert_eq!(ambient.temperature, Celsius::new(23.25));
            assert!((ambient.humidity.unwrap() - Fraction::new(0.4)).si().abs() < 1e-12);
            let contacts = opened.contacts.as_mut().unwrap();
            assert_eq!(contacts.read().await.unwrap().inputs, [true, false]);
            assert!(contacts.set_output(3, true).await.unwrap());
            let amplifier = opened.amplifier.as_mut().unwrap();
            assert!(!amplifier.unmute(&permit).await.unwrap().muted);
            assert!(amplifier.mute().await.unwrap().muted && amplifier.status().await.unwrap().muted);
            let source = opened.source.as_mut().unwrap();
            assert_eq!(source.limits().amplitude_max, Volts::new(5.0));
            assert!(source.limits().starts_at_zero);
            assert_eq!(source.set_tone(&permit, tone(1.5)).await.unwrap(), tone(1.5));
            assert_eq!(source.output_off(Seconds::new(0.2)).await.unwrap(), Seconds::new(0.2));
            let proof = opened.safe.make_safe(StopReason::RunEnded).await.unwrap();
            assert!(proof.is_safe() && proof.drive.is_some() && proof.muted == Some(true));
            assert_eq!(opened.safe.transfer_within(), Some(Seconds::new(0.01)));
        }
        // An error keeps its kind and its words; what is no number does not pass for one.
        let permit = issuer.grant(Volts::new(9.0));
        hosts.leave(permit.generation());
        let source = there.source.as_mut().unwrap();
        let error = source.set_tone(&permit, tone(6.0)).await.unwrap_err();
        assert_eq!(
            (error.kind, error.instrument.as_str(), error.op),
            (ErrorKind::OutOfRange, "box", "set_tone")
        );
        assert!(error.detail.contains("6 V pk is above the 5 V pk"), "{}", error.detail);
        assert_eq!(source.set_tone(&permit, tone(f64::NAN)).await.unwrap_err().kind, ErrorKind::OutOfRange);
        source.set_tone(&permit, tone(1.0)).await.unwrap();
        let error = there.ambient.as_mut().unwrap().read().await.unwrap_err();
        assert_eq!(error.kind, ErrorKind::BadData, "{error}");
        assert_eq!(notes.lines()[..6], tests::host::Notes::new(&own_notes).lines()[..6]);
        // The end of the last handle is the end of the host, and no loss.
        let process = process(&there);
        let mut lost = hosts.take_lost().unwrap();
        drop(there);
        wait_for("the host's end", || (!is_alive(process)).then_some(())).unwrap();
        assert_eq!(notes.lines().last().unwrap(), "make_safe LinkLost");
        assert!(lost.try_recv().is_err());
    });
}

#[test]
fn blocks_come_whole_and_in_order_and_a_slow_reader_is_told_what_it_missed() {
    let (_folder, path, _) = notes();
    run(async {
        let (mut opened, _) = open(&path, json!({})).await;
        let acquisition = opened.acquisition.as_mut().unwrap();
        let channels = (0..3).map(|input| ChannelRequest { input, range: Volts::new(10.0) }).collect();
        let want = AcquisitionRequest { rate: SamplesPerSecond::new(51200.0), frames: 500, channels };
        assert_eq!(acquisition.configure(&want).await.unwrap(), want);
        for _ in 0..2 {
            acquisition.start().await.unwrap();
            let (mut next, mut missed) = (SampleIndex(0), SampleCount(0));
            // It samples as fast as it can, so something is missed sooner or later; nothing in silence.
            for _ in 0..400 {
                let Some(block) = acquisition.next_block(Seconds::new(20.0)).await.unwrap() else {
                    panic!("no block came");
                };
                trusted(&block).unwrap();
                assert_eq!(block.first_sample, next + block.gap_before);
                missed = SampleCount(missed.0 + block.gap_before.0);
                next = block.end();
            }
            assert!(next.0 >= 200_000 && missed.0 < next.0);
            acquisition.stop().await.unwrap();
        }
    });
}

#[test]
fn another_serial_number_is_refused_at_every_opening() {
    let (_folder, path, notes) = notes();
    run(async {
        let (hosted, _) = hosted(own());
        let Err(error) = hosted.open(&instrument(&path, json!({ "serial": "N-2" }))).await else {
            panic!("it was opened");
        };
        assert_eq!(error.kind, ErrorKind::BadData);
        assert!(error.detail.contains("'N-2'") && error.detail.contains("'N-1'"), "{error}");
        assert_eq!(notes.count("set_tone"), 0);
    });
}

#[test]
fn a_killed_host_is_told_at_once_and_another_one_makes_safe_first() {
    let (_folder, path, notes) = notes();
    run(async {
        let (mut opened, hosts) = open(&path, json!({})).await;
        let mut lost = hosts.take_lost().unwrap();
        let (mut issuer, _gate) = PermitIssuer::new();
        let permit = issuer.grant(Volts::new(2.0));
        hosts.leave(permit.generation());
        let source = opened.source.as_mut().unwrap();
        source.set_tone(&permit, tone(1.0)).await.unwrap();
        let process = opened.identity.firmware.parse().unwrap();
        signal(process, Signal::KILL).unwrap();
        // Nobody asks anything, and it is told all the same.
        let error = tokio::time::timeout(Duration::from_secs(20), lost.recv()).await.unwrap().unwrap();
        assert_eq!((error.kind, error.instrument.as_str()), (ErrorKind::Disconnected, "box"));
        assert!(error.detail.contains("signal: 9"), "{error}");
        // Its roles stay lost: never a reconnect while something may move.
        assert_eq!(source.set_tone(&permit, tone(1.0)).await.unwrap_err().kind, ErrorKind::Disconnected);
        let (first, second) =
            tokio::join!(opened.safe.make_safe(StopReason::Trip), opened.safe.make_safe(StopReason::Trip));
        assert!(first.unwrap().is_safe() && second.unwrap().is_safe());
        assert_eq!(source.set_tone(&permit, tone(1.0)).await.unwrap_err().kind, ErrorKind::Disconnected);
        assert_eq!(notes.lines(), ["open", "set_tone 80 1", "open", "make_safe Trip", "make_safe Trip"]);
    });
}

#[test]
fn a_host_that_was_stopped_is_replaced_when_it_has_to_make_safe() {
    let (_folder, path, notes) = notes();
    run(async {
        let (opened, _hosts) = open(&path, json!({})).await;
        let stopped = process(&opened);
        signal(stopped, Signal::STOP).unwrap();
        wait_for("its standstill", || (state(stopped) == Some('T')).then_some(())).unwrap();
        let proof = opened.safe.make_safe(StopReason::Operator).await.unwrap();
        assert!(proof.is_safe());
        wait_for("the end of the one that stood still", || (!is_alive(stopped)).then_some(())).unwrap();
        assert_eq!(notes.lines(), ["open", "open", "make_safe Operator"]);
    });
}

#[test]
fn a_daemon_that_stands_still_or_dies_leaves_its_host_safe_and_gone() {
    for kind in [Signal::STOP, Signal::KILL] {
        let (_folder, path, notes) = notes();
        let arguments = ["client".into(), path.clone().into_os_string()];
        let mut daemon = Wire::start(path_of_test_host().unwrap(), arguments).unwrap();
        let host = u32::try_from(daemon.line().unwrap().as_u64().unwrap()).unwrap();
        assert!(is_alive(host) && notes.lines() == ["open", "set_tone 80 1"], "{:?}", notes.lines());
        signal(daemon.process(), kind).unwrap();
        wait_for("the host's end", || {
            (!is_alive(host) || notes.count("make_safe LinkLost") == 1).then_some(())
        })
        .unwrap();
        wait_for("a safe instrument", || (notes.count("make_safe LinkLost") == 1).then_some(())).unwrap();
        assert_eq!(notes.lines(), ["open", "set_tone 80 1", "make_safe LinkLost"]);
    }
}

/// A station that is held up for a second by whatever else its machine does misses no short block.
#[test]
fn a_station_that_is_late_loses_nothing() {
    let (_folder, path, notes) = notes();
    run(async {
        // Blocks of 5 ms, of which the instrument notes every power of two.
        let (mut opened, _) = open(&path, json!({ "frames_per_s": 20_000 })).await;
        let acquisition = opened.acquisition.as_mut().unwrap();
        let channel = ChannelRequest { input: 0, range: Volts::new(10.0) };
        let want = AcquisitionRequest {
            rate: SamplesPerSecond::new(20_000.0),
            frames: 100,
            channels: vec![channel; 5],
        };
        acquisition.configure(&want).await.unwrap();
        acquisition.start().await.unwrap();
        wait_for("a second of samples", || (notes.count("blocks 256") == 1).then_some(())).unwrap();
        for n in 0..256 {
            let block = acquisition.next_block(Seconds::new(20.0)).await.unwrap().unwrap();
            assert_eq!((block.first_sample.0, block.gap_before.0), (n * 100, 0));
        }
        acquisition.stop().await.unwrap();
    });
}

/// A host that says hello and then what a shell says.
fn rogue(then: &str) -> Program {
    let hello = json!({ "jsonrpc": "2.0", "id": 0, "result": {
        "protocol": "1.0", "identity": { "make": "", "model": "", "serial": "N-1", "firmware": "" },
        "roles": { "contacts": {}, "acquisition": { "continuity": "continuous" } }, "safe_ms": 10, "transfer_ms": 1,
    }});
    let script = format!("read line; echo '{hello}'; {then}; cat >/dev/null");
    Program::new("/bin/sh".into(), ["-c".into(), script.into()])
}

#[test]
fn what_a_host_says_beside_the_protocol_is_a_loss_and_never_data() {
    for (then, what) in [
        ("echo hello world", "no message"),
        ("head -c 4194305 /dev/zero | tr '\\0' x; echo", "longer than the protocol allows"),
        ("echo '{\"jsonrpc\":\"2.0\",\"id\":3,\"method\":\"make_safe\"}'", "no message"),
        ("printf '\\377\\376\\n'", "no message"),
        (
            "echo '{\"jsonrpc\":\"2.0\",\"id\":null,\"error\":{\"code\":-32700,\"message\":\"what?\"}}'",
            "what?",
        ),
    ] {
        let (_folder, path, _) = notes();
        run(async {
            let (hosted, hosts) = hosted(rogue(then));
            let mut lost = hosts.take_lost().unwrap();
            let mut opened = hosted.open(&instrument(&path, json!({}))).await.unwrap();
            let error = tokio::time::timeout(Duration::from_secs(20), lost.recv()).await.unwrap().unwrap();
            assert_eq!(error.kind, ErrorKind::Protocol, "{then}: {error}");
            assert!(error.detail.contains(what), "{then}: {error}");
            let error = opened.contacts.as_mut().unwrap().read().await.unwrap_err();
            assert_eq!(error.kind, ErrorKind::Protocol);
            let error =
                opened.acquisition.as_mut().unwrap().next_block(Seconds::new(20.0)).await.unwrap_err();
            assert_eq!(error.kind, ErrorKind::Protocol);
            // The one that takes its place is no better, and that is said.
            assert!(opened.safe.make_safe(StopReason::Trip).await.is_err());
        });
    }
}

#[test]
fn an_answer_to_nothing_is_not_taken_for_the_next_ones() {
    let (_folder, path, _) = notes();
    // The reply to the first question comes when the second is asked, with the first one's id.
    let late = "read l; while case $l in *contacts*) false;; *) true;; esac; do read l; done; \
         read l; while case $l in *contacts*) false;; *) true;; esac; do read l; done; \
         echo '{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":{\"emergency_stop_closed\":true,\"inputs\":[true]}}'";
    run(async {
        let hosts = Registry::default().hosts().clone();
        let options = HostedOptions { reply_limit: Seconds::new(0.3), ..OPTIONS };
        let hosted = Hosted::new(factory(), rogue(late), hosts, options);
        let mut opened = hosted.open(&instrument(&path, json!({}))).await.unwrap();
        let contacts = opened.contacts.as_mut().unwrap();
        assert_eq!(contacts.read().await.unwrap_err().kind, ErrorKind::Timeout);
        assert_eq!(contacts.read().await.unwrap_err().kind, ErrorKind::Timeout);
    });
}

#[test]
fn blocks_that_do_not_follow_each_other_are_no_data() {
    let block = |first: u64, gap: u64| {
        json!({ "jsonrpc": "2.0", "method": "acquisition.block", "params": {
            "first_sample": first, "gap_before_samples": gap, "channels": ["AACAPw=="], "overload": [false],
        }})
    };
    let lines =
        [block(0, 0), block(1, 0), block(1, 0), block(5, 2)].map(|b| format!("echo '{b}'")).join("; ");
    let configured =
        json!({ "rate_hz": 1000.0, "block_samples": 1, "channels": [{ "input": 0, "range_v_peak": 1.0 }] });
    let until = |word: &str| format!("while case $l in *{word}*) false;; *) true;; esac; do read l; done");
    let script = format!(
        "l=; {}; echo '{{\"jsonrpc\":\"2.0\",\"id\":1,\"result\":{configured}}}'; {}; \
         echo '{{\"jsonrpc\":\"2.0\",\"id\":2,\"result\":{{}}}}'; {lines}",
        until("configure"),
        until("acquisition.start")
    );
    let (_folder, path, _) = notes();
    run(async {
        let (hosted, _) = hosted(rogue(&script));
        let mut opened = hosted.open(&instrument(&path, json!({}))).await.unwrap();
        let acquisition = opened.acquisition.as_mut().unwrap();
        let channels = vec![ChannelRequest { input: 0, range: Volts::new(1.0) }];
        let want = AcquisitionRequest { rate: SamplesPerSecond::new(1000.0), frames: 1, channels };
        acquisition.configure(&want).await.unwrap();
        acquisition.start().await.unwrap();
        let mut next = async || acquisition.next_block(Seconds::new(20.0)).await;
        assert_eq!(next().await.unwrap().unwrap().channel(0), [1.0]);
        assert_eq!(next().await.unwrap().unwrap().first_sample, SampleIndex(1));
        for _ in 0..2 {
            assert_eq!(next().await.unwrap_err().kind, ErrorKind::BadData);
        }
    });
}

#[test]
fn a_plug_in_is_started_from_the_folders_of_the_settings_only() {
    let (folder, path, _) = notes();
    run(async {
        let hosts = Registry::default().hosts().clone();
        let plug_ins = PlugIns::new(vec![folder.path().to_owned()], hosts, OPTIONS);
        let error = |program: &str| {
            let mut one = instrument(&path, json!({ "program": program }));
            one.driver = "plug-in".to_owned();
            one
        };
        assert_eq!(plug_ins.check(&error("/bin/sh")).len(), 1);
        assert_eq!(plug_ins.check(&instrument(&path, json!({}))).len(), 1);
        for program in ["/bin/sh", "../sh", "sh", "notes"] {
            std::fs::write(&path, "not executable").unwrap();
            assert!(plug_ins.open(&error(program)).await.is_err(), "{program}");
        }
    });
}
