//! The host's side, spoken to line by line.

use super::notes;
use rustix::process::Signal;
use serde_json::{Value, json};
use std::path::Path;
use tests::host::{KIND, Wire, is_alive, path_of_test_host, signal, wait_for};

fn hello(notes: &Path, heartbeat_limit_s: f64, settings: Value) -> Value {
    let mut all = settings;
    all["notes"] = json!(notes.display().to_string());
    json!({
        "protocol": "1.0", "instrument": "box", "driver": KIND, "latency_s": 0.0, "settings": all,
        "reply_limit_s": 1.0, "heartbeat_limit_s": heartbeat_limit_s,
    })
}

fn start() -> Wire {
    Wire::start(path_of_test_host().unwrap(), []).unwrap()
}

/// A host that said hello and waits for no heartbeat within a test's time.
fn greeted(notes: &Path, settings: Value) -> Wire {
    let mut wire = start();
    let said = wire.call("hello", hello(notes, 600.0, settings)).unwrap();
    assert_eq!(said["identity"]["serial"], "N-1");
    wire
}

fn permit(generation: u64, ceiling: f64) -> Value {
    json!({ "generation": generation, "ceiling_v_peak": ceiling })
}

fn tone(generation: u64, ceiling: f64, drive: f64) -> Value {
    json!({ "permit": permit(generation, ceiling), "frequency_hz": 80.0, "amplitude_v_peak": drive, "over_s": 0.1 })
}

#[test]
fn hello_comes_first_and_agrees_on_a_version() {
    let (_folder, path, notes) = notes();
    let mut wire = start();
    let refused = |wire: &mut Wire, version: &str| {
        let mut hello = hello(&path, 600.0, json!({}));
        hello["protocol"] = json!(version);
        wire.call("hello", hello).unwrap_err().to_string()
    };
    assert!(
        wire.call("source.set_tone", tone(1, 1.0, 1.0)).unwrap_err().to_string().contains("say hello first")
    );
    assert!(wire.call("make_safe", json!({ "reason": "start" })).is_err());
    let said = refused(&mut wire, "2.0");
    assert!(
        said.contains("\"unsupported\"") && said.contains("-32005") && said.contains("this side has"),
        "{said}"
    );
    assert!(refused(&mut wire, "one").contains("-32602"));
    let mut later = hello(&path, 600.0, json!({}));
    later["protocol"] = json!("1.9");
    later["of_a_later_version"] = json!([1, 2]);
    let said = wire.call("hello", later).unwrap();
    assert_eq!(said["protocol"], "1.0");
    assert_eq!(said["safe_ms"], 500.0);
    assert_eq!(said["transfer_ms"], 10.0);
    assert_eq!(said["roles"]["source"]["amplitude_v_peak_max"], 5.0);
    assert_eq!(said["roles"]["acquisition"]["continuity"], "continuous");
    assert_eq!(notes.lines(), ["open"]);
    assert!(wire.call("hello", hello(&path, 600.0, json!({}))).is_err(), "a second hello");
}

#[test]
fn every_role_answers_in_the_units_of_the_protocol() {
    let (_folder, path, _) = notes();
    let mut wire = greeted(&path, json!({}));
    assert_eq!(
        wire.call("ambient.read", json!({})).unwrap(),
        json!({ "temperature_degc": 23.25, "humidity_percent": 40.0 })
    );
    assert_eq!(
        wire.call("contacts.read", json!({})).unwrap(),
        json!({ "emergency_stop_closed": true, "inputs": [true, false] })
    );
    assert_eq!(
        wire.call("contacts.set_output", json!({ "output": 2, "on": true })).unwrap(),
        json!({ "on": true })
    );
    assert_eq!(
        wire.call("amplifier.unmute", json!({ "permit": permit(1, 1.0) })).unwrap(),
        json!({ "muted": false, "fault": false, "clipping": null })
    );
    assert_eq!(
        wire.call("source.set_tone", tone(1, 1.0, 0.5)).unwrap(),
        json!({ "frequency_hz": 80.0, "amplitude_v_peak": 0.5, "over_s": 0.1 })
    );
    // What is no number is null and flagged.
    assert_eq!(
        wire.call("ambient.read", json!({})).unwrap(),
        json!({ "temperature_degc": null, "humidity_percent": 40.0, "not_finite": ["temperature_degc"] })
    );
    assert!(wire.call("source.sing", json!({})).unwrap_err().to_string().contains("-32601"));
    assert!(wire.call("sing", json!({})).unwrap_err().to_string().contains("-32601"));
    assert!(wire.call("source.set_tone", json!({})).unwrap_err().to_string().contains("-32602"));
    assert!(wire.call("source.set_tone", tone(1, 9.0, 0.5)).unwrap_err().to_string().contains("can't rise"));
    assert_eq!(
        wire.call("make_safe", json!({ "reason": "run_ended" })).unwrap(),
        json!({ "drive_v_peak": 0.0, "muted": true })
    );
}

