//! What the rig file says about a signal source: its commands as templates, its limits, how it reads back.

use super::completion::Completion;
use crate::built_in::link::Link;
use crate::built_in::link::template::{Given, Template};
use crate::built_in::settings::WantedIdentity;
use plan_schema::units::{Hertz, Peak, Seconds, Volts};
use plan_schema::{written_table, written_words};
use std::f64::consts::SQRT_2;

written_words! {
    /// How an amplitude is meant.
    pub enum AmplitudeUnit {
        /// Peak.
        Peak = "v_peak",
        /// Peak to peak.
        PeakToPeak = "v_pp",
        /// Root mean square of a sine.
        Rms = "v_rms",
    }
}

impl AmplitudeUnit {
    /// The unit of a placeholder of this name.
    fn named(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|u| u.word() == name)
    }

    /// How many of this unit a peak volt is.
    fn per_peak(self) -> f64 {
        match self {
            Self::Peak => 1.0,
            Self::PeakToPeak => 2.0,
            Self::Rms => 1.0 / SQRT_2,
        }
    }

    /// The peak of an amplitude in this unit.
    pub(super) fn peak(self, value: f64) -> f64 {
        value / self.per_peak()
    }
}

written_table! {
    /// A signal source that takes lines of text. In commands, {hz}, {khz}, {v_peak}, {v_pp} and {v_rms} have a number.
    pub struct SourceSettings {
        /// How it is reached.
        pub link: Link,
        /// Who it has to be.
        pub identity: WantedIdentity = WantedIdentity::default(),
        /// The question for its identity; empty where it has none.
        pub identify: String = "*IDN?".to_owned(),
        /// The question for its error queue, asked after each setting; empty where it has none.
        pub error_query: String = "SYST:ERR?".to_owned(),
        /// The question whether what was set is in effect, asked after it; absent: the reply to the command counts, and the
        /// instrument's latency has to cover what is left.
        pub completion: Option<Completion>,
        /// Commands that are sent at 0 V before the first tone after opening or making safe: shape, offset, load, unit.
        pub prepare: Vec<Template> = Vec::new(),
        /// The command for a frequency.
        pub frequency: Template,
        /// The question for the frequency in Hz; absent: what was sent counts as applied.
        pub frequency_query: Option<String>,
        /// The command for an amplitude.
        pub amplitude: Template,
        /// The question for the amplitude.
        pub amplitude_query: Option<String>,
        /// The unit in which it answers that question.
        pub amplitude_unit: AmplitudeUnit = AmplitudeUnit::Peak,
        /// The command for the time of its own ramp, in which {s} and {ms} have a number; absent where it has none, and the
        /// driver goes in small steps.
        pub ramp: Option<Template>,
        /// The shortest time of its own ramp.
        pub ramp_min: Seconds = Seconds::ZERO,
        /// Time between two of the driver's steps.
        pub ramp_step: Seconds = Seconds::new(0.01),
        /// The command that switches the output on; absent where there is no such switch.
        pub output_on: Option<String>,
        /// The command that switches the output off.
        pub output_off: Option<String>,
        /// The question whether the output is on.
        pub output_query: Option<String>,
        /// What it answers while the output is off.
        pub output_is_off: Vec<String> = vec!["0".to_owned(), "OFF".to_owned()],
        /// Lowest frequency.
        pub frequency_min: Hertz,
        /// Highest frequency.
        pub frequency_max: Hertz,
        /// Smallest amplitude beside 0 V, which is then the output switched off.
        pub amplitude_min: Volts<Peak> = Volts::ZERO,
        /// Largest amplitude.
        pub amplitude_max: Volts<Peak>,
        /// True if a tone that starts from 0 V starts at phase zero, rising.
        pub starts_at_zero: bool = false,
    }
}

/// Placeholders of a frequency, and of an amplitude.
const OF_FREQUENCY: [&str; 2] = ["hz", "khz"];
const OF_AMPLITUDE: [&str; 3] = ["v_peak", "v_pp", "v_rms"];
const OF_TIME: [&str; 2] = ["s", "ms"];

/// A command and what it sets: frequency in Hz and amplitude in V peak, as the text says them.
pub(super) struct Command {
    pub(super) text: String,
    pub(super) frequency: Option<f64>,
    pub(super) amplitude: Option<f64>,
}

impl SourceSettings {
    /// A command with this tone in it.
    pub(super) fn command(
        &self,
        template: &Template,
        frequency: f64,
        amplitude: f64,
    ) -> Result<Command, String> {
        let plain = |name, value| Given { name, value, limit: false };
        let limit = |unit: AmplitudeUnit| Given {
            name: unit.word(),
            value: amplitude * unit.per_peak(),
            limit: true,
        };
        let given = [
            plain("hz", frequency),
            plain("khz", frequency / 1000.0),
            limit(AmplitudeUnit::Peak),
            limit(AmplitudeUnit::PeakToPeak),
            limit(AmplitudeUnit::Rms),
        ];
        let (text, written) = template.render(&given)?;
        let mut command = Command { text, frequency: None, amplitude: None };
        for (name, value) in written {
            match name.as_str() {
                "hz" => command.frequency = Some(value),
                "khz" => command.frequency = Some(value * 1000.0),
                unit => command.amplitude = AmplitudeUnit::named(unit).map(|u| u.peak(value)),
            }
        }
        Ok(command)
    }

