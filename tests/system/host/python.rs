//! The plug-ins of the examples, in plain Python, over real sockets: they keep what the protocol promises as ours do.

use drivers::client::{HostedOptions, Hosts, PlugIns};
use drivers::{
    AcquisitionRequest, ChannelRequest, DriverError, DriverFactory, ErrorKind, Opened, PermitIssuer,
    Registry, StopReason, Tone, Transition,
};
use plan_schema::rig::Instrument;
use plan_schema::units::{Hertz, SampleIndex, SamplesPerSecond, Seconds, Volts};
use serde_json::{Value, json};
use std::future::Future;
use std::sync::Arc;
use tests::host::{SourcePeer, Wire, frame_peer, trusted, wait_for};
use tests::program::root;

fn run(test: impl Future<Output = ()>) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
    runtime.block_on(test);
}

async fn open(
    program: &str,
    serial: Option<&str>,
    settings: Value,
) -> (Result<Opened, DriverError>, Arc<Hosts>) {
    let hosts = Registry::default().hosts().clone();
    let options = HostedOptions { reply_limit: Seconds::new(5.0), heartbeat_limit: Seconds::new(20.0) };
    let plug_ins = PlugIns::new(vec![root().join("examples/plug-ins")], hosts.clone(), options);
    let mut settings = settings.as_object().cloned().unwrap();
    settings.insert("program".to_owned(), program.into());
    let instrument = Instrument {
        name: "plugged".to_owned(),
        driver: "plug-in".to_owned(),
        latency: Seconds::new(0.05),
        serial: serial.map(str::to_owned),
        certificate: None,
        settings: plan_schema::read::Table(settings),
    };
    assert!(plug_ins.check(&instrument).is_empty());
    (plug_ins.open(&instrument).await, hosts)
}

fn volts(told: &str) -> Option<f64> {
    told.strip_prefix("SOUR1:VOLT ").and_then(|v| v.parse().ok())
}

#[test]
fn the_source_ramps_reads_back_and_ends_at_0_v() {
    let peer = SourcePeer::default();
    let address = peer.listen().unwrap().to_string();
    let settings = json!({ "tcp": address, "frequency_hz_max": 2e4, "amplitude_v_peak_max": 5.0 });
    run(async {
        let (opened, hosts) = open("sine_source.py", Some("S-7"), settings.clone()).await;
        let mut opened = opened.unwrap();
        assert_eq!(peer.told(), ["*IDN?"], "opening only asks");
        assert_eq!(opened.identity.make, "nobody");
        assert!(opened.safe.make_safe(StopReason::Start).await.unwrap().is_safe());
        let (mut issuer, _gate) = PermitIssuer::new();
        let permit = issuer.grant(Volts::new(2.0));
        hosts.leave(permit.generation());
        let source = opened.source.as_mut().unwrap();
        assert_eq!(source.limits().frequency_max, Hertz::new(2e4));
        let tone = Tone { frequency: Hertz::new(80.0), amplitude: Volts::new(1.5) };
        let applied = source.set_tone(&permit, Transition { tone, over: Seconds::new(0.1) }).await.unwrap();
        assert!(applied.tone == tone && applied.over >= Seconds::new(0.1));
        wait_for("the end of the ramp", || peer.told().iter().any(|t| volts(t) == Some(1.5)).then_some(()))
            .unwrap();
        let steps: Vec<f64> = peer.told().iter().filter_map(|t| volts(t)).collect();
        assert!(steps.windows(2).all(|s| s[1] - s[0] < 0.5), "a jump: {steps:?}");
        assert!(peer.told().contains(&"SOUR1:FREQ 80.000000".to_owned()));
        for (amplitude, frequency) in [(2.5, 80.0), (1.0, 3e4), (6.0, 80.0)] {
            let tone = Tone { frequency: Hertz::new(frequency), amplitude: Volts::new(amplitude) };
            let error =
                source.set_tone(&permit, Transition { tone, over: Seconds::new(0.1) }).await.unwrap_err();
            assert_eq!(error.kind, ErrorKind::OutOfRange, "{error}");
        }
        // A long way up is cut off by making safe, and nothing follows it.
        let tone = Tone { amplitude: Volts::new(2.0), ..tone };
        source.set_tone(&permit, Transition { tone, over: Seconds::new(100.0) }).await.unwrap();
        let proof = opened.safe.make_safe(StopReason::Trip).await.unwrap();
        assert!(proof.is_safe() && proof.drive == Some(Volts::new(0.0)) && proof.muted.is_none());
        let after = peer.told();
        assert_eq!(after[after.len() - 3..], ["SOUR1:VOLT 0.000000", "OUTP1 OFF", "OUTP1?"]);
        let source = opened.source.as_mut().unwrap();
        let error = source.set_tone(&permit, Transition { tone, over: Seconds::new(0.1) }).await.unwrap_err();
        assert!(error.detail.contains("withdrawn"), "{error}");
        // Driven again, and left alone by the daemon.
        let permit = issuer.grant(Volts::new(2.0));
        hosts.leave(permit.generation());
        source.set_tone(&permit, Transition { tone, over: Seconds::new(0.1) }).await.unwrap();
        let before = peer.told().len();
        drop(opened);
        let safe = || peer.told()[before..].iter().any(|t| t == "OUTP1 OFF").then_some(());
        wait_for("the output's end", safe).unwrap();
        let (refused, _) = open("sine_source.py", Some("S-8"), settings).await;
        assert_eq!(refused.err().unwrap().kind, ErrorKind::BadData);
        let (refused, _) = open("sine_source.py", None, json!({ "tcp": "127.0.0.1:1" })).await;
        assert!(refused.err().unwrap().detail.contains("frequency_hz_max"));
    });
}