#[test]
fn a_permit_that_is_stale_or_exceeded_never_reaches_the_instrument() {
    let (_folder, path, notes) = notes();
    let mut wire = greeted(&path, json!({}));
    let mut refused = |params: Value, why: &str| {
        let said = wire.call("source.set_tone", params).unwrap_err().to_string();
        assert!(said.contains("out_of_range") && said.contains(why), "{said}");
    };
    refused(tone(0, 1.0, 0.5), "withdrawn");
    refused(tone(4, 1.0, 1.01), "beyond the ceiling");
    refused(tone(3, 1.0, 0.5), "withdrawn");
    refused(tone(4, 1.0, -0.5), "beyond the ceiling");
    assert_eq!(notes.count("set_tone"), 0);
    wire.call("source.set_tone", tone(4, 1.0, 1.0)).unwrap();
    wire.call("make_safe", json!({ "reason": "trip" })).unwrap();
    assert!(wire.call("source.set_tone", tone(4, 1.0, 0.5)).is_err());
    assert!(wire.call("amplifier.unmute", json!({ "permit": permit(4, 1.0) })).is_err());
    wire.call("source.set_tone", tone(5, 1.0, 0.5)).unwrap();
    wire.beat(0, None).unwrap();
    assert!(wire.call("source.set_tone", tone(5, 1.0, 0.5)).is_err());
    assert_eq!(notes.lines(), ["open", "set_tone 80 1", "make_safe Trip", "set_tone 80 0.5"]);
}

#[test]
fn make_safe_is_answered_while_another_call_hangs() {
    for hang in ["set_tone", "set_tone_blocking"] {
        let (_folder, path, notes) = notes();
        let mut wire = greeted(&path, json!({ "hang": hang }));
        let hung = wire.ask("source.set_tone", tone(1, 1.0, 0.5)).unwrap();
        wait_for("the call that hangs", || (notes.count("set_tone") == 1).then_some(())).unwrap();
        let id = wire.ask("make_safe", json!({ "reason": "operator" })).unwrap();
        let line = wire.line().unwrap();
        assert!(line["id"] == id && line["result"]["muted"] == true, "{line}");
        if hang == "set_tone" {
            // Bounded by the reply limit, and undone, for leave is gone.
            let said = wire.answer(hung).unwrap_err().to_string();
            assert!(said.contains("withdrawn during the call"), "{said}");
            assert_eq!(notes.count("make_safe"), 2);
        }
        // The other roles live on, and the host ends with its input.
        wire.call("contacts.read", json!({})).unwrap();
        wire.end_input();
        assert_eq!(wire.ended().unwrap(), Some(0));
        assert_eq!(notes.lines().last().unwrap(), "make_safe LinkLost");
    }
}

#[test]
fn a_drive_that_ends_after_leave_was_withdrawn_is_undone() {
    let (_folder, path, notes) = notes();
    let mut wire = greeted(&path, json!({ "hang": "set_tone_slow" }));
    let slow = wire.ask("source.set_tone", tone(1, 1.0, 0.5)).unwrap();
    wait_for("the slow call", || (notes.count("set_tone") == 1).then_some(())).unwrap();
    wire.call("make_safe", json!({ "reason": "trip" })).unwrap();
    assert!(wire.answer(slow).unwrap_err().to_string().contains("made safe again"));
    assert_eq!(notes.lines(), ["open", "set_tone 80 0.5", "make_safe Trip", "make_safe LinkLost"]);
}

#[test]
fn the_end_of_the_input_makes_safe_also_within_a_line() {
    for torn in ["", "{\"jsonrpc\":\"2.0\",\"id\":9,\"met"] {
        let (_folder, path, notes) = notes();
        let mut wire = greeted(&path, json!({}));
        wire.call("source.set_tone", tone(1, 1.0, 0.5)).unwrap();
        wire.write(torn.as_bytes()).unwrap();
        wire.end_input();
        assert_eq!(wire.ended().unwrap(), Some(0));
        assert_eq!(notes.lines(), ["open", "set_tone 80 0.5", "make_safe LinkLost"]);
    }
    let mut never_greeted = start();
    never_greeted.end_input();
    assert_eq!(never_greeted.ended().unwrap(), Some(0));
}

