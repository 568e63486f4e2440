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
use std::io::{BufRead, BufReader, Write};
use std::sync::Arc;
use tests::host::{FramePeer, SourcePeer, Wire, frame_peer, trusted, wait_for};
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

fn hello(settings: &Value) -> Value {
    json!({ "protocol": "1.0", "instrument": "x", "driver": "plug-in", "latency_s": 0, "settings": settings,
        "reply_limit_s": 5.0, "heartbeat_limit_s": 600.0 })
}

/// A source whose host was greeted and made safe.
fn greeted(settings: &Value) -> Wire {
    let mut wire = Wire::start(&root().join("examples/plug-ins/sine_source.py"), []).unwrap();
    wire.call("hello", hello(settings)).unwrap();
    wire.call("make_safe", json!({ "reason": "start" })).unwrap();
    wire
}

fn tone(generation: u64, amplitude: f64, over: f64) -> Value {
    json!({ "permit": { "generation": generation, "ceiling_v_peak": 2.0 }, "frequency_hz": 80.04,
        "amplitude_v_peak": amplitude, "over_s": over })
}

fn of_source(peer: &SourcePeer, more: &[(&str, &str)]) -> Value {
    let address = peer.listen().unwrap().to_string();
    let mut settings = json!({ "tcp": address, "frequency_hz_max": 2e4, "amplitude_v_peak_max": 5.0 });
    more.iter().for_each(|(name, value)| settings[*name] = (*value).into());
    settings
}

/// A read-back that is no number is no 0 V: the end is tried three times, and is no good one.
#[test]
fn a_source_that_reads_back_no_number_does_not_end_in_good_order() {
    let peer = SourcePeer::default();
    let mut wire = greeted(&of_source(&peer, &[]));
    peer.say("OUTP1?", "1");
    peer.say("SOUR1:VOLT?", "NAN");
    let proof = wire.call("make_safe", json!({ "reason": "operator" })).unwrap();
    assert_eq!(proof["not_finite"], json!(["drive_v_peak"]));
    wire.end_input();
    assert_eq!(wire.ended().unwrap(), Some(4));
    assert_eq!(peer.told().iter().filter(|t| *t == "OUTP1?").count(), 1 + 1 + 3);
}

/// What goes out is never above the wish, and what is answered is what went out.
#[test]
fn the_source_answers_what_its_command_says() {
    let peer = SourcePeer::default();
    let coarse = [("amplitude", "SOUR1:VOLT {v_peak:.2f}"), ("frequency", "SOUR1:FREQ {hz:.1f}")];
    let settings = of_source(&peer, &coarse);
    let mut wire = greeted(&settings);
    let applied = wire.call("source.set_tone", tone(1, 0.126, 0.0)).unwrap();
    assert_eq!(applied, json!({ "frequency_hz": 80.0, "amplitude_v_peak": 0.12, "over_s": 0.0 }));
    let heard = || peer.told().iter().filter_map(|t| volts(t)).next_back().filter(|v| *v > 0.0);
    assert_eq!(wait_for("the amplitude", heard).ok(), Some(0.12));
    // What the text says exactly stays as it is.
    let applied = wire.call("source.set_tone", tone(1, 0.3, 0.0)).unwrap();
    assert_eq!(applied["amplitude_v_peak"], 0.3);
    let mut wrong = settings;
    wrong["amplitude"] = "SOUR1:VOLT {v_peak:g}".into();
    let mut wire = Wire::start(&root().join("examples/plug-ins/sine_source.py"), []).unwrap();
    let refused = wire.call("hello", hello(&wrong)).unwrap_err().to_string();
    assert!(refused.contains("write such as {v_peak:.6f}"), "{refused}");
}

/// A generator whose link was lost may have been switched off meanwhile: it is not driven before it was made safe, is told its
/// frequency again, and has to be the same one.
#[test]
fn a_source_whose_link_was_lost_is_made_safe_before_it_drives_again() {
    let peer = SourcePeer::default();
    let mut wire = greeted(&of_source(&peer, &[]));
    wire.call("source.set_tone", tone(1, 1.0, 0.0)).unwrap();
    // A ramp breaks off after its call was answered: the next call says so.
    wire.call("source.set_tone", tone(1, 2.0, 100.0)).unwrap();
    peer.hang_up();
    let mut refused = String::new();
    wait_for("the ramp's end", || {
        refused = wire.call("source.output_off", json!({ "over_s": 0.0 })).err()?.to_string();
        Some(())
    })
    .unwrap();
    assert!(refused.contains("-32002"), "{refused}");
    let refused = wire.call("source.set_tone", tone(1, 1.0, 0.0)).unwrap_err().to_string();
    assert!(refused.contains("make the instrument safe first"), "{refused}");
    let safe = json!({ "drive_v_peak": 0.0, "muted": null });
    assert_eq!(wire.call("make_safe", json!({ "reason": "trip" })).unwrap(), safe);
    let before = peer.told().len();
    wire.call("source.set_tone", tone(2, 1.0, 0.0)).unwrap();
    let told = wait_for("the frequency", || peer.told().get(before).cloned()).unwrap();
    assert_eq!(told, "SOUR1:FREQ 80.040000");
    peer.hang_up();
    peer.say("*IDN?", "nobody,sine,S-8,1");
    let refused = wait_for("another generator's answer", || {
        let refused = wire.call("make_safe", json!({ "reason": "trip" })).err()?.to_string();
        refused.contains("in place of").then_some(refused)
    })
    .unwrap();
    assert!(refused.contains("-32007"), "{refused}");
}

