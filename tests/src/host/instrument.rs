//! An instrument in all roles that exists in its host's process only: it notes what is done to it in a file, so that a
//! test can read it when the host is gone, and misbehaves by its settings.
//!
//! Settings: `notes` (a file), `serial`, `hang` (the call that never ends: "set_tone", or "set_tone_blocking", which
//! keeps its thread busy too), `frames_per_s` (how fast it samples; 0: as fast as it is asked).

use anyhow::Result;
use async_trait::async_trait;
use drivers::{
    Acquisition, AcquisitionRequest, Ambient, AmbientReading, AmplifierStatus, Block, ContactReading,
    Contacts, Continuity, DrivePermit, DriverError, DriverFactory, ErrorKind, Identity, Opened,
    PowerAmplifier, SafeHandle, SafeProof, SignalSource, SourceLimits, StopReason, Transition,
};
use plan_schema::rig::Instrument;
use plan_schema::units::{Celsius, Fraction, Hertz, SampleCount, SampleIndex, Seconds, Volts};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The word for it in a rig file.
pub const KIND: &str = "noted";

/// What was done, a line each.
#[derive(Debug, Clone)]
pub struct Notes(PathBuf);

impl Notes {
    /// In this file.
    #[must_use]
    pub fn new(path: &Path) -> Self {
        Self(path.to_owned())
    }

    fn add(&self, what: &str) {
        // One write a line, so that lines of several processes do not mix.
        if let Ok(mut file) = fs::OpenOptions::new().create(true).append(true).open(&self.0) {
            let _ = file.write_all(format!("{what}\n").as_bytes());
        }
    }

    /// All lines.
    #[must_use]
    pub fn lines(&self) -> Vec<String> {
        fs::read_to_string(&self.0).unwrap_or_default().lines().map(str::to_owned).collect()
    }

    /// How often something was done.
    #[must_use]
    pub fn count(&self, what: &str) -> usize {
        self.lines().iter().filter(|l| l.starts_with(what)).count()
    }
}

/// The instrument as a rig file would have it.
#[must_use]
pub fn instrument(notes: &Path, settings: serde_json::Value) -> Instrument {
    let mut all = settings.as_object().cloned().unwrap_or_default();
    all.insert("notes".to_owned(), notes.display().to_string().into());
    Instrument {
        name: "box".to_owned(),
        driver: KIND.to_owned(),
        latency: Seconds::new(0.0),
        serial: Some("N-1".to_owned()),
        certificate: None,
        settings: plan_schema::read::Table(all),
    }
}

/// Its driver.
#[must_use]
pub fn factory() -> Arc<dyn DriverFactory> {
    Arc::new(Factory)
}

/// The sample of a channel at an index: what a reader compares with.
#[must_use]
pub fn sample(channel: usize, index: u64) -> f32 {
    const STEPS: u16 = 1000;
    let step = (index * 31 + channel as u64 * 7) % u64::from(STEPS);
    u16::try_from(step).map_or(f32::NAN, |step| f32::from(step) / f32::from(STEPS))
}

/// Whether a block holds what was sampled.
///
/// # Errors
/// Where it does not.
pub fn trusted(block: &Block) -> Result<()> {
    for channel in 0..block.channels() {
        for (place, value) in block.channel(channel).iter().enumerate() {
            let expected = sample(channel, block.first_sample.0 + place as u64);
            anyhow::ensure!(
                value.to_bits() == expected.to_bits(),
                "channel {channel}: {value}, not {expected}"
            );
        }
    }
    Ok(())
}

struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        KIND
    }

    fn describe(&self) -> &str {
        "for tests: notes what is done to it"
    }

    fn check(&self, _instrument: &Instrument) -> Vec<String> {
        Vec::new()
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let text =
            |key: &str| instrument.settings.0.get(key).and_then(|v| v.as_str()).unwrap_or("").to_owned();
        let notes = Notes(PathBuf::from(text("notes")));
        notes.add("open");
        let rate =
            instrument.settings.0.get("frames_per_s").and_then(serde_json::Value::as_f64).unwrap_or(0.0);
        let serial = text("serial");
        let state = Arc::new(State { notes, hang: text("hang"), set: Mutex::new((0.0, true)) });
        Ok(Opened {
            identity: Identity {
                make: "nobody".to_owned(),
                model: KIND.to_owned(),
                serial: if serial.is_empty() { "N-1".to_owned() } else { serial },
                // So that a test knows which process to strike.
                firmware: std::process::id().to_string(),
            },
            source: Some(Box::new(Port(state.clone()))),
            amplifier: Some(Box::new(Port(state.clone()))),
            acquisition: Some(Box::new(Sampler::new(state.clone(), rate))),
            ambient: Some(Box::new(Port(state.clone()))),
            contacts: Some(Box::new(Port(state.clone()))),
            safe: Arc::new(Port(state)),
            safe_within: Seconds::new(0.5),
        })
    }
}

struct State {
    notes: Notes,
    hang: String,
    /// Drive and whether muted.
    set: Mutex<(f64, bool)>,
}

