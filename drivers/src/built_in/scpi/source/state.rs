//! What a source was told last, and the single commands that change it.

use super::super::errors;
use super::settings::SourceSettings;
use crate::built_in::link::number;
use crate::built_in::link::talk::Talk;
use crate::built_in::link::template::Template;
use crate::error::{DriverError, ErrorKind};

/// The source as it was told last.
pub(super) struct State {
    pub(super) talk: Talk,
    /// Frequency in Hz, where one was set.
    pub(super) frequency: Option<f64>,
    /// Amplitude in V peak.
    pub(super) amplitude: f64,
    /// Whether the output was switched on.
    pub(super) on: bool,
    /// Whether the preparing commands were sent since it was made safe.
    pub(super) prepared: bool,
    /// It was made safe since its link was opened.
    proved: bool,
    /// What went wrong on a way that runs on after its call ended.
    pub(super) failure: Option<DriverError>,
}

impl State {
    pub(super) fn new(talk: Talk) -> Self {
        Self {
            talk,
            frequency: None,
            amplitude: 0.0,
            on: false,
            prepared: false,
            proved: false,
            failure: None,
        }
    }

    /// Refuses to drive while it is not known what the output does.
    pub(super) fn may_drive(&mut self, amplitude: f64) -> Result<(), DriverError> {
        if let Some(failure) = self.failure.take() {
            return Err(failure);
        }
        self.note_reopened();
        if amplitude > 0.0 && !self.proved {
            let detail = "its link was opened and it was not made safe since; make it safe first";
            return Err(self.talk.wrong(ErrorKind::Disconnected, "set_tone", detail));
        }
        Ok(())
    }

    /// Sends the commands that come before the first tone, so that nothing is left of what was before.
    pub(super) async fn prepare(
        &mut self,
        settings: &SourceSettings,
        frequency: f64,
    ) -> Result<(), DriverError> {
        if let Some(queue) = settings.queue() {
            // Making safe reads no more of the queue than the answer to its own commands.
            errors::clear(&mut self.talk, "set_tone", queue).await?;
        }
        // They may set a frequency of their own.
        self.frequency = None;
        for template in &settings.prepare {
            self.send(settings, template, frequency, 0.0).await?;
        }
        self.prepared = true;
        Ok(())
    }

    fn note_reopened(&mut self) {
        if self.talk.take_reopened() {
            self.proved = false;
            self.prepared = false;
            self.frequency = None;
        }
    }

    /// Sends a command with a tone in it.
    pub(super) async fn send(
        &mut self,
        settings: &SourceSettings,
        template: &Template,
        frequency: f64,
        amplitude: f64,
    ) -> Result<(), DriverError> {
        let command = settings
            .command(template, frequency, amplitude)
            .map_err(|d| self.talk.wrong(ErrorKind::OutOfRange, "set_tone", d))?;
        let sent = errors::set(&mut self.talk, "set_tone", &command.text, settings.queue()).await;
        // A link that was opened anew under way does not know what came before.
        if self.talk.take_reopened() {
            self.proved = false;
            self.prepared = false;
            self.frequency = None;
            sent?;
            let detail = "its link was lost and opened anew; make it safe first";
            return Err(self.talk.wrong(ErrorKind::Disconnected, "set_tone", detail));
        }
        sent
    }

    /// Sets the frequency where it is another; returns what was applied, in Hz.
    pub(super) async fn set_frequency(
        &mut self,
        settings: &SourceSettings,
        frequency: f64,
    ) -> Result<f64, DriverError> {
        let command = settings
            .command(&settings.frequency, frequency, self.amplitude)
            .map_err(|d| self.talk.wrong(ErrorKind::OutOfRange, "set_tone", d))?;
        let mut applied = command.frequency.unwrap_or(frequency);
        if self.frequency.is_some_and(|f| (f - applied).abs() <= f64::EPSILON * applied) {
            return Ok(applied);
        }
        self.frequency = None;
        self.send(settings, &settings.frequency, frequency, self.amplitude).await?;
        if let Some(question) = &settings.frequency_query {
            let answer = self.talk.ask("set_tone", question).await?;
            applied =
                number::parse(&answer).map_err(|d| self.talk.wrong(ErrorKind::BadData, "set_tone", d))?;
            if (applied - frequency).abs() > 0.01 * frequency {
                let detail = format!("it was told {frequency} Hz and says {applied} Hz");
                return Err(self.talk.wrong(ErrorKind::BadData, "set_tone", detail));
            }
        }
        self.frequency = Some(applied);
        Ok(applied)
    }

