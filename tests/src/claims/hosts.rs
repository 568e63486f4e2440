//! What an instrument in a process of its own costs, and what becomes of lines that are no messages.

use crate::Figure;
use crate::host::{Wire, factory, frame_peer, instrument, path_of_test_host, trusted};
use crate::program::{Built, root};
use anyhow::{Context, Result, bail, ensure};
use drivers::client::{Hosted, HostedOptions, PlugIns, Program};
use drivers::protocol::{
    Configure, Hello, Introduction, Line, LineReader, Message, params, parse, read_block, result,
};
use drivers::{AcquisitionRequest, ChannelRequest, DriverFactory, Opened, Registry, StopReason};
use plan_schema::units::{SampleIndex, SamplesPerSecond, Seconds, Volts};
use serde_json::{Value, json};
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::time::Duration;

const RATE: f64 = 51_200.0;
/// Samples per channel in a block: 20 ms.
const FRAMES: u32 = 1024;

/// Share of one core that a stream costs, by processes.
struct Cost {
    host: f64,
    daemon: f64,
    seconds: f64,
    lost: u64,
}

/// Cost of a stream in real time through a child: 16 and 64 channels through one of ours, 16 through the Python plug-in.
///
/// # Errors
/// Where a stream did not come through, or came through wrong.
pub fn cost(full: bool) -> Result<Vec<Figure>> {
    let seconds = if full { 30.0 } else { 4.0 };
    // A build without optimisation says nothing about the program that people run.
    let most = if Built::here()?.profile == "dev" { f64::INFINITY } else { 5.0 };
    let mut figures = Vec::new();
    for (channels, limit) in [(16, most), (64, f64::INFINITY)] {
        figures.push(figure(
            "host and daemon together, Rust",
            channels,
            limit,
            &ours(channels, seconds)?,
            true,
        ));
    }
    figures.push(figure("the Python plug-in alone", 16, f64::INFINITY, &python(16, seconds)?, false));
    Ok(figures)
}

fn figure(who: &str, channels: u32, limit: f64, cost: &Cost, both: bool) -> Figure {
    let Cost { host, daemon, seconds, lost } = cost;
    let parts = if both { format!("host {host:.2} %, daemon {daemon:.2} %, ") } else { String::new() };
    Figure {
        what: format!("share of one core for {channels} channels at 51.2 kS/s, {who}"),
        value: if both { host + daemon } else { *host },
        limit,
        unit: "%",
        sample: format!(
            "{parts}{seconds:.1} s in blocks of 20 ms, every sample compared at the start, {lost} lost"
        ),
        seeds: vec![],
    }
}

fn runtime() -> Result<tokio::runtime::Runtime> {
    Ok(tokio::runtime::Builder::new_current_thread().enable_time().build()?)
}

const OPTIONS: HostedOptions =
    HostedOptions { reply_limit: Seconds::new(10.0), heartbeat_limit: Seconds::new(20.0) };

fn ours(channels: u32, seconds: f64) -> Result<Cost> {
    let folder = tempfile::tempdir()?;
    let program = Program::new(path_of_test_host()?.to_owned(), []);
    let hosted = Hosted::new(factory(), program, Registry::default().hosts().clone(), OPTIONS);
    let one = instrument(&folder.path().join("notes"), json!({ "frames_per_s": RATE }));
    runtime()?.block_on(async {
        let opened = hosted.open(&one).await?;
        let process = opened.identity.firmware.parse()?;
        stream(opened, channels, seconds, process).await
    })
}

fn python(channels: u32, seconds: f64) -> Result<Cost> {
    let address = frame_peer(f64::from(FRAMES) / RATE)?;
    let plug_ins =
        PlugIns::new(vec![root().join("examples/plug-ins")], Registry::default().hosts().clone(), OPTIONS);
    let mut one = instrument(Path::new(""), json!({}));
    (one.driver, one.serial) = ("plug-in".to_owned(), None);
    let settings = json!({ "program": "frame_acquisition.py", "tcp": address.to_string() });
    one.settings.0 = settings.as_object().cloned().unwrap_or_default();
    runtime()?.block_on(async {
        let opened = plug_ins.open(&one).await?;
        let process = child_named("frame_acquisition.py")?;
        stream(opened, channels, seconds, process).await
    })
}