#[test]
fn signals_make_safe() {
    for kind in [Signal::TERM, Signal::INT] {
        let (_folder, path, notes) = notes();
        let mut wire = greeted(&path, json!({}));
        wire.call("source.set_tone", tone(1, 1.0, 0.5)).unwrap();
        signal(wire.process(), kind).unwrap();
        assert_eq!(wire.ended().unwrap(), Some(0));
        assert_eq!(notes.lines().last().unwrap(), "make_safe LinkLost");
    }
}

#[test]
fn silence_and_a_heart_without_judgement_make_safe() {
    // Silence.
    let (_folder, path, notes) = notes();
    let mut wire = start();
    wire.call("hello", hello(&path, 0.3, json!({}))).unwrap();
    assert_eq!(wire.ended().unwrap(), Some(0));
    assert_eq!(notes.lines(), ["open", "make_safe LinkLost"]);
    // Heartbeats of a loop that judges nothing any more: believed before there is leave, not with it.
    let mut wire = start();
    wire.call("hello", hello(&path, 0.5, json!({}))).unwrap();
    for _ in 0..30 {
        wire.beat(0, Some(7)).unwrap();
        std::thread::sleep(std::time::Duration::from_millis(30));
    }
    wire.call("source.set_tone", tone(1, 1.0, 0.5)).unwrap();
    wait_for("its end, though the heart beats", || {
        let _ = wire.beat(1, Some(7));
        (!is_alive(wire.process())).then_some(())
    })
    .unwrap();
    assert_eq!(notes.lines().last().unwrap(), "make_safe LinkLost");
}

#[test]
fn a_full_pipe_holds_up_neither_sampling_nor_make_safe_and_what_is_lost_is_counted() {
    let (_folder, path, notes) = notes();
    let mut wire = start();
    // Not read from now on; requests are written blind.
    wire.ask("hello", hello(&path, 600.0, json!({}))).unwrap();
    wait_for("the opening", || (notes.count("open") == 1).then_some(())).unwrap();
    let channels: Vec<Value> = (0..4).map(|n| json!({ "input": n, "range_v_peak": 10.0 })).collect();
    // Asked again until the opening is over and it starts; each refusal is a short line.
    wait_for("the start", || {
        let configure = json!({ "rate_hz": 51200.0, "block_samples": 2048, "channels": channels });
        wire.ask("acquisition.configure", configure).ok()?;
        wire.ask("acquisition.start", json!({})).ok()?;
        (notes.count("start") > 0).then_some(())
    })
    .unwrap();
    // 44 kB a block: a pipe of 64 KiB and a bounded queue are full long before.
    wait_for("sampling that goes on", || (notes.count("blocks 1024") >= 1).then_some(())).unwrap();
    wire.ask("make_safe", json!({ "reason": "trip" })).unwrap();
    wait_for("make_safe behind a full pipe", || (notes.count("make_safe Trip") == 1).then_some(())).unwrap();
    let (mut blocks, mut lost, mut next) = (0, 0, None);
    while lost == 0 || blocks < 20 {
        let line = wire.line().unwrap();
        if line["method"] != "acquisition.block" {
            continue;
        }
        let params = &line["params"];
        let (first, gap) =
            (params["first_sample"].as_u64().unwrap(), params["gap_before_samples"].as_u64().unwrap());
        // A start that was asked for twice begins anew.
        if let Some(next) = next.filter(|_| first > 0) {
            assert_eq!(first, next + gap, "after {blocks} blocks");
        }
        let block = drivers::protocol::read_block(line.to_string().as_bytes()).unwrap();
        tests::host::trusted(&block).unwrap();
        (blocks, lost, next) = (blocks + 1, lost + gap, Some(block.end().0));
    }
}

#[test]
fn lines_that_are_no_messages_are_answered_and_change_nothing() {
    let (_folder, path, notes) = notes();
    let mut wire = greeted(&path, json!({}));
    for (garbage, code) in [
        (&b"no json at all\n"[..], -32700),
        (b"\xff\xfe\x00\n", -32700),
        (b"[]\n", -32600),
        (b"{\"jsonrpc\":\"2.0\",\"id\":\"x\",\"method\":\"make_safe\"}\n", -32600),
        (b"\n", -32700),
    ] {
        wire.write(garbage).unwrap();
        let line = wire.line().unwrap();
        assert!(line["id"].is_null() && line["error"]["code"] == code, "{line}");
    }
    let mut long = vec![b' '; 5 << 20];
    long.extend(b"{\"jsonrpc\":\"2.0\",\"id\":5,\"method\":\"contacts.set_output\",\"params\":{\"output\":0,\"on\":true}}\n");
    wire.write(&long).unwrap();
    assert!(wire.line().unwrap()["error"]["message"].as_str().unwrap().contains("too long"));
    wire.call("contacts.read", json!({})).unwrap();
    assert_eq!(notes.lines(), ["open"]);
}
