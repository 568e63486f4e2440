//! A card through ALSA: both directions opened on one device, linked, with the same period.
//!
//! Nothing may be converted unseen: resampling is switched off before any parameter is set, format, rate and channels are set
//! exactly and read back.

use crate::card::{Card, CardError, CardName};
use crate::format::SampleFormat;
use crate::settings::SoundSettings;
use alsa::pcm::{Access, Format, Frames, HwParams, PCM};
use alsa::{Direction, ValueOr};
use plan_schema::units::{SampleCount, SamplesPerSecond, Seconds, engineering};
use std::path::Path;
use std::time::Instant;

/// Times its buffer that a card may take for a period, and the least in ms, before it counts as gone.
const PATIENCE_BUFFERS: f64 = 4.0;
const PATIENCE_MS: f64 = 200.0;

/// Opens a card as the settings say.
///
/// # Errors
/// Where it is not there, or can't do exactly what is written.
pub fn open(settings: &SoundSettings) -> Result<Box<dyn Card>, CardError> {
    let device = settings.device.as_str();
    let capture_device = settings.capture_device.as_deref().unwrap_or(device);
    let playback = direction(device, Direction::Playback, settings)?;
    let capture = direction(capture_device, Direction::Capture, settings)?;
    let linked = capture.link(&playback).is_ok();
    if !linked && settings.software.is_none() {
        let why = "its two directions can't be started together (linked); take another card".to_owned();
        return Err(CardError::Gone(format!("{device}: {why}")));
    }
    let patience = (settings.buffer().si() * 1e3 * PATIENCE_BUFFERS).clamp(PATIENCE_MS, 60_000.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to the range")]
    let patience_ms = patience as u32;
    Ok(Box::new(AlsaCard {
        name: name_of(&capture),
        silence: vec![0.0; (settings.period_samples * settings.playback_channels) as usize],
        periods: settings.periods,
        rate: settings.rate,
        format: settings.sample_format,
        bytes: Vec::new(),
        recorded: vec![
            0;
            (settings.period_samples * settings.capture_channels) as usize
                * settings.sample_format.bytes()
        ],
        patience_ms,
        linked,
        last: None,
        playback,
        capture,
    }))
}

/// Opens one direction and sets it up exactly.
fn direction(device: &str, direction: Direction, settings: &SoundSettings) -> Result<PCM, CardError> {
    let (way, channels, key) = match direction {
        Direction::Playback => ("playback", settings.playback_channels, "playback_channels"),
        Direction::Capture => ("recording", settings.capture_channels, "capture_channels"),
    };
    let gone = |what: &str, error: alsa::Error, remedy: &str| {
        CardError::Gone(format!("{device} ({way}): {what}: {error}; {remedy}"))
    };
    let pcm = PCM::new(device, direction, false).map_err(|e| {
        gone("it can't be opened", e, "plug it in, end what else uses it (a sound server), or correct settings.device; aplay -L lists cards")
    })?;
    {
        let parameters =
            HwParams::any(&pcm).map_err(|e| gone("it says nothing of itself", e, "take another"))?;
        // First of all: what comes after would be met by resampling otherwise.
        parameters.set_rate_resample(false).map_err(|e| {
            gone("its resampling can't be switched off", e, "name the card itself, hw:CARD=NAME")
        })?;
        exactly(&parameters, settings, channels, key, &gone)?;
        pcm.hw_params(&parameters).map_err(|e| {
            gone(
                "it takes each setting, but not all together",
                e,
                "change settings.period_samples or settings.periods",
            )
        })?;
        read_back(&pcm, settings, channels)
            .map_err(|what| CardError::Gone(format!("{device} ({way}): {what}")))?;
    }
    started_by_hand(&pcm, settings).map_err(|e| gone("it can't be set up", e, "take another"))?;
    Ok(pcm)
}

/// Sets format, channels, rate, period and buffer, none of them nearly.
fn exactly(
    parameters: &HwParams<'_>,
    settings: &SoundSettings,
    channels: u32,
    key: &str,
    gone: &dyn Fn(&str, alsa::Error, &str) -> CardError,
) -> Result<(), CardError> {
    parameters
        .set_access(Access::RWInterleaved)
        .map_err(|e| gone("it does not take channels beside each other", e, "take another"))?;
    let format = settings.sample_format;
    parameters.set_format(format_of(format)).map_err(|e| {
        let others: Vec<&str> = SampleFormat::ALL
            .iter()
            .filter(|f| parameters.test_format(format_of(**f)).is_ok())
            .map(|f| f.word())
            .collect();
        let remedy = match others.as_slice() {
            [] => "it has no format of 24 bits; take another".to_owned(),
            some => format!("write settings.sample_format = \"{}\"", some.join("\" or \"")),
        };
        gone(&format!("it does not pack samples as {}", format.word()), e, &remedy)
    })?;
    parameters.set_channels(channels).map_err(|e| {
        let has = match (parameters.get_channels_min(), parameters.get_channels_max()) {
            (Ok(least), Ok(most)) if least == most => format!("it has {least}"),
            (Ok(least), Ok(most)) => format!("it has {least} to {most}"),
            _ => "it does not say how many it has".to_owned(),
        };
        gone(&format!("it has not {channels} channels"), e, &format!("{has}; correct settings.{key}"))
    })?;
    let rate = settings.rate.si();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked with the settings")]
    parameters.set_rate(rate as u32, ValueOr::Nearest).map_err(|e| {
        let can = match (parameters.get_rate_min(), parameters.get_rate_max()) {
            (Ok(least), Ok(most)) if least == most => format!("its rate is {least} S/s"),
            (Ok(least), Ok(most)) => format!("its rates lie between {least} S/s and {most} S/s"),
            _ => "it does not say which rates it has".to_owned(),
        };
        let what =
            format!("its converters do not run at {}, and nothing is resampled", engineering(rate, "S/s"));
        gone(&what, e, &format!("{can}; correct settings.rate"))
    })?;
    let period = Frames::from(settings.period_samples);
    parameters.set_period_size(period, ValueOr::Nearest).map_err(|e| {
        let can = match (parameters.get_period_size_min(), parameters.get_period_size_max()) {
            (Ok(least), Ok(most)) => format!("it takes {least} to {most}"),
            _ => "it does not say what it takes".to_owned(),
        };
        gone(
            &format!("it does not take periods of {period} samples"),
            e,
            &format!("{can}; correct settings.period_samples"),
        )
    })?;
    parameters
        .set_buffer_size(period * Frames::from(settings.periods))
        .map_err(|e| gone("its buffer does not hold that many periods", e, "correct settings.periods"))
}

/// What was set has to be what is.
fn read_back(pcm: &PCM, settings: &SoundSettings, channels: u32) -> Result<(), String> {
    let current = pcm.hw_params_current().map_err(|e| format!("what was set can't be read back: {e}"))?;
    let period = Frames::from(settings.period_samples);
    let rate = current.get_rate().map(f64::from);
    let agrees = rate.as_ref().is_ok_and(|r| (r - settings.rate.si()).abs() <= 0.0)
        && current.get_channels().is_ok_and(|c| c == channels)
        && current.get_format().is_ok_and(|f| f == format_of(settings.sample_format))
        && current.get_period_size().is_ok_and(|p| p == period)
        && current.get_buffer_size().is_ok_and(|b| b == period * Frames::from(settings.periods));
    if agrees {
        return Ok(());
    }
    Err(format!(
        "it reads back other settings than it took ({current:?}); name the card itself, hw:CARD=NAME"
    ))
}

/// It starts when it is told to, and stops by itself when it runs out.
fn started_by_hand(pcm: &PCM, settings: &SoundSettings) -> alsa::Result<()> {
    let parameters = pcm.sw_params_current()?;
    let period = Frames::from(settings.period_samples);
    let buffer = period * Frames::from(settings.periods);
    parameters.set_start_threshold(parameters.get_boundary()?)?;
    parameters.set_stop_threshold(buffer)?;
    parameters.set_avail_min(period)?;
    pcm.sw_params(&parameters)
}

fn format_of(format: SampleFormat) -> Format {
    match format {
        SampleFormat::Packed24 => Format::S243LE,
        SampleFormat::Wide32 => Format::S32LE,
        SampleFormat::Float32 => Format::FloatLE,
    }
}

/// What the system calls the card; a serial number is known of those on USB.
fn name_of(pcm: &PCM) -> CardName {
    let Ok(info) = pcm.info() else { return CardName::default() };
    let number = info.get_card();
    let model = info.get_name().or_else(|_| info.get_id()).unwrap_or_default().to_owned();
    if number < 0 {
        return CardName { model, serial: String::new() };
    }
    let device = Path::new("/sys/class/sound").join(format!("card{number}")).join("device");
    let serial = std::fs::read_to_string(device.join("../serial")).unwrap_or_default();
    let model = alsa::card::Card::new(number).get_name().unwrap_or(model);
    CardName { model, serial: serial.trim().to_owned() }
}

struct AlsaCard {
    playback: PCM,
    capture: PCM,
    name: CardName,
    linked: bool,
    periods: u32,
    rate: SamplesPerSecond,
    format: SampleFormat,
    patience_ms: u32,
    silence: Vec<f64>,
    bytes: Vec<u8>,
    recorded: Vec<u8>,
    /// When the last period was recorded.
    last: Option<Instant>,
}

// The library's handle belongs to one thread at a time, which is what `Card: Send` says.
impl Card for AlsaCard {
    fn name(&self) -> CardName {
        self.name.clone()
    }

    fn begin(&mut self) -> Result<u64, CardError> {
        // A direction that has stopped can't be stopped again; what counts is that it can be prepared.
        let _ = (self.playback.drop(), self.capture.drop());
        self.playback.prepare().map_err(gone)?;
        if !self.linked || self.capture.state() != alsa::pcm::State::Prepared {
            self.capture.prepare().map_err(gone)?;
        }
        let silence = std::mem::take(&mut self.silence);
        let filled = (0..self.periods).try_for_each(|_| self.hand_over(&silence));
        self.silence = silence;
        filled?;
        self.playback.start().map_err(gone)?;
        if !self.linked {
            self.capture.start().map_err(gone)?;
        }
        let now = now();
        let lost = self.last.map_or(0, |last| {
            let passed = Seconds::new(now.duration_since(last).as_secs_f64());
            SampleCount::at_least(passed, self.rate).0.max(1)
        });
        self.last = Some(now);
        Ok(lost)
    }

    fn record(&mut self, shares: &mut [f32]) -> Result<(), CardError> {
        let bytes = self.recorded.len();
        let mut read = 0;
        while read < bytes {
            if !self.capture.wait(Some(self.patience_ms)).map_err(|e| stopped(&e))? {
                let what = format!("it recorded nothing for {} ms; look at its cable", self.patience_ms);
                return Err(CardError::Gone(what));
            }
            let rest = self.recorded.get_mut(read..).unwrap_or_default();
            let frames = self.capture.io_bytes().readi(rest).map_err(|e| stopped(&e))?;
            read += in_bytes(&self.capture, frames);
        }
        self.last = Some(now());
        for (share, word) in shares.iter_mut().zip(self.recorded.chunks_exact(self.format.bytes())) {
            *share = self.format.decode(word).unwrap_or(f32::NAN);
        }
        Ok(())
    }

    fn play(&mut self, shares: &[f64]) -> Result<(), CardError> {
        self.hand_over(shares)
    }
}

impl AlsaCard {
    fn hand_over(&mut self, shares: &[f64]) -> Result<(), CardError> {
        self.bytes.clear();
        shares.iter().for_each(|share| self.format.encode(*share, &mut self.bytes));
        let mut written = 0;
        while written < self.bytes.len() {
            let running = self.playback.state() == alsa::pcm::State::Running;
            if running && !self.playback.wait(Some(self.patience_ms)).map_err(|e| stopped(&e))? {
                let what = format!("it played nothing for {} ms; look at its cable", self.patience_ms);
                return Err(CardError::Gone(what));
            }
            let rest = self.bytes.get(written..).unwrap_or_default();
            let frames = self.playback.io_bytes().writei(rest).map_err(|e| stopped(&e))?;
            written += in_bytes(&self.playback, frames);
        }
        Ok(())
    }
}

fn in_bytes(pcm: &PCM, frames: usize) -> usize {
    let frames = Frames::try_from(frames).unwrap_or(Frames::MAX);
    usize::try_from(pcm.frames_to_bytes(frames)).unwrap_or(0)
}

/// What a transfer that failed says of the card: EPIPE (32) is an xrun, ESTRPIPE (86) a computer that slept.
fn stopped(error: &alsa::Error) -> CardError {
    match error.errno() {
        32 | 86 => CardError::Xrun,
        _ => gone(*error),
    }
}

fn gone(error: alsa::Error) -> CardError {
    CardError::Gone(format!(
        "the card does not answer any more: {error}; look at its cable, and open it anew"
    ))
}

#[expect(
    clippy::disallowed_methods,
    reason = "tells how many samples an xrun lost, which nothing else knows"
)]
fn now() -> Instant {
    Instant::now()
}
