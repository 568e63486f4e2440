//! A sound interface without hardware: a sound server of its own for the test, with a null sink whose monitor is recorded.
//!
//! ```text
//!   calwright-sound ── ALSA ──► null sink, left at 1, right at 1/8 ── monitor ── ALSA ──► calwright-sound
//!                                                                        └──────────────► a recorder of the server's own
//! ```

use crate::host::{Wire, wait_for};
use crate::program::{Built, cargo, other, root, spawn_piped};
use anyhow::{Context, Result, bail, ensure};
use serde_json::{Value, json};
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Child;
use tempfile::TempDir;

/// Gain of the right channel: half of the server's scale of volumes, whose cube is the gain (its documentation of
/// `pa_sw_volume_to_linear`, from memory; the server shows it as -18.06 dB).
pub const RIGHT: f64 = 0.125;
/// The server's full volume, and half of it.
const VOLUMES: [&str; 2] = ["65536", "32768"];
/// Rate of the sink.
pub const RATE: f64 = 48_000.0;
/// Samples in a block of its host: a tenth of a second.
pub const FRAMES: usize = 4800;

/// Why there is no null sink here, or `None` where there can be one.
///
/// # Errors
/// If it can't be found out.
pub fn lacking() -> Result<Option<String>> {
    let said = other(&root().join("tests/outside/prepare-sound"), [] as [&str; 0])?;
    match said.status {
        Some(0) => Ok(None),
        Some(3) => Ok(Some(said.stderr.lines().next_back().unwrap_or("something is missing").to_owned())),
        status => bail!("prepare-sound ended with {status:?}: {}", said.stderr),
    }
}

/// The host, built in the profile of whoever asks.
///
/// # Errors
/// If it can't be built.
pub fn path_of_host() -> Result<PathBuf> {
    let built = Built::here()?;
    let arguments =
        ["build", "--quiet", "-p", "sound", "--features", "sound/alsa", "--profile", &built.profile];
    cargo(arguments)?.expect_status(0).context("the host of sound interfaces can't be built")?;
    Ok(built.folder.join("calwright-sound"))
}

/// A sound server with a null sink, which ends with us.
#[derive(Debug)]
pub struct NullSink {
    folder: TempDir,
    server: Child,
}

impl NullSink {
    /// Starts the server.
    ///
    /// # Errors
    /// If it does not answer.
    pub fn start() -> Result<Self> {
        let folder = TempDir::new()?;
        let socket = folder.path().join("native").display().to_string();
        let load = format!(
            "load-module module-native-protocol-unix socket={socket} auth-anonymous=1\n\
             load-module module-null-sink sink_name=loop rate={RATE} channels=2 format=float32le \
             channel_map=front-left,front-right\n"
        );
        std::fs::write(folder.path().join("server.pa"), load)?;
        let pulse = |device: &str| format!("{{ type pulse server \"unix:{socket}\" device \"{device}\" }}");
        let alsa = format!(
            "pcm.loop {{ type asym playback.pcm {} capture.pcm {} }}\n",
            pulse("loop"),
            pulse("loop.monitor")
        );
        std::fs::write(folder.path().join("asound.conf"), alsa)?;
        let file = folder.path().join("server.pa").display().to_string();
        let options = [
            "-n",
            "-F",
            &file,
            "--daemonize=no",
            "--exit-idle-time=-1",
            "--use-pid-file=no",
            "--disable-shm",
        ];
        let mut command = surroundings(folder.path());
        command.push("pulseaudio".into());
        command.extend(options.map(OsString::from));
        command.extend(["--realtime=no", "--high-priority=no"].map(OsString::from));
        let server = spawn_piped(Path::new("/usr/bin/env"), command)?;
        let sink = Self { folder, server };
        wait_for("the sound server", || sink.set_volumes().ok())?;
        Ok(sink)
    }

    fn set_volumes(&self) -> Result<()> {
        let mut command = self.client("pactl");
        command.extend(["set-sink-volume", "loop"].map(OsString::from));
        command.extend(VOLUMES.map(OsString::from));
        other(Path::new("/usr/bin/env"), command)?.expect_status(0).map(drop)
    }

    /// A client of the server, as arguments of `env`.
    fn client(&self, program: &str) -> Vec<OsString> {
        let mut command = surroundings(self.folder.path());
        let socket = format!("unix:{}", self.folder.path().join("native").display());
        command.extend([program.to_owned(), "-s".to_owned(), socket].map(OsString::from));
        command
    }

    /// The host on this sink, not spoken to yet.
    ///
    /// # Errors
    /// If it can't be started.
    pub fn host(&self, program: &Path) -> Result<Wire> {
        let mut command = surroundings(self.folder.path());
        command.push(program.into());
        Wire::start(Path::new("/usr/bin/env"), command)
    }

    /// A program for a folder of plug-ins, which is the host on this sink.
    #[must_use]
    pub fn plug_in(&self, program: &Path) -> String {
        let set: Vec<String> =
            surroundings(self.folder.path()).iter().map(|s| format!("'{}'", s.display())).collect();
        format!("#!/bin/sh\nexec env {} '{}'\n", set.join(" "), program.display())
    }