async fn stream(mut opened: Opened, channels: u32, seconds: f64, host: u32) -> Result<Cost> {
    let acquisition = opened.acquisition.as_mut().context("no acquisition")?;
    let channels = (0..channels).map(|input| ChannelRequest { input, range: Volts::new(10.0) }).collect();
    let want = AcquisitionRequest { rate: SamplesPerSecond::new(RATE), frames: FRAMES, channels };
    acquisition.configure(&want).await?;
    acquisition.start().await?;
    let mut before = None;
    let (mut next, mut lost) = (SampleIndex(0), 0);
    loop {
        let block = acquisition.next_block(Seconds::new(20.0)).await?.context("no block came")?;
        ensure!(block.first_sample == next + block.gap_before, "blocks do not follow each other");
        lost += block.gap_before.0;
        next = block.end();
        if next.0 <= 10 * u64::from(FRAMES) {
            // Comparing is the test's cost, not the stream's.
            trusted(&block)?;
            continue;
        }
        let (from, host_before, own_before) = *before.get_or_insert((
            block.first_sample.0,
            processor_s(host)?,
            processor_s(std::process::id())?,
        ));
        let passed = (next.0 - from) as f64 / RATE;
        if passed >= seconds {
            let share = |before: f64, process| {
                Ok::<_, anyhow::Error>(100.0 * (processor_s(process)? - before) / passed)
            };
            let (host, daemon) = (share(host_before, host)?, share(own_before, std::process::id())?);
            acquisition.stop().await?;
            return Ok(Cost { host, daemon, seconds: passed, lost });
        }
    }
}

/// Processor time of a process, user and system, in seconds. The kernel counts it in hundredths for programs.
fn processor_s(process: u32) -> Result<f64> {
    let stat = fs::read_to_string(format!("/proc/{process}/stat"))?;
    let (_, rest) = stat.rsplit_once(") ").context("no line of /proc/PID/stat")?;
    // Fields 14 and 15 of proc(5); the state is field 3.
    let ticks: Result<Vec<f64>, _> = rest.split(' ').skip(11).take(2).map(str::parse).collect();
    Ok(ticks?.iter().sum::<f64>() / 100.0)
}

/// The child of this process whose command line holds a name.
fn child_named(name: &str) -> Result<u32> {
    let own = std::process::id().to_string();
    for entry in fs::read_dir("/proc")?.flatten() {
        let Some(process) = entry.file_name().to_str().and_then(|n| n.parse::<u32>().ok()) else {
            continue;
        };
        let read = |file: &str| fs::read_to_string(entry.path().join(file)).unwrap_or_default();
        let stat = read("stat");
        let parent = stat.rsplit_once(") ").and_then(|(_, rest)| rest.split(' ').nth(1).map(str::to_owned));
        if parent.as_deref() == Some(own.as_str()) && read("cmdline").contains(name) {
            return Ok(process);
        }
    }
    bail!("no child of this process is called {name}")
}

/// Lines that are no messages: those that crash host or client, or pass for something.
///
/// # Errors
/// Where a host can't be started.
pub fn fuzzed(full: bool) -> Result<Vec<Figure>> {
    let (lines, rounds, seed) = if full { (1_000_000, 400, 7) } else { (20_000, 20, 7) };
    let mut draw = Draw(seed);
    let broken = in_process(lines, &mut draw);
    let by_host = into_a_host(lines / 20, &mut draw)?;
    let by_client = into_a_client(rounds, &mut draw)?;
    Ok(vec![Figure {
        what: "JSON-RPC lines, broken at random, that crash host or client or pass as data".to_owned(),
        value: (broken + by_host + by_client) as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{lines} lines through the readers, {} into a host, {rounds} hosts that say 20 broken lines",
            lines / 20
        ),
        seeds: vec![seed],
    }])
}