    /// The amplitude that a wish becomes on this instrument, in V peak; never more than the wish.
    pub(super) fn applied_amplitude(
        &self,
        settings: &SourceSettings,
        amplitude: f64,
    ) -> Result<f64, DriverError> {
        if amplitude < settings.amplitude_min.si() {
            return Ok(0.0);
        }
        let command = settings.command(&settings.amplitude, settings.frequency_min.si(), amplitude);
        command
            .map(|c| c.amplitude.unwrap_or(amplitude).min(amplitude))
            .map_err(|d| self.talk.wrong(ErrorKind::OutOfRange, "set_tone", d))
    }

    /// Sets the amplitude at once; below the smallest one the output is switched off.
    pub(super) async fn set_amplitude(
        &mut self,
        settings: &SourceSettings,
        amplitude: f64,
    ) -> Result<(), DriverError> {
        let least = settings.amplitude_min.si();
        let frequency = self.frequency.unwrap_or(settings.frequency_min.si());
        let amplitude = if amplitude < least { 0.0 } else { amplitude };
        if amplitude < least
            && let Some(off) = &settings.output_off
        {
            self.on = false;
            errors::set(&mut self.talk, "set_tone", off, settings.queue()).await?;
        } else {
            if amplitude > 0.0 && !self.on {
                self.switch_on(settings).await?;
            }
            self.send(settings, &settings.amplitude, frequency, amplitude).await?;
        }
        self.amplitude = amplitude;
        Ok(())
    }

    /// Switches the output on at the smallest amplitude.
    pub(super) async fn switch_on(&mut self, settings: &SourceSettings) -> Result<(), DriverError> {
        let frequency = self.frequency.unwrap_or(settings.frequency_min.si());
        self.send(settings, &settings.amplitude, frequency, settings.amplitude_min.si()).await?;
        if let Some(on) = &settings.output_on {
            errors::set(&mut self.talk, "set_tone", on, settings.queue()).await?;
        }
        self.on = true;
        Ok(())
    }

    /// 0 V at once, output off, and what reads back in V peak.
    pub(super) async fn make_safe(
        &mut self,
        settings: &SourceSettings,
        op: &'static str,
    ) -> Result<f64, DriverError> {
        self.talk.reach(op).await?;
        self.note_reopened();
        self.prepared = false;
        let frequency = self.frequency.unwrap_or(settings.frequency_min.si());
        // A long ramp of its own would take its time; what this does not do the switch may.
        if let Some(Ok((fast, _))) = settings.ramp_command(0.0) {
            let _ = errors::set(&mut self.talk, op, &fast, settings.queue()).await;
        }
        let zero = settings
            .command(&settings.amplitude, frequency, settings.amplitude_min.si())
            .map_err(|d| self.talk.wrong(ErrorKind::Bug, op, d))?;
        let lowered = errors::set(&mut self.talk, op, &zero.text, settings.queue()).await;
        // What one command did not do the other may.
        let switched = match &settings.output_off {
            Some(off) => errors::set(&mut self.talk, op, off, settings.queue()).await,
            None => Ok(()),
        };
        let drive = self.read_back(settings, op).await?;
        // Of a link that was opened anew on the way this is the proof too.
        self.note_reopened();
        if drive.abs() <= 0.0 {
            self.amplitude = 0.0;
            self.on = false;
            self.proved = true;
            self.failure = None;
            return Ok(0.0);
        }
        lowered?;
        switched?;
        let detail =
            format!("it still reads back {drive} V pk; mute the amplifier and switch the source off by hand");
        Err(self.talk.wrong(ErrorKind::BadData, op, detail))
    }

    /// What the output does, as the instrument says, in V peak.
    async fn read_back(&mut self, settings: &SourceSettings, op: &'static str) -> Result<f64, DriverError> {
        if let Some(question) = &settings.output_query {
            let answer = self.talk.ask(op, question).await?;
            if settings.output_is_off.iter().any(|off| answer.eq_ignore_ascii_case(off)) {
                return Ok(0.0);
            }
            if settings.amplitude_query.is_none() {
                let off = settings.output_is_off.join("' or '");
                let detail = format!("asked whether its output is on it says '{answer}', and off is '{off}'");
                return Err(self.talk.wrong(ErrorKind::BadData, op, detail));
            }
        }
        let question = settings.amplitude_query.as_deref().unwrap_or_default();
        let answer = self.talk.ask(op, question).await?;
        let value = number::parse(&answer).map_err(|d| self.talk.wrong(ErrorKind::BadData, op, d))?;
        Ok(settings.amplitude_unit.peak(value))
    }
}