    /// The command for the time of the instrument's own ramp, and that time as the text says it, in s.
    pub(super) fn ramp_command(&self, over: f64) -> Option<Result<(String, f64), String>> {
        let template = self.ramp.as_ref()?;
        let over = over.max(self.ramp_min.si());
        let given = [
            Given { name: "s", value: over, limit: false },
            Given { name: "ms", value: over * 1000.0, limit: false },
        ];
        Some(template.render(&given).map(|(text, written)| {
            let time = written.first().map_or(over, |(name, v)| if name == "ms" { v / 1000.0 } else { *v });
            (text, time)
        }))
    }

    /// The question for the error queue, where there is one.
    pub(super) fn queue(&self) -> Option<&str> {
        Some(self.error_query.as_str()).filter(|q| !q.is_empty())
    }

    /// Longest time that a single transfer takes.
    pub(super) fn transfer(&self) -> Seconds {
        let completion = self.completion.as_ref().map_or(Seconds::ZERO, |c| c.within);
        if completion > self.link.timeout { completion } else { self.link.timeout }
    }

    /// What is wrong, each with its remedy.
    pub(super) fn problems(&self) -> Vec<String> {
        let mut found = self.link.problems();
        let tone: Vec<&str> = OF_FREQUENCY.into_iter().chain(OF_AMPLITUDE).collect();
        found.extend(self.frequency.problems("frequency", &tone));
        found.extend(self.amplitude.problems("amplitude", &tone));
        found.extend(self.completion.iter().flat_map(|c| c.problems(&tone)));
        self.prepare.iter().for_each(|p| found.extend(p.problems("prepare", &tone)));
        if !self.frequency.has_any(&OF_FREQUENCY) {
            found.push(
                "settings.frequency: the command has no place for the frequency; put {hz} in it".into(),
            );
        }
        if !self.amplitude.has_any(&OF_AMPLITUDE) {
            found.push(
                "settings.amplitude: the command has no place for the amplitude; put {v_peak}, {v_pp} or {v_rms} in it"
                    .into(),
            );
        }
        if let Some(ramp) = &self.ramp {
            found.extend(ramp.problems("ramp", &OF_TIME));
            if !ramp.has_any(&OF_TIME) {
                found.push(
                    "settings.ramp: the command has no place for the time; put {s} or {ms} in it".into(),
                );
            }
        }
        found.extend(self.limits_problems());
        found.extend(self.output_problems());
        found
    }

    fn limits_problems(&self) -> Vec<String> {
        let mut found = Vec::new();
        // Written so that what is no number is refused.
        if !(self.frequency_min.si() > 0.0 && self.frequency_max >= self.frequency_min) {
            found.push(format!(
                "settings.frequency_min: {} to {} is no range; write a lowest frequency above 0 Hz and a highest above it",
                self.frequency_min, self.frequency_max
            ));
        }
        let (least, most) = (self.amplitude_min.si(), self.amplitude_max.si());
        if !(least >= 0.0 && most > least && most.is_finite()) {
            found.push(format!(
                "settings.amplitude_max: {least} V pk to {most} V pk is no range; write a largest amplitude above the \
                 smallest"
            ));
        }
        if !(self.ramp_step.si() >= 0.001 && self.ramp_step.si() <= 1.0) {
            found.push(format!("settings.ramp_step: {} is no step; write 1 ms to 1 s", self.ramp_step));
        }
        found
    }

    fn output_problems(&self) -> Vec<String> {
        let mut found = Vec::new();
        if self.output_query.is_none() && self.amplitude_query.is_none() {
            found.push(
                "settings.output_query: nothing can be read back, so nothing proves that the source is safe; write \
                 output_query or amplitude_query"
                    .into(),
            );
        }
        if self.output_on.is_some() != self.output_off.is_some() {
            found.push("settings.output_on: output_on and output_off go together; write both".into());
        }
        if self.output_query.is_some() && self.output_off.is_none() {
            found.push(
                "settings.output_query: the output is asked about, but nothing switches it; write output_on and \
                 output_off"
                    .into(),
            );
        }
        if self.amplitude_min > Volts::ZERO && self.output_off.is_none() {
            found.push(format!(
                "settings.amplitude_min: an output that goes no lower than {} V pk is at 0 V only when it is off; write \
                 output_on and output_off",
                self.amplitude_min.si()
            ));
        }
        found
    }
}
