//! The rig while the kit moves it: every block is looked at as it comes, and judgement advances with it.
//!
//! Invariant: nothing is waited for without taking blocks, since a host believes a heart only while judgement advances; and a
//! reference that shows three times what was foreseen makes everything safe at once.

use super::super::subject::{Subject, TRANSIT, is_safe, safe_limit};
use super::super::voice::{Answer, Failure, Voice};
use super::Motion;
use super::tone::{self, Sine};
use crate::protocol::{
    Call, ContinuityWord, Introduction, MakeSafe, OutputOff, PermitParams, Proof, ReadContacts, ReadStatus,
    Reason, SetTone, Start, ToneState, Unmute,
};
use plan_schema::rig::{Rig, SafeAction, instrument_of};
use plan_schema::units::Seconds;
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::time::Instant;

/// Times what was foreseen at which the kit stops everything.
const TOO_MUCH: f64 = 3.0;
/// How often amplifier and relay are asked how they are: some mute by themselves if nobody does.
const POLL: Duration = Duration::from_millis(100);
/// Cycles that a tone is looked at.
const CYCLES: f64 = 24.0;

/// One instrument with its host.
pub(super) struct Station<'a> {
    pub(super) subject: &'a Subject,
    pub(super) voice: Voice,
    pub(super) introduction: Introduction,
}

impl<'a> Station<'a> {
    pub(super) fn greet(subject: &'a Subject) -> Result<Self, String> {
        let (voice, introduction) = subject.greet()?;
        Ok(Self { subject, voice, introduction })
    }
}

/// The moving rig.
pub(super) struct Pump<'a> {
    pub(super) motion: &'a Motion,
    stations: BTreeMap<String, Station<'a>>,
    source: String,
    amplifier: String,
    relay: Option<String>,
    acquisition: String,
    rate: f64,
    /// Number of the last leave; never the same twice.
    generation: u64,
    /// Whether leave stands.
    under_leave: bool,
    /// What the reference showed, from sample 0 on.
    reference: Vec<f32>,
    overloaded: bool,
    epoch: Instant,
    /// Smallest time from a block's last sample to its arrival, with the time of sample 0, in seconds since the epoch.
    offset: f64,
    polled: Instant,
    /// The mean of the reference at rest.
    middle: f64,
    stopped: Option<String>,
    /// Within which time the amplifier mutes if nobody asks it, as the rig file says.
    pub(super) watchdog: Option<Seconds>,
}

impl<'a> Pump<'a> {
    /// Opens source, amplifier, acquisition and contacts, makes them safe, samples, and looks at the reference at rest.
    pub(super) fn open(
        rig: &Rig,
        subjects: &'a BTreeMap<String, Subject>,
        motion: &'a Motion,
    ) -> Result<Self, String> {
        let roles = &rig.roles;
        let watchdog = rig.safe_paths.iter().find(|path| path.action == SafeAction::AmplifierWatchdog);
        let named = |role: &str| instrument_of(role).to_owned();
        let mut stations = BTreeMap::new();
        let wanted = [Some(&roles.source), Some(&roles.amplifier), Some(&roles.acquisition)];
        let others = [roles.relay.as_ref(), roles.contacts.as_ref()];
        for role in wanted.into_iter().chain(others).flatten() {
            let name = named(role);
            if stations.contains_key(&name) {
                continue;
            }
            let subject = subjects.get(&name).ok_or_else(|| format!("'{name}' has no host of its own"))?;
            stations.insert(name, Station::greet(subject)?);
        }
        if let Some(contacts) = &roles.contacts
            && let Some(station) = stations.get_mut(instrument_of(contacts))
        {
            let limit = station.subject.reply_limit() + TRANSIT;
            let read = station.voice.call(&ReadContacts {}, limit).map_err(|e| format!("contacts: {e}"))?;
            if !read.value.emergency_stop_closed {
                return Err("the emergency stop is pressed; nothing is moved".to_owned());
            }
        }
        let now = Instant::now();
        let mut pump = Self {
            motion,
            stations,
            source: named(&roles.source),
            amplifier: named(&roles.amplifier),
            relay: roles.relay.as_deref().map(named),
            acquisition: named(&roles.acquisition),
            rate: 1.0,
            generation: 0,
            under_leave: false,
            reference: Vec::new(),
            overloaded: false,
            epoch: now,
            offset: f64::INFINITY,
            polled: now,
            middle: 0.0,
            stopped: None,
            watchdog: watchdog.map(|path| path.time),
        };
        pump.sample(None)?;
        Ok(pump)
    }

