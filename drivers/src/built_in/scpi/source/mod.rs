//! A signal source by templates: any generator that takes lines of text, without code for it.
//!
//! Owns: the order in which a tone is set, the way from one amplitude to the next where the instrument has no ramp of its
//! own, and making it safe with proof. The steps of a way run on in a task of their own; whatever comes later ends them.
//! Invariant: making safe waits for one transfer at most, and a tone that was asked for before is not set after it.

mod completion;
mod settings;
mod state;

pub use completion::Completion;
pub use settings::{AmplitudeUnit, SourceSettings};

use crate::built_in::link::lane::{GIVES_WAY, Lane, MAKE_SAFE};
use crate::built_in::link::talk::Talk;
use crate::built_in::settings::{check, read_or_refuse};
use crate::built_in::{link::number::shorten, opened};
use crate::error::{DriverError, ErrorKind};
use crate::permit::DrivePermit;
use crate::registry::DriverFactory;
use crate::roles::{SignalSource, SourceLimits, Tone, Transition};
use crate::safe::{Identity, Opened, SafeHandle, SafeProof, StopReason};
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::{Hertz, Peak, Seconds, Volts};
use state::State;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use tokio::time::{Instant, sleep_until};

/// Opens signal sources by templates.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "scpi-source"
    }

    fn describe(&self) -> &str {
        "signal source that takes lines of text (SCPI), over TCP, serial or USBTMC; its commands are templates in the rig file"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, SourceSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let (found, shared) = reach(instrument).await?;
        let safe_within = safe_within(&shared.settings);
        let mut opened = opened(found, Arc::new(Safe(shared.clone())), safe_within);
        opened.source = Some(Box::new(Source(shared)));
        Ok(opened)
    }
}

/// Asks who is there, and what source and safe handle share then.
async fn reach(instrument: &Instrument) -> Result<(Identity, Arc<Shared>), DriverError> {
    let settings = read_or_refuse(instrument, SourceSettings::problems)?;
    let mut talk = Talk::new(&instrument.name, &settings.link);
    if settings.identify.is_empty() {
        talk.reach("open").await?;
    }
    let found = settings.identity.ask(&mut talk, &settings.identify, &instrument.name).await?;
    if let Some(queue) = settings.queue() {
        let old = super::errors::clear(&mut talk, "open", queue).await?;
        if !old.is_empty() {
            tracing::info!(instrument = instrument.name, "errors from before: {}", shorten(&old.join("; ")));
        }
    }
    let shared = Shared {
        lane: Lane::new(talk.wanted(), State::new(talk)),
        way: AtomicU64::new(0),
        instrument: instrument.name.clone(),
        settings,
    };
    Ok((found, Arc::new(shared)))
}

/// Longest time that making safe takes: the transfer that is under way, and two attempts of three commands and two questions.
fn safe_within(settings: &SourceSettings) -> Seconds {
    settings.transfer() + settings.link.safe_within(2.0 * 5.0)
}

/// What the source, its task and its safe handle share.
struct Shared {
    lane: Lane<State>,
    /// Number of the last way that was begun or ended; an earlier one stops.
    way: AtomicU64,
    instrument: String,
    settings: SourceSettings,
}

impl Shared {
    fn begin_way(&self) -> u64 {
        self.way.fetch_add(1, Ordering::SeqCst) + 1
    }

    fn is_current(&self, way: u64) -> bool {
        self.way.load(Ordering::SeqCst) == way
    }

    /// Goes to `frequency` and begins the way to `amplitude`; returns what was applied.
    async fn go(
        self: &Arc<Self>,
        frequency: f64,
        amplitude: f64,
        over: f64,
    ) -> Result<Transition, DriverError> {
        let way = self.begin_way();
        let settings = &self.settings;
        let mut state = self.lane.calm().await;
        // Leave for it was looked at before it waited here; what made safe meanwhile proved that nothing drives.
        if amplitude > 0.0 && !self.is_current(way) {
            return Err(state.talk.wrong(ErrorKind::Busy, "set_tone", GIVES_WAY));
        }
        state.may_drive(amplitude)?;
        if amplitude > 0.0 && !state.prepared {
            state.prepare(settings, frequency).await?;
        }
        let frequency = state.set_frequency(settings, frequency).await?;
        let applied = state.applied_amplitude(settings, amplitude)?;
        let transition = |over: f64| Transition {
            tone: Tone { frequency: Hertz::new(frequency), amplitude: Volts::new(applied) },
            over: Seconds::new(over),
        };
        if applied > 0.0 && !state.on {
            state.switch_on(settings).await?;
        }
        if let Some(command) = settings.ramp_command(over) {
            let (text, time) = command.map_err(|d| state.talk.wrong(ErrorKind::Bug, "set_tone", d))?;
            super::errors::set(&mut state.talk, "set_tone", &text, settings.queue()).await?;
            state.set_amplitude(settings, applied).await?;
            completion::wait(settings, &mut state).await?;
            return Ok(transition(time));
        }
        let step = settings.ramp_step.si();
        let steps = (over / step).ceil().max(0.0);
        if steps < 1.0 {
            state.set_amplitude(settings, applied).await?;
            completion::wait(settings, &mut state).await?;
            return Ok(transition(0.0));
        }
        // What the way begins from is in effect before it begins; its last step is covered by the latency of the rig file.
        completion::wait(settings, &mut state).await?;
        let from = state.amplitude;
        drop(state);
        let (shared, over) = (self.clone(), steps * step);
        tokio::spawn(async move { shared.walk(way, from, applied, over).await });
        Ok(transition(over))
    }

