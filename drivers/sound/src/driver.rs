//! The roles of a sound interface: source, acquisition, and the handle that makes it safe.

use crate::card::{Card, CardError};
use crate::console::{Console, Sampling, Shared, Tap};
use crate::engine::{self, Layout};
use crate::response::Characterised;
use crate::settings::SoundSettings;
use async_trait::async_trait;
use drivers::built_in::feed::{Outlet, feed};
use drivers::built_in::settings::{check, read_or_refuse};
use drivers::client::PLUG_IN;
use drivers::{
    Acquisition, AcquisitionRequest, Block, Continuity, DrivePermit, DriverError, DriverFactory, ErrorKind,
    Identity, Opened, SafeHandle, SafeProof, SignalSource, SourceLimits, StopReason, Tone, Transition,
};
use plan_schema::chain::Transfer;
use plan_schema::rig::Instrument;
use plan_schema::units::{SampleCount, Seconds, Volts, engineering};
use std::f64::consts::TAU;
use std::sync::Arc;
use std::time::Duration;

/// Shortest way to another amplitude, and the way to 0 V when it matters.
const RAMP: Seconds = Seconds::new(0.01);
/// Longest way to another amplitude.
const RAMP_MAX: Seconds = Seconds::new(600.0);
/// What the scheduler may take beyond ramp and buffer until the silence is seen. The way to 0 V itself does not wait for it.
const SLACK: Seconds = Seconds::new(0.08);
/// How often is looked whether all is silent.
const LOOK: Duration = Duration::from_millis(1);
/// Most samples a channel in a block.
const FRAMES_MAX: u32 = 1 << 20;

/// Opens a card as the settings say.
pub type OpenCard = fn(&SoundSettings) -> Result<Box<dyn Card>, CardError>;

/// Opens sound interfaces.
pub struct Factory(pub OpenCard);

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        PLUG_IN
    }

    fn describe(&self) -> &str {
        "sound interface as source and acquisition on one clock"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, SoundSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, SoundSettings::problems)?;
        let wrong = |kind, detail: String| DriverError::new(kind, &instrument.name, "open", detail);
        let response = settings
            .characterised()
            .ok_or_else(|| wrong(ErrorKind::Unsupported, "the output has no response".to_owned()))?;
        if let Some(what) = &settings.software {
            tracing::warn!("no hardware ({what}): what this shows holds for the program only");
        }
        let open = self.0;
        let (card, settings) = tokio::task::spawn_blocking(move || (open(&settings), settings))
            .await
            .map_err(|e| wrong(ErrorKind::Bug, format!("opening the card broke down: {e}")))?;
        let card = card.map_err(|e| wrong(ErrorKind::Disconnected, e.to_string()))?;
        let name = card.name();
        let console = Shared::default();
        engine::start(card, layout(&settings), console.clone(), instrument.name.clone())
            .map_err(|e| wrong(ErrorKind::Bug, format!("there is no thread for the card: {e}")))?;
        let desk = Desk { instrument: instrument.name.clone(), console, settings: Arc::new(settings) };
        Ok(opened(desk, response, Identity { model: name.model, serial: name.serial, ..Identity::default() }))
    }
}

fn layout(settings: &SoundSettings) -> Layout {
    Layout {
        period: settings.period_samples as usize,
        outputs: settings.playback_channels as usize,
        output: settings.output.channel as usize,
        inputs: settings.capture_channels as usize,
    }
}

fn opened(desk: Desk, response: Characterised, identity: Identity) -> Opened {
    let safe_within = RAMP + desk.settings.buffer() + SLACK;
    Opened {
        identity,
        source: Some(Box::new(Source { desk: desk.clone(), response })),
        amplifier: None,
        acquisition: Some(Box::new(Recorder {
            desk: desk.clone(),
            taps: Vec::new(),
            request: None,
            outlet: None,
        })),
        ambient: None,
        contacts: None,
        safe: Arc::new(Safe(desk)),
        safe_within,
    }
}