    /// Begins to sample anew, with another range of the reference where one is given, and looks at the reference at rest.
    pub(super) fn sample(&mut self, range: Option<f64>) -> Result<(), String> {
        let column = self.motion.column;
        let name = self.acquisition.clone();
        let station = self.station(&name)?;
        let limit = station.subject.reply_limit() + TRANSIT;
        let mut configure =
            station.subject.configure.clone().ok_or("the acquisition has no channels in this rig")?;
        if let (Some(range), Some(channel)) = (range, configure.channels.get_mut(column)) {
            channel.range_v_peak = range;
        }
        station.voice.call(&configure, limit).map_err(|e| format!("configure: {e}"))?;
        station.voice.forget_blocks();
        station.voice.call(&Start {}, limit).map_err(|e| format!("start: {e}"))?;
        self.rate = configure.rate_hz;
        (self.reference, self.offset, self.overloaded) = (Vec::new(), f64::INFINITY, false);
        self.listen(Duration::from_millis(300))?;
        #[expect(clippy::cast_precision_loss, reason = "some seconds of samples")]
        let count = self.reference.len().max(1) as f64;
        self.middle = self.reference.iter().map(|s| f64::from(*s)).sum::<f64>() / count;
        Ok(())
    }

    /// Ends sampling, so that it can begin anew.
    pub(super) fn end_sampling(&mut self) -> Result<(), String> {
        let name = self.acquisition.clone();
        let limit = self.station(&name)?.subject.reply_limit() + TRANSIT;
        self.call(&name, &crate::protocol::Stop {}, limit).map(|_| ()).map_err(|e| format!("stop: {e}"))
    }

    /// How the blocks of the acquisition follow each other.
    pub(super) fn continuity(&self) -> ContinuityWord {
        let role = self.stations.get(&self.acquisition).and_then(|s| s.introduction.roles.acquisition);
        role.map_or(ContinuityWord::Gated, |r| r.continuity)
    }