impl State {
    fn set(&self, change: impl FnOnce(&mut (f64, bool))) -> (f64, bool) {
        let mut set = self.set.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        change(&mut set);
        *set
    }
}

struct Port(Arc<State>);

#[async_trait]
impl SignalSource for Port {
    fn limits(&self) -> SourceLimits {
        SourceLimits::new(Hertz::new(0.1), Hertz::new(1e4), Volts::new(5.0)).with_start_at_zero(true)
    }

    async fn set_tone(&mut self, _permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError> {
        let (frequency, amplitude) = (want.tone.frequency.si(), want.tone.amplitude.si());
        self.0.notes.add(&format!("set_tone {frequency} {amplitude}"));
        match self.0.hang.as_str() {
            "set_tone" => std::future::pending().await,
            "set_tone_blocking" => loop {
                std::thread::park_timeout(Duration::from_secs(3600));
            },
            "set_tone_slow" => tokio::time::sleep(Duration::from_millis(300)).await,
            _ => {}
        }
        if amplitude > 5.0 {
            let detail = format!("{amplitude} V pk is above the 5 V pk that it can make");
            return Err(DriverError::new(ErrorKind::OutOfRange, "box", "set_tone", detail));
        }
        self.0.set(|set| set.0 = amplitude);
        Ok(want)
    }

    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError> {
        self.0.notes.add("output_off");
        self.0.set(|set| set.0 = 0.0);
        Ok(over)
    }
}

#[async_trait]
impl PowerAmplifier for Port {
    async fn unmute(&mut self, _permit: &DrivePermit) -> Result<AmplifierStatus, DriverError> {
        self.0.notes.add("unmute");
        self.0.set(|set| set.1 = false);
        self.status().await
    }

    async fn mute(&mut self) -> Result<AmplifierStatus, DriverError> {
        self.0.set(|set| set.1 = true);
        self.status().await
    }

    async fn status(&mut self) -> Result<AmplifierStatus, DriverError> {
        let (_, muted) = self.0.set(|_| {});
        Ok(AmplifierStatus { muted, fault: false, clipping: None })
    }
}

#[async_trait]
impl Ambient for Port {
    async fn read(&mut self) -> Result<AmbientReading, DriverError> {
        // No number as soon as something is driven.
        let temperature = if self.0.set(|_| {}).0 > 0.0 { f64::NAN } else { 23.25 };
        Ok(AmbientReading { temperature: Celsius::new(temperature), humidity: Some(Fraction::new(0.4)) })
    }
}

#[async_trait]
impl Contacts for Port {
    async fn read(&mut self) -> Result<ContactReading, DriverError> {
        Ok(ContactReading { emergency_stop_closed: true, inputs: vec![true, false] })
    }

    async fn set_output(&mut self, number: u32, on: bool) -> Result<bool, DriverError> {
        self.0.notes.add(&format!("output {number} {on}"));
        Ok(on)
    }
}

#[async_trait]
impl SafeHandle for Port {
    async fn make_safe(&self, why: StopReason) -> Result<SafeProof, DriverError> {
        self.0.notes.add(&format!("make_safe {why:?}"));
        let (drive, muted) = self.0.set(|set| *set = (0.0, true));
        Ok(SafeProof { drive: Some(Volts::new(drive)), muted: Some(muted) })
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(Seconds::new(0.01))
    }
}

/// Samples a pattern in real time, or as fast as it is asked.
struct Sampler {
    state: Arc<State>,
    frames_per_s: f64,
    frames: usize,
    channels: usize,
    next: u64,
    clock: Option<tokio::time::Interval>,
}

impl Sampler {
    fn new(state: Arc<State>, frames_per_s: f64) -> Self {
        Self { state, frames_per_s, frames: 1, channels: 1, next: 0, clock: None }
    }
}

#[async_trait]
impl Acquisition for Sampler {
    fn continuity(&self) -> Continuity {
        Continuity::Continuous
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        (self.frames, self.channels) = (want.frames as usize, want.channels.len());
        Ok(want.clone())
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        self.next = 0;
        let every = if self.frames_per_s > 0.0 { self.frames as f64 / self.frames_per_s } else { 0.0 };
        self.clock = (every > 0.0).then(|| tokio::time::interval(Duration::from_secs_f64(every)));
        self.state.notes.add("start");
        Ok(())
    }

    async fn next_block(&mut self, _within: Seconds) -> Result<Option<Block>, DriverError> {
        if let Some(clock) = &mut self.clock {
            clock.tick().await;
        }
        let first = self.next;
        self.next += self.frames as u64;
        // Told at powers of two, which says enough and costs little.
        if (self.next / self.frames as u64).is_power_of_two() {
            self.state.notes.add(&format!("blocks {}", self.next / self.frames as u64));
        }
        let mut samples = Vec::with_capacity(self.frames * self.channels);
        for channel in 0..self.channels {
            samples.extend((first..self.next).map(|index| sample(channel, index)));
        }
        Ok(Block::new(SampleIndex(first), SampleCount(0), samples, vec![false; self.channels]))
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        self.state.notes.add("stop");
        Ok(())
    }
}