    /// Plays noise into the sink, 60 dB below full scale, until the child is ended.
    ///
    /// # Errors
    /// If the player does not start.
    pub fn noise(&self) -> Result<Player> {
        let mut command = self.client("pacat");
        // A tenth of the server's scale of volumes, whose cube is the gain.
        let options = [
            "--playback",
            "--device=loop",
            "--format=s16le",
            "--rate=48000",
            "--volume=6554",
            "/dev/urandom",
        ];
        command.extend(options.map(OsString::from));
        let player = Player(spawn_piped(Path::new("/usr/bin/env"), command)?);
        let mut list = self.client("pactl");
        list.extend(["list", "short", "sink-inputs"].map(OsString::from));
        wait_for("the player", || {
            let said = other(Path::new("/usr/bin/env"), list.clone()).ok()?;
            (!said.stdout.trim().is_empty()).then_some(())
        })?;
        Ok(player)
    }

    /// Starts recording what the sink is given; ends with [`Recorder::samples`].
    ///
    /// # Errors
    /// If the recorder does not start.
    pub fn record(&self) -> Result<Recorder> {
        let file = self.folder.path().join("recorded");
        let mut command = self.client("parec");
        let options = [
            "--device=loop.monitor",
            "--format=float32le",
            "--rate=48000",
            "--channels=2",
            "--latency-msec=50",
        ];
        command.extend(options.map(OsString::from));
        command.push(file.clone().into());
        let recorder = Recorder { child: spawn_piped(Path::new("/usr/bin/env"), command)?, file };
        wait_for("the recorder", || (recorder.length() > 0).then_some(()))?;
        Ok(recorder)
    }
}

impl Drop for NullSink {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

/// What shields a program of the test from the sound of whoever runs it, as arguments of `env`.
fn surroundings(folder: &Path) -> Vec<OsString> {
    let at = |name: &str| folder.join(name).display().to_string();
    vec![
        format!("HOME={}", folder.display()).into(),
        format!("XDG_RUNTIME_DIR={}", folder.display()).into(),
        format!("PULSE_RUNTIME_PATH={}", at("runtime")).into(),
        format!("ALSA_CONFIG_PATH=/usr/share/alsa/alsa.conf:{}", at("asound.conf")).into(),
    ]
}

/// A player that goes on until it is dropped.
#[derive(Debug)]
pub struct Player(Child);

impl Drop for Player {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A recording that goes on.
#[derive(Debug)]
pub struct Recorder {
    child: Child,
    file: PathBuf,
}

impl Recorder {
    fn length(&self) -> u64 {
        self.file.metadata().map_or(0, |m| m.len())
    }

    /// Waits until so many seconds more were recorded, ends, and gives the left channel.
    ///
    /// # Errors
    /// If nothing more comes.
    pub fn samples(mut self, seconds: f64) -> Result<Vec<f32>> {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some seconds")]
        let wanted = self.length() + (seconds * RATE) as u64 * 8;
        wait_for("the recording", || (self.length() >= wanted).then_some(()))?;
        self.child.kill()?;
        self.child.wait()?;
        let bytes = std::fs::read(&self.file)?;
        Ok(bytes
            .as_chunks::<8>()
            .0
            .iter()
            .map(|[a, b, c, d, ..]| f32::from_le_bytes([*a, *b, *c, *d]))
            .collect())
    }
}

impl Drop for Recorder {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Volts of full scale: of the output, of the input on the left, of the input on the right.
pub const FULL_SCALE: [f64; 3] = [3.0, 2.0, 4.0];

/// Settings of the interface. Its inputs are numbered the other way round than the card's channels, its output weakens
/// and turns what is high.
#[must_use]
pub fn settings(format: &str) -> Value {
    let input = |channel: u32, volts: f64| {
        json!({ "channel": channel, "full_scale": format!("{volts} V pk"), "characterised_from": "5 Hz",
            "characterised_to": "15 kHz" })
    };
    let [output, left, right] = FULL_SCALE;
    json!({
        "device": "loop", "software": "a null sink", "rate": "48 kS/s", "sample_format": format,
        "playback_channels": 1, "period_samples": 960, "periods": 16,
        "output": { "channel": 0, "full_scale": format!("{output} V pk"), "response": [
            { "frequency": "5 Hz", "magnitude": "80 %", "phase": "20 deg" },
            { "frequency": "100 Hz", "magnitude": "100 %" },
            { "frequency": "15 kHz", "magnitude": "90 %", "phase": "-40 deg" },
        ] },
        "inputs": [input(1, right), input(0, left)],
    })
}

/// A host that is open, was made safe, and samples both inputs.
///
/// # Errors
/// What it answers instead.
pub fn sampling(sink: &NullSink, program: &Path, format: &str, heartbeat_limit_s: f64) -> Result<Wire> {
    let mut host = sink.host(program)?;
    let hello = json!({ "protocol": "1.0", "instrument": "card", "driver": "plug-in", "latency_s": 0.1, "serial": null,
        "settings": settings(format), "reply_limit_s": 5.0, "heartbeat_limit_s": heartbeat_limit_s });
    let said = host.call("hello", hello)?;
    ensure!(said["roles"]["source"]["frequency_hz_min"] == 5.0, "it introduces itself otherwise: {said}");
    host.call("make_safe", json!({ "reason": "start" }))?;
    let [_, left, right] = FULL_SCALE;
    let channels = json!([{ "input": 0, "range_v_peak": right }, { "input": 1, "range_v_peak": left }]);
    host.call(
        "acquisition.configure",
        json!({ "rate_hz": RATE, "block_samples": FRAMES, "channels": channels }),
    )?;
    host.call("acquisition.start", json!({}))?;
    Ok(host)
}