    /// An instrument by its name.
    pub(super) fn station(&mut self, name: &str) -> Result<&mut Station<'a>, String> {
        self.stations.get_mut(name).ok_or_else(|| format!("'{name}' is not open"))
    }

    /// Name of the source's instrument.
    pub(super) fn source(&self) -> String {
        self.source.clone()
    }

    /// Names of the instruments that keep the drive from the coil, in the order in which they let it through: the relay, while
    /// the amplifier is muted, then the amplifier.
    pub(super) fn cuts(&self) -> impl Iterator<Item = String> + use<> {
        self.relay.clone().into_iter().chain([self.amplifier.clone()])
    }

    /// True if an instrument is in the same host as the acquisition.
    pub(super) fn samples_too(&self, name: &str) -> bool {
        self.acquisition == name
    }

    /// Takes an instrument's host out, and puts another into its place.
    pub(super) fn swap(&mut self, name: &str, with: Option<Station<'a>>) -> Option<Station<'a>> {
        let before = self.stations.remove(name);
        if let Some(station) = with {
            self.stations.insert(name.to_owned(), station);
        }
        before
    }

    /// Whether an overload of the reference was told since sampling began.
    pub(super) fn overloaded(&self) -> bool {
        self.overloaded
    }

    /// Takes blocks for so long.
    pub(super) fn listen(&mut self, time: Duration) -> Result<(), String> {
        let begun = Instant::now();
        loop {
            let left = time.saturating_sub(begun.elapsed());
            self.take(left.min(Duration::from_millis(20)))?;
            if left.is_zero() {
                return self.catch_up();
            }
        }
    }

    /// Takes blocks until what is sampled now has come: a loaded machine may hand them on late.
    fn catch_up(&mut self) -> Result<(), String> {
        let (now, limit) = (Instant::now(), Duration::from_secs(5));
        let due = now.saturating_duration_since(self.epoch).as_secs_f64();
        // Before the first block nothing is known of when samples come.
        while self.offset.is_infinite() || self.moment(self.reference.len()) < due {
            if now.elapsed() > limit {
                return Err("the acquisition has stopped".to_owned());
            }
            self.take(Duration::from_millis(20))?;
        }
        Ok(())
    }

    /// Takes what comes within a time, judges it, and says so to every host.
    fn take(&mut self, within: Duration) -> Result<(), String> {
        if let Some(why) = &self.stopped {
            return Err(why.clone());
        }
        let Some(station) = self.stations.get(&self.acquisition) else {
            std::thread::sleep(within);
            return Ok(());
        };
        if let Some((block, at)) = station.voice.block(within)? {
            // What is looked at has to be one piece: a phase or a time across a gap would tell of the gap.
            if block.gap_before.0 > 0 {
                return Err(format!(
                    "{} samples were lost on their way, so that nothing can be told; this machine may have too much else to \
                     do: try again",
                    block.gap_before.0
                ));
            }
            let channel = block.channel(self.motion.column);
            self.reference.extend_from_slice(channel);
            self.overloaded |= block.overload().get(self.motion.column).copied().unwrap_or(false);
            let end = block.end().0;
            #[expect(clippy::cast_precision_loss, reason = "some minutes of samples")]
            let offset = at.saturating_duration_since(self.epoch).as_secs_f64() - end as f64 / self.rate;
            self.offset = self.offset.min(offset);
            let most = TOO_MUCH * self.motion.reference.si() + 0.05 * self.motion.reference.si();
            let worst = channel.iter().map(|s| (f64::from(*s) - self.middle).abs()).fold(0.0, f64::max);
            if self.under_leave && worst > most {
                let why = format!(
                    "the reference showed {worst:.4} V where {:.4} V were foreseen; everything was made safe",
                    self.motion.reference.si()
                );
                let _ = self.all_safe();
                self.stopped = Some(why.clone());
                return Err(why);
            }
            for station in self.stations.values() {
                station.voice.judged(end);
            }
        }
        if self.under_leave && self.polled.elapsed() > POLL {
            self.polled = Instant::now();
            for name in self.cuts() {
                if let Some(station) = self.stations.get_mut(&name) {
                    // It is asked so that its own watchdog hears of us; who is gone is found out by the row.
                    let _ = station.voice.ask(&ReadStatus {});
                }
            }
        }
        Ok(())
    }

    /// Calls an instrument, taking blocks meanwhile.
    pub(super) fn call<C: Call>(
        &mut self,
        name: &str,
        ask: &C,
        within: Duration,
    ) -> Result<Answer<C::Reply>, Failure> {
        let gone = |why: String| Failure::Gone(why);
        let begun = Instant::now();
        let id = self.station(name).map_err(gone)?.voice.ask(ask)?;
        loop {
            match self.station(name).map_err(gone)?.voice.wait::<C>(id, Duration::from_millis(1)) {
                Err(Failure::Silent(_)) if begun.elapsed() < within => {
                    self.take(Duration::from_millis(1)).map_err(gone)?
                }
                Err(Failure::Silent(_)) => return Err(Failure::Silent(within)),
                Ok(answer) => {
                    return Ok(Answer { took: answer.at.saturating_duration_since(begun), ..answer });
                }
                Err(other) => return Err(other),
            }
        }
    }

    fn reply_limit(&mut self, name: &str) -> Result<Duration, String> {
        Ok(self.station(name)?.subject.reply_limit() + TRANSIT)
    }

    /// A new leave for everybody, and relay and amplifier live.
    pub(super) fn leave(&mut self) -> Result<(), String> {
        self.generation += 1;
        self.under_leave = true;
        for station in self.stations.values() {
            station.voice.leave(self.generation);
        }
        for name in self.cuts() {
            let limit = self.reply_limit(&name)?;
            match self.call(&name, &Unmute { permit: self.permit() }, limit) {
                Ok(answer) if !answer.value.muted => {}
                Ok(_) => return Err(format!("'{name}' was unmuted and reads back as muted")),
                Err(error) => return Err(format!("unmute of '{name}': {error}")),
            }
        }
        Ok(())
    }

    /// The permit of the leave that stands.
    pub(super) fn permit(&self) -> PermitParams {
        PermitParams { generation: self.generation, ceiling_v_peak: self.motion.drive.si() }
    }

    /// Sets a tone and gives what was applied.
    pub(super) fn set(&mut self, ask: &SetTone) -> Result<Answer<ToneState>, Failure> {
        let name = self.source();
        let limit = self.reply_limit(&name).map_err(Failure::Gone)?;
        self.call(&name, ask, limit)
    }

    /// Goes to a share of the drive at a frequency, and waits until the motion is steady.
    pub(super) fn go(&mut self, frequency_hz: f64, share: f64) -> Result<ToneState, String> {
        let ask = self.tone(frequency_hz, share);
        let state = self.set(&ask).map_err(|e| format!("set_tone: {e}"))?.value;
        let over = state.over_s.filter(|t| t.is_finite()).unwrap_or(0.0).clamp(0.0, 60.0);
        let settled = over + self.motion.settling.si() + self.latency();
        self.listen(Duration::from_secs_f64(settled))?;
        Ok(state)
    }

    /// The call that goes there.
    pub(super) fn tone(&self, frequency_hz: f64, share: f64) -> SetTone {
        let amplitude_v_peak = self.motion.drive.si() * share;
        SetTone { permit: self.permit(), frequency_hz, amplitude_v_peak, over_s: self.motion.over.si() }
    }

    fn latency(&self) -> f64 {
        self.stations.get(&self.source).map_or(0.05, |s| s.subject.hello.latency_s)
    }

    /// Looks at so many cycles from now on.
    pub(super) fn look(&mut self, frequency_hz: f64) -> Result<Sine, String> {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some thousand samples")]
        let count = (CYCLES / frequency_hz * self.rate).ceil() as usize;
        let from = self.reference.len();
        let limit = Instant::now() + Duration::from_secs_f64(CYCLES / frequency_hz * 2.0 + 2.0);
        while self.reference.len() < from + count {
            if Instant::now() > limit {
                return Err("the acquisition has stopped".to_owned());
            }
            self.take(Duration::from_millis(20))?;
        }
        Ok(tone::fit(self.reference.get(from..).unwrap_or(&[]), from as u64, frequency_hz / self.rate))
    }

    /// The moment of a sample, at the latest.
    #[expect(clippy::cast_precision_loss, reason = "some minutes of samples")]
    fn moment(&self, sample: usize) -> f64 {
        sample as f64 / self.rate + self.offset
    }

    /// Samples from a moment on, and the moment of the first.
    fn since(&self, moment: Instant) -> (usize, &[f32]) {
        let after = moment.saturating_duration_since(self.epoch).as_secs_f64();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float saturates")]
        let from = (((after - self.offset) * self.rate).max(0.0) as usize).min(self.reference.len());
        (from, self.reference.get(from..).unwrap_or(&[]))
    }

    /// How long after a moment the reference last went beyond a level; `None` if it still did at the end.
    pub(super) fn quiet_after(&self, moment: Instant, level: f64) -> Option<f64> {
        let (from, samples) = self.since(moment);
        let after = moment.saturating_duration_since(self.epoch).as_secs_f64();
        let tail = samples.len() / 4;
        match tone::last_beyond(samples, self.middle, level) {
            Some(last) if last + tail.max(1) >= samples.len() => None,
            Some(last) => Some((self.moment(from + last) - after).max(0.0)),
            None => Some(0.0),
        }
    }

    /// How long after a moment the reference first went beyond a level; `None` if it never did.
    pub(super) fn moved_after(&self, moment: Instant, level: f64) -> Option<f64> {
        let (from, samples) = self.since(moment);
        let after = moment.saturating_duration_since(self.epoch).as_secs_f64();
        tone::first_beyond(samples, self.middle, level)
            .map(|first| (self.moment(from + first) - after).max(0.0))
    }

    /// Largest distance of the reference from its middle since a moment.
    pub(super) fn largest_since(&self, moment: Instant) -> f64 {
        let (_, samples) = self.since(moment);
        samples.iter().map(|s| (f64::from(*s) - self.middle).abs()).fold(0.0, f64::max)
    }

    /// Makes one instrument safe, with proof, taking blocks meanwhile.
    pub(super) fn make_safe(&mut self, name: &str, reason: Reason) -> Result<Answer<Proof>, String> {
        let introduction = self.station(name)?.introduction.clone();
        let answer = self.call(name, &MakeSafe { reason }, safe_limit(&introduction));
        let answer = answer.map_err(|e| format!("make_safe: {e}"))?;
        is_safe(&answer.value, &introduction)?;
        Ok(answer)
    }

    /// To 0 V in good order, then everything safe.
    pub(super) fn rest(&mut self) -> Result<(), String> {
        let name = self.source();
        let limit = self.reply_limit(&name)?;
        let over_s = self.motion.over.si();
        self.call(&name, &OutputOff { over_s }, limit).map_err(|e| format!("output_off: {e}"))?;
        self.listen(Duration::from_secs_f64(over_s + self.latency()))?;
        self.all_safe()
    }

    fn all_safe(&mut self) -> Result<(), String> {
        let mut wrong = Vec::new();
        for (name, station) in &mut self.stations {
            let made =
                super::super::subject::make_safe(&mut station.voice, &station.introduction, Reason::RunEnded);
            let safe =
                made.map_err(|e| e.to_string()).and_then(|proof| is_safe(&proof, &station.introduction));
            if let Err(error) = safe {
                wrong.push(format!("'{name}' was not made safe: {error}"));
            }
        }
        self.under_leave = false;
        for station in self.stations.values() {
            station.voice.leave(0);
        }
        if wrong.is_empty() { Ok(()) } else { Err(wrong.join("; ")) }
    }

    /// Makes everything safe; an instrument whose host is gone by a host of its own.
    pub(super) fn end(mut self) -> Result<(), String> {
        let mut wrong = Vec::new();
        for (name, mut station) in std::mem::take(&mut self.stations) {
            let made =
                super::super::subject::make_safe(&mut station.voice, &station.introduction, Reason::RunEnded);
            let safe =
                made.map_err(|e| e.to_string()).and_then(|proof| is_safe(&proof, &station.introduction));
            let subject = station.subject;
            drop(station);
            if safe.is_err()
                && let Err(error) = subject.greet()
            {
                wrong.push(format!("'{name}' could not be made safe: {error}"));
            }
        }
        if wrong.is_empty() { Ok(()) } else { Err(wrong.join("; ")) }
    }
}