/// What every role needs.
#[derive(Debug, Clone)]
struct Desk {
    instrument: String,
    console: Shared,
    settings: Arc<SoundSettings>,
}

/// The host is gone: the engine ends with the last of its roles.
impl Drop for Safe {
    fn drop(&mut self) {
        self.0.console.lock().leave = true;
    }
}

impl Desk {
    fn wrong(&self, kind: ErrorKind, op: &'static str, detail: impl Into<String>) -> DriverError {
        DriverError::new(kind, &self.instrument, op, detail)
    }

    fn samples(&self, time: Seconds) -> u32 {
        let samples = SampleCount::at_least(time, self.settings.rate).0.max(1);
        u32::try_from(samples).unwrap_or(u32::MAX)
    }

    /// A way as it will be made: never shorter than wished, nor than the shortest, in whole samples.
    fn way(&self, over: Seconds, op: &'static str) -> Result<(u32, Seconds), DriverError> {
        if !(over.si() >= 0.0 && over <= RAMP_MAX) {
            let detail = format!("a way of {} s can't be made; 0 s to {} s can", over.si(), RAMP_MAX.si());
            return Err(self.wrong(ErrorKind::OutOfRange, op, detail));
        }
        let samples = self.samples(over.max(RAMP));
        Ok((samples, Seconds::new(f64::from(samples) / self.settings.rate.si())))
    }

    /// Fails where the engine has ended.
    fn alive(&self, console: &Console, op: &'static str) -> Result<(), DriverError> {
        match &console.ended {
            Some(why) => Err(self.wrong(ErrorKind::Disconnected, op, why.clone())),
            None => Ok(()),
        }
    }
}

/// The output.
struct Source {
    desk: Desk,
    response: Characterised,
}

#[async_trait]
impl SignalSource for Source {
    fn limits(&self) -> SourceLimits {
        let (lowest, highest) = self.response.known();
        SourceLimits::new(lowest, highest, self.response.amplitude_max()).with_start_at_zero(true)
    }