/// SplitMix64 (Steele, Lea, Flood 2014): enough for breaking lines, and the same on every machine.
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.next() % (end.max(1) as u64)).unwrap_or(0)
    }
}

/// What a host may be sent; the permit is of no leave, so nothing of it ever drives.
fn to_host() -> Vec<String> {
    let permit = json!({ "generation": 0, "ceiling_v_peak": 0.0 });
    let tone = json!({ "permit": permit, "frequency_hz": 80.0, "amplitude_v_peak": 1.0, "over_s": 0.1 });
    let channels = json!([{ "input": 0, "range_v_peak": 1.0 }]);
    [
        json!({ "jsonrpc": "2.0", "id": 900_001, "method": "source.set_tone", "params": tone }),
        json!({ "jsonrpc": "2.0", "id": 900_002, "method": "amplifier.unmute", "params": { "permit": permit } }),
        json!({ "jsonrpc": "2.0", "id": 900_003, "method": "acquisition.configure",
            "params": { "rate_hz": 1.0, "block_samples": 1, "channels": channels } }),
        json!({ "jsonrpc": "2.0", "method": "heartbeat", "params": { "generation": 0, "judged_samples": 5 } }),
    ]
    .map(|line| line.to_string())
    .to_vec()
}

/// What a client may be sent.
fn to_client() -> Vec<String> {
    [
        json!({ "jsonrpc": "2.0", "id": 1, "result": { "emergency_stop_closed": true, "inputs": [true] } }),
        json!({ "jsonrpc": "2.0", "id": 1, "error": { "code": -32001, "message": "x", "data": { "kind": "timeout" } } }),
        json!({ "jsonrpc": "2.0", "method": "acquisition.block", "params": { "first_sample": 3,
            "gap_before_samples": 3, "channels": ["AACAPwAAAMA=", "AAAAPwAAAD8="], "overload": [false, true] } }),
        json!({ "jsonrpc": "2.0", "method": "acquisition.failed", "params": { "code": -32002, "message": "y" } }),
    ]
    .map(|line| line.to_string())
    .to_vec()
}

/// A line with one thing wrong; never one that is as it was, nor with an end of line in it.
fn broken(lines: &[String], draw: &mut Draw) -> Vec<u8> {
    let line = lines.get(draw.below(lines.len())).map_or(&b""[..], |l| l.as_bytes());
    loop {
        let mut bytes = line.to_vec();
        let (from, to) = (draw.below(bytes.len()), draw.below(bytes.len()));
        let (from, to) = (from.min(to), from.max(to));
        let noise: Vec<u8> = (0..draw.below(12)).map(|_| draw.next().to_le_bytes()[0]).collect();
        match draw.below(6) {
            0 => bytes.truncate(from),
            1 => drop(bytes.drain(from..to)),
            2 => drop(bytes.splice(from..from, noise)),
            3 => bytes.splice(from..to, noise).for_each(drop),
            4 => {
                let piece = bytes.get(from..to).unwrap_or(&[]).to_vec();
                bytes.splice(to..to, piece).for_each(drop);
            }
            _ => bytes = noise,
        }
        if bytes != line && !bytes.contains(&b'\n') {
            return bytes;
        }
    }
}

/// Every reader of lines, on every line.
fn in_process(count: usize, draw: &mut Draw) -> usize {
    let lines = [to_host(), to_client()].concat();
    let look = |line: &[u8]| {
        let mut reader = LineReader::new(line);
        let whole = matches!(reader.next_line(), Ok(Line::Whole(_) | Line::Torn | Line::End));
        let understood = matches!(parse(line), Ok(Message::Reply { .. }));
        let _ = (params::<Hello>(line), params::<Configure>(line), result::<Introduction>(line));
        // What passes for a block hangs together, all of it numbers.
        let sound = read_block(line).is_ok_and(|block| {
            let finite = (0..block.channels()).all(|c| block.channel(c).iter().all(|s| s.is_finite()));
            !(finite
                && block.frames() > 0
                && (0..block.channels()).all(|c| block.channel(c).len() == block.frames()))
        });
        let json = serde_json::from_slice::<Value>(line).is_ok_and(|v| v.is_object());
        whole && !sound && (json || !understood)
    };
    (0..count)
        .filter(|_| {
            let line = broken(&lines, draw);
            !catch_unwind(AssertUnwindSafe(|| look(&line))).unwrap_or(false)
        })
        .count()
}