/// The limit holds for the whole answer, not for each piece of it.
#[test]
fn a_source_that_answers_a_letter_at_a_time_is_a_time_out() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = listener.local_addr().unwrap().to_string();
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            std::thread::spawn(move || {
                let mut out = &stream;
                for line in BufReader::new(&stream).lines().map_while(Result::ok) {
                    if line == "*IDN?" {
                        let _ = out.write_all(b"nobody,drip,1,1\n");
                    }
                    while line == "OUTP1?" && out.write_all(b"0").is_ok() {
                        std::thread::sleep(std::time::Duration::from_millis(50));
                    }
                }
            });
        }
    });
    let settings = json!({ "tcp": address, "frequency_hz_max": 2e4, "amplitude_v_peak_max": 5.0 });
    let mut wire = Wire::start(&root().join("examples/plug-ins/sine_source.py"), []).unwrap();
    wire.call("hello", hello(&settings)).unwrap();
    let refused = wire.call("make_safe", json!({ "reason": "start" })).unwrap_err().to_string();
    assert!(refused.contains("no answer to 'OUTP1?' within 0.1 s"), "{refused}");
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

/// A frame may hold more than a line: it is handed on in pieces, and none of it is lost.
#[test]
fn a_block_longer_than_a_line_comes_in_pieces() {
    let address = frame_peer(0.5).unwrap().to_string();
    run(async {
        let (opened, _hosts) = open("frame_acquisition.py", None, json!({ "tcp": address })).await;
        let mut opened = opened.unwrap();
        let acquisition = opened.acquisition.as_mut().unwrap();
        let channels = (0..4).map(|input| ChannelRequest { input, range: Volts::new(10.0) }).collect();
        let want = AcquisitionRequest { rate: SamplesPerSecond::new(51200.0), frames: 250_000, channels };
        acquisition.configure(&want).await.unwrap();
        acquisition.start().await.unwrap();
        let mut next = SampleIndex(0);
        while next < SampleIndex(500_000) {
            let block = acquisition.next_block(Seconds::new(20.0)).await.unwrap().unwrap();
            trusted(&block).unwrap();
            assert_eq!((block.first_sample, block.gap_before.0), (next, 0));
            assert_eq!(block.overload(), [false, true, false, false]);
            next = block.end();
        }
        acquisition.stop().await.unwrap();
    });
}

/// Numbers go out as the shortest that read back the same, never with an exponent; an answer that comes twice is one that
/// nobody asked for.
#[test]
fn the_acquisition_says_what_it_means_and_hears_its_own_answers() {
    let peer = FramePeer::default();
    let settings = json!({ "tcp": peer.listen().unwrap().to_string() });
    let mut wire = Wire::start(&root().join("examples/plug-ins/frame_acquisition.py"), []).unwrap();
    wire.call("hello", hello(&settings)).unwrap();
    let configure = |rate_hz: f64| json!({ "rate_hz": rate_hz, "block_samples": 1024, "channels": [{ "input": 0, "range_v_peak": 0.00001 }] });
    for (rate_hz, written) in [(48_828.125, "48828.125"), (1_048_576.0, "1048576")] {
        assert_eq!(wire.call("acquisition.configure", configure(rate_hz)).unwrap()["rate_hz"], rate_hz);
        let told = peer.told().pop().unwrap();
        assert_eq!(told, format!("CONFIGURE rate={written} frames=1024 channels=0:0.00001"));
    }
    peer.answer_twice();
    let refused = wait_for("the second answer", || {
        let again = wire.call("acquisition.configure", configure(1000.0));
        again.err().map(|error| error.to_string())
    })
    .unwrap();
    assert!(refused.contains("-32008") && refused.contains("nobody asked for"), "{refused}");
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
