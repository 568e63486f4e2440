//! The question whether what a source was told is in effect: `*OPC?` (IEEE 488.2, 10.14), or another where the rig file says so.
//!
//! A reply to the station means that the setting is in effect; without this question it means that the instrument took the
//! command, and the latency of the rig file has to cover the rest.

use super::settings::SourceSettings;
use super::state::State;
use crate::built_in::link::number::shorten;
use crate::built_in::link::template::Template;
use crate::error::{DriverError, ErrorKind};
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::time::Duration;
use tokio::time::{Instant, sleep};

written_table! {
    /// The question whether what was set is in effect; a ramp of the instrument's own has begun then. Asked last, once a tone.
    pub struct Completion {
        /// The question, with the same places for numbers as other commands.
        pub query: Template = Template::plain("*OPC?"),
        /// What it is answered then. *OPC? is answered only then; another question is asked again until it is.
        pub answers: Vec<String> = vec!["1".to_owned()],
        /// Longest time until then. Making safe may have to wait for it, as for any transfer.
        pub within: Seconds = Seconds::new(0.2),
    }
}

/// Between two questions, where one was answered otherwise.
const PAUSE: Duration = Duration::from_millis(2);

/// Longest time that helps anybody, s.
const WITHIN_MAX: f64 = 10.0;

impl Completion {
    /// What is wrong, each with its remedy.
    pub(super) fn problems(&self, placeholders: &[&str]) -> Vec<String> {
        let mut found = self.query.problems("completion.query", placeholders);
        if self.answers.is_empty() {
            found.push("settings.completion.answers: no answer would do; write such as [\"1\"]".to_owned());
        }
        if !(self.within.si() >= 0.001 && self.within.si() <= WITHIN_MAX) {
            found.push(format!(
                "settings.completion.within: {} can't be kept; write 1 ms to {WITHIN_MAX} s",
                self.within
            ));
        }
        found
    }
}

/// Waits until what was set is in effect, where the rig file says how to ask.
///
/// # Errors
/// `timeout` where it is not in time; what the error queue says then; `busy` where the source is being made safe.
pub(super) async fn wait(settings: &SourceSettings, state: &mut State) -> Result<(), DriverError> {
    let Some(completion) = &settings.completion else { return Ok(()) };
    let op = "set_tone";
    let question = question(settings, completion, state)?;
    let within = Duration::from_secs_f64(completion.within.si());
    let transfer = Duration::from_secs_f64(settings.link.timeout.si());
    let until = Instant::now() + within;
    loop {
        // A question that is asked at the last moment is still answered like any other.
        let left = until.saturating_duration_since(Instant::now()).max(transfer);
        let answer = state.talk.command_within(op, &question, left).await?;
        if completion.answers.iter().any(|done| answer.eq_ignore_ascii_case(done)) {
            return super::super::errors::check(&mut state.talk, op, &question, settings.queue()).await;
        }
        if until.saturating_duration_since(Instant::now()) <= PAUSE {
            let detail = format!(
                "asked '{question}' it still says '{}' after {} ms, so that nobody knows whether the tone is set",
                shorten(&answer),
                within.as_millis()
            );
            return Err(state.talk.wrong(ErrorKind::Timeout, op, detail));
        }
        sleep(PAUSE).await;
    }
}

fn question(
    settings: &SourceSettings,
    completion: &Completion,
    state: &State,
) -> Result<String, DriverError> {
    let frequency = state.frequency.unwrap_or(settings.frequency_min.si());
    let command = settings.command(&completion.query, frequency, state.amplitude);
    command.map(|c| c.text).map_err(|d| state.talk.wrong(ErrorKind::Bug, "set_tone", d))
}

#[cfg(test)]
mod tests;