    async fn set_tone(&mut self, _permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError> {
        let Tone { frequency, amplitude } = want.tone;
        let refuse = |detail: String| self.desk.wrong(ErrorKind::OutOfRange, "set_tone", detail);
        let Transfer { magnitude, phase } = self.response.at(frequency).map_err(refuse)?;
        let share = amplitude.si() / magnitude;
        if !(0.0..=1.0).contains(&share) {
            return Err(refuse(format!(
                "{} at {} is beyond the {} that the output makes there",
                engineering(amplitude.si(), "V pk"),
                engineering(frequency.si(), "Hz"),
                engineering(magnitude, "V pk"),
            )));
        }
        let (samples, over) = self.desk.way(want.over, "set_tone")?;
        let step = frequency.si() / self.desk.settings.rate.si();
        let mut console = self.desk.console.lock();
        self.desk.alive(&console, "set_tone")?;
        // What the output turns a sine by is taken off, so that it starts at phase zero.
        console.tone.go(step, share, -phase.si() / TAU, samples);
        Ok(Transition { tone: want.tone, over })
    }

    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError> {
        let (samples, over) = self.desk.way(over, "output_off")?;
        let mut console = self.desk.console.lock();
        self.desk.alive(&console, "output_off")?;
        console.tone.fade(0.0, samples);
        Ok(over)
    }
}

/// The inputs.
struct Recorder {
    desk: Desk,
    taps: Vec<Tap>,
    request: Option<AcquisitionRequest>,
    outlet: Option<Outlet>,
}

impl Recorder {
    /// Which of the card's channels are wanted, or why they can't be had.
    fn taps(&self, want: &AcquisitionRequest) -> Result<Vec<Tap>, String> {
        let inputs = &self.desk.settings.inputs;
        let tap = |wanted: &drivers::ChannelRequest| {
            let input = inputs.get(wanted.input as usize).ok_or_else(|| {
                format!(
                    "there is no input {}: settings.inputs has {}, counted from 0",
                    wanted.input,
                    inputs.len()
                )
            })?;
            let (range, full) = (wanted.range, input.full_scale);
            if (range.si() / full.si() - 1.0).abs() > 1e-9 {
                return Err(format!(
                    "the range of input {} is {} and can't be switched to {}; write range = \"{} V pk\" at its channel",
                    wanted.input,
                    engineering(full.si(), "V pk"),
                    engineering(range.si(), "V pk"),
                    full.si()
                ));
            }
            Ok(Tap { channel: input.channel as usize, full_scale: full.si() })
        };
        want.channels.iter().map(tap).collect()
    }
}

#[async_trait]
impl Acquisition for Recorder {
    fn continuity(&self) -> Continuity {
        Continuity::Continuous
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        let wrong = |kind, detail: String| self.desk.wrong(kind, "configure", detail);
        if self.outlet.is_some() {
            return Err(wrong(ErrorKind::Busy, "it is sampling; stop it first".to_owned()));
        }
        let rate = self.desk.settings.rate;
        if (want.rate.si() - rate.si()).abs() > 0.0 {
            let detail = format!(
                "the card runs at {} S/s, {} S/s are wanted, and nothing is resampled; write the same into settings.rate and \
                 acquisition.rate",
                rate.si(),
                want.rate.si()
            );
            return Err(wrong(ErrorKind::OutOfRange, detail));
        }
        if want.channels.is_empty() || !(1..=FRAMES_MAX).contains(&want.frames) {
            let detail = format!("a block has 1 to {FRAMES_MAX} samples of at least one channel");
            return Err(wrong(ErrorKind::OutOfRange, detail));
        }
        let taps = self.taps(want).map_err(|detail| wrong(ErrorKind::OutOfRange, detail))?;
        (self.taps, self.request) = (taps, Some(want.clone()));
        Ok(want.clone())
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        if self.outlet.is_some() {
            return Err(self.desk.wrong(ErrorKind::Busy, "start", "it is sampling already"));
        }
        let Some(request) = &self.request else {
            let detail = "it was not configured; configure it first";
            return Err(self.desk.wrong(ErrorKind::Protocol, "start", detail));
        };
        let (inlet, outlet) = feed(&self.desk.instrument, request);
        let mut console = self.desk.console.lock();
        self.desk.alive(&console, "start")?;
        console.sampling = Some(Sampling::new(inlet, self.taps.clone(), request.frames as usize));
        drop(console);
        self.outlet = Some(outlet);
        Ok(())
    }

    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        match self.outlet.as_mut() {
            Some(outlet) => outlet.next(within).await,
            None => {
                Err(self.desk.wrong(ErrorKind::Protocol, "next_block", "it is not sampling; start it first"))
            }
        }
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        self.outlet = None;
        self.desk.console.lock().sampling = None;
        Ok(())
    }
}

/// Brings the output to 0 V whatever else goes on.
struct Safe(Desk);

impl Safe {
    /// True once everything that is still in the card is silence.
    fn is_quiet(&self) -> Result<bool, DriverError> {
        let console = self.0.console.lock();
        self.0.alive(&console, "make_safe")?;
        // One more than the buffer holds: the period that was being handed over.
        Ok(console.tone.is_silent() && console.quiet_periods > self.0.settings.periods)
    }
}

#[async_trait]
impl SafeHandle for Safe {
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        self.0.console.lock().tone.hush(self.0.samples(RAMP));
        // The host bounds this by the time that is declared.
        while !self.is_quiet()? {
            tokio::time::sleep(LOOK).await;
        }
        Ok(SafeProof { drive: Some(Volts::new(self.0.console.lock().tone.amplitude_ahead())), muted: None })
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(self.0.settings.buffer())
    }
}

#[cfg(test)]
mod tests;