/// A host that is sent broken lines answers good ones in between, and its instrument is never touched.
fn into_a_host(count: usize, draw: &mut Draw) -> Result<usize> {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("notes");
    let one = instrument(&path, json!({}));
    let mut wire = Wire::start(path_of_test_host()?, [])?;
    let hello = json!({ "protocol": "1.0", "instrument": "box", "driver": one.driver, "latency_s": 0.0,
        "settings": one.settings.0, "reply_limit_s": 5.0, "heartbeat_limit_s": 600.0 });
    wire.call("hello", hello)?;
    let lines = to_host();
    let mut wrong = 0;
    for number in 0..count {
        let mut line = broken(&lines, draw);
        line.push(b'\n');
        wire.write(&line)?;
        if number % 50 == 49 {
            let id = wire.ask("contacts.read", json!({}))?;
            let answered = loop {
                let said = wire.line()?;
                if said["id"] == id {
                    break said["result"]["emergency_stop_closed"] == true;
                }
                // Everything else has to be a refusal, or the harmless setting of an acquisition.
                wrong += usize::from(said.get("error").is_none() && said["result"].get("rate_hz").is_none());
            };
            wrong += usize::from(!answered);
        }
    }
    let notes = crate::host::Notes::new(&path);
    wrong += notes.lines().iter().filter(|l| *l != "open").count();
    wire.end_input();
    ensure!(wire.ended()? == Some(0), "the host did not end in good order");
    Ok(wrong)
}

/// Hosts that say broken lines: the client never panics, calls end as errors or with what was truly said.
fn into_a_client(rounds: usize, draw: &mut Draw) -> Result<usize> {
    let lines = to_client();
    let hello = json!({ "jsonrpc": "2.0", "id": 0, "result": { "protocol": "1.0",
        "identity": { "make": "", "model": "", "serial": "N-1", "firmware": "" },
        "roles": { "contacts": {}, "acquisition": { "continuity": "gated" } }, "safe_ms": 10, "transfer_ms": 1 } });
    let folder = tempfile::tempdir()?;
    let file = folder.path().join("said");
    let mut wrong = 0;
    for _ in 0..rounds {
        let mut said = format!("{hello}\n").into_bytes();
        for _ in 0..20 {
            said.extend(broken(&lines, draw));
            said.push(b'\n');
        }
        fs::write(&file, &said)?;
        // All of it at once after the first line, then its input is read to the end.
        let script = format!("read line; cat '{}'; cat >/dev/null", file.display());
        let program = Program::new("/bin/sh".into(), ["-c".into(), script.into()]);
        let hosts = Registry::default().hosts().clone();
        let mut lost = hosts.take_lost().context("taken already")?;
        let options = HostedOptions { reply_limit: Seconds::new(0.2), ..OPTIONS };
        let hosted = Hosted::new(factory(), program, hosts, options);
        wrong += runtime()?.block_on(async {
            let mut opened = hosted.open(&instrument(&file, json!({}))).await?;
            // One of 20 lines breaks the protocol for certain, and a reader that panicked tells nothing.
            let told = tokio::time::timeout(Duration::from_secs(20), lost.recv()).await;
            let contacts = opened.contacts.as_mut().context("no contacts")?;
            let answered = contacts.read().await.is_ok();
            let made_safe = opened.safe.make_safe(StopReason::Trip).await.is_ok();
            Ok::<_, anyhow::Error>(
                usize::from(!matches!(told, Ok(Some(_)))) + usize::from(answered || made_safe),
            )
        })?;
    }
    Ok(wrong)
}