#[test]
fn a_source_that_does_not_answer_is_a_time_out_and_no_empty_value() {
    let peer = SourcePeer::default();
    let address = peer.listen().unwrap().to_string();
    run(async {
        let settings = json!({ "tcp": address, "frequency_hz_max": 2e4, "amplitude_v_peak_max": 5.0 });
        let (opened, _) = open("sine_source.py", None, settings).await;
        let opened = opened.unwrap();
        peer.be_deaf(true);
        // Nor does the one that takes its place get an answer.
        let error = opened.safe.make_safe(StopReason::Operator).await.unwrap_err();
        assert!(error.detail.contains("no answer to 'OUTP1?'"), "{error}");
        peer.be_deaf(false);
        assert!(opened.safe.make_safe(StopReason::Operator).await.unwrap().is_safe());
    });
}

#[test]
fn the_acquisition_loses_nothing_in_silence() {
    let address = frame_peer(0.005).unwrap().to_string();
    run(async {
        let (opened, _hosts) = open("frame_acquisition.py", Some("F-3"), json!({ "tcp": address })).await;
        let mut opened = opened.unwrap();
        let acquisition = opened.acquisition.as_mut().unwrap();
        let channels = (0..4).map(|input| ChannelRequest { input, range: Volts::new(10.0) }).collect();
        let want = AcquisitionRequest { rate: SamplesPerSecond::new(51200.0), frames: 256, channels };
        assert_eq!(acquisition.configure(&want).await.unwrap(), want);
        for _ in 0..2 {
            acquisition.start().await.unwrap();
            let mut next = SampleIndex(0);
            for _ in 0..50 {
                let block = acquisition.next_block(Seconds::new(20.0)).await.unwrap().unwrap();
                trusted(&block).unwrap();
                assert_eq!(block.first_sample, next + block.gap_before);
                assert_eq!(block.overload(), [false, true, false, false]);
                next = block.end();
            }
            acquisition.stop().await.unwrap();
        }
        assert_eq!(opened.safe.make_safe(StopReason::RunEnded).await.unwrap().muted, None);
    });
}

#[test]
fn the_skeleton_lives_and_ends_as_the_protocol_says() {
    let program = root().join("examples/plug-ins/skeleton.py");
    let hello = |version: &str, limit: f64| {
        json!({ "protocol": version, "instrument": "x", "driver": "plug-in", "latency_s": 0, "settings": {},
            "reply_limit_s": 1.0, "heartbeat_limit_s": limit })
    };
    let mut wire = Wire::start(&program, []).unwrap();
    assert!(wire.call("ambient.read", json!({})).unwrap_err().to_string().contains("say hello first"));
    assert!(wire.call("hello", hello("2.0", 600.0)).unwrap_err().to_string().contains("-32005"));
    assert_eq!(wire.call("hello", hello("1.3", 600.0)).unwrap()["protocol"], "1.0");
    let read = json!({ "temperature_degc": 23.0, "humidity_percent": null });
    assert_eq!(wire.call("ambient.read", json!({})).unwrap(), read);
    for garbage in
        [&b"{\n"[..], b"[]\n", b"\xff\n", b"{\"jsonrpc\":\"2.0\",\"id\":-1,\"method\":\"hello\"}\n"]
    {
        wire.write(garbage).unwrap();
        assert!(wire.line().unwrap()["id"].is_null());
    }
    wire.write(&[vec![b'x'; 5 << 20], vec![b'\n']].concat()).unwrap();
    assert!(wire.line().unwrap()["error"]["message"].as_str().unwrap().contains("too long"));
    assert_eq!(
        wire.call("make_safe", json!({ "reason": "start" })).unwrap(),
        json!({ "drive_v_peak": null, "muted": null })
    );
    assert!(wire.call("source.set_tone", json!({})).unwrap_err().to_string().contains("unsupported"));
    wire.end_input();
    assert_eq!(wire.ended().unwrap(), Some(0));
    // Silence ends it too.
    let mut silent = Wire::start(&program, []).unwrap();
    silent.call("hello", hello("1.0", 0.3)).unwrap();
    assert_eq!(silent.ended().unwrap(), Some(0));
}