    /// Goes from one amplitude to another in small steps along half a cosine, and notes a failure for the next call.
    async fn walk(&self, way: u64, from: f64, to: f64, over: f64) {
        let (begun, step) = (Instant::now(), Duration::from_secs_f64(self.settings.ramp_step.si()));
        let mut due = begun;
        loop {
            due += step;
            sleep_until(due).await;
            let mut state = self.lane.calm().await;
            if !self.is_current(way) {
                return;
            }
            let share = (begun.elapsed().as_secs_f64() / over).min(1.0);
            // The last step comes when the whole time is over, never earlier.
            let amplitude = if share < 1.0 {
                from + (to - from) * (0.5 - 0.5 * (std::f64::consts::PI * share).cos())
            } else {
                to
            };
            // On the way up it begins at the smallest one, with the output on.
            let least = self.settings.amplitude_min.si();
            let amplitude = if to < least { amplitude } else { amplitude.max(least) };
            if let Err(error) = state.set_amplitude(&self.settings, amplitude).await {
                // What gave way to making safe did not fail.
                if !self.is_current(way) {
                    return;
                }
                state.failure = Some(error);
                // Up it stays where it is; on its way down somebody counts on its arriving.
                if to < from {
                    let _ = state.make_safe(&self.settings, "output_off").await;
                }
                return;
            }
            if share >= 1.0 {
                return;
            }
        }
    }
}

struct Source(Arc<Shared>);

#[async_trait]
impl SignalSource for Source {
    fn limits(&self) -> SourceLimits {
        let s = &self.0.settings;
        SourceLimits::new(s.frequency_min, s.frequency_max, s.amplitude_max)
            .with_start_at_zero(s.starts_at_zero)
    }

    async fn set_tone(&mut self, permit: &DrivePermit, want: Transition) -> Result<Transition, DriverError> {
        let s = &self.0.settings;
        let refuse = |detail: String| {
            Err(DriverError::new(ErrorKind::OutOfRange, &self.0.instrument, "set_tone", detail))
        };
        let (frequency, amplitude, over) = (want.tone.frequency, want.tone.amplitude, want.over.si());
        // Written so that what is no number is refused.
        if !(frequency >= s.frequency_min && frequency <= s.frequency_max) {
            return refuse(format!("{frequency} lies outside {} to {}", s.frequency_min, s.frequency_max));
        }
        let most = s.amplitude_max.min(permit.ceiling());
        if !(amplitude >= Volts::ZERO && amplitude <= most) {
            return refuse(format!("{} V pk lies outside 0 V to {} V pk", amplitude.si(), most.si()));
        }
        if !(0.0..=3600.0).contains(&over) {
            return refuse(format!("a way of {over} s lies outside 0 s to an hour"));
        }
        self.0.go(frequency.si(), amplitude.si(), over).await
    }

    async fn output_off(&mut self, over: Seconds) -> Result<Seconds, DriverError> {
        let over = if over.is_finite() { over.si().clamp(0.0, 3600.0) } else { 0.0 };
        let frequency = self.0.lane.calm().await.frequency.unwrap_or(self.0.settings.frequency_min.si());
        Ok(self.0.go(frequency, 0.0, over).await?.over)
    }
}

struct Safe(Arc<Shared>);

#[async_trait]
impl SafeHandle for Safe {
    async fn make_safe(&self, _why: StopReason) -> Result<SafeProof, DriverError> {
        let shared = &self.0;
        shared.begin_way();
        let mut state = shared.lane.urgent().await;
        // A link that was lost is opened anew once.
        let mut made = state.make_safe(&shared.settings, MAKE_SAFE).await;
        if let Err(error) = made {
            tracing::warn!("making safe once more: {error}");
            made = state.make_safe(&shared.settings, MAKE_SAFE).await;
        }
        // What came in between and waits now was asked for before the proof.
        shared.begin_way();
        let drive = made?;
        Ok(SafeProof { drive: Some(Volts::<Peak>::new(drive)), muted: None })
    }

    fn transfer_within(&self) -> Option<Seconds> {
        Some(self.0.settings.transfer())
    }
}

#[cfg(test)]
mod tests;
