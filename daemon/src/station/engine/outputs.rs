//! Switching outputs of the contacts: the one that warns before motion, and the one that takes the source or the reference to the
//! channels; and
//! what follows where that fails.

use super::Engine;
use crate::station::messages::{ContactsCommand, Message, OutputFor};
use calibration::sequence::{Consequence, Input, Reply};
use drivers::DriverError;
use plan_schema::units::Seconds;
use std::time::Duration;

impl OutputFor {
    /// For messages.
    fn words(self) -> &'static str {
        match self {
            Self::Warning => "the output that warns",
            Self::Route => "the switch before the channels",
        }
    }
}

impl Engine {
    /// The run is over and its last word may be that an output goes off: its task has to be let do so.
    pub(super) async fn output_answered(&mut self) {
        let limit = self.run.setup().job.rig.timing.reply_limit.si().clamp(0.001, 3600.0);
        while self.progress.outputs_asked > 0 {
            let heard = tokio::time::timeout(Duration::from_secs_f64(limit * 2.0), self.inbox.recv()).await;
            match heard {
                Ok(Some(Message::Output(what, on, result))) => self.switched(what, on, result),
                Ok(Some(_)) => {}
                Ok(None) | Err(_) => {
                    tracing::error!("an output may still be on: its instrument does not answer");
                    return;
                }
            }
        }
    }

    /// An output was switched. The reply to the warning is waited for, its end is not; both ways of the switch are.
    pub(super) fn switched(&mut self, what: OutputFor, on: bool, result: Result<bool, DriverError>) {
        self.progress.outputs_asked = self.progress.outputs_asked.saturating_sub(1);
        let error = match result {
            Ok(applied) if applied == on => {
                let role = self.run.setup().job.rig.roles.contacts.clone().unwrap_or_default();
                match what {
                    OutputFor::Warning if on => self.replied(Reply::Warned, &role, Seconds::ZERO),
                    OutputFor::Warning => {}
                    OutputFor::Route => self.replied(Reply::Routed, &role, Seconds::ZERO),
                }
                return;
            }
            Ok(applied) => format!("{} was to be {on} and is {applied}", what.words()),
            Err(error) => error.to_string(),
        };
        tracing::error!(error, "{} could not be switched", what.words());
        self.unswitched(what, on, error);
    }

    /// Nothing moves without the warning that the rig file wants, or with the source where it does not belong.
    fn unswitched(&mut self, what: OutputFor, on: bool, detail: String) {
        if on || what == OutputFor::Route {
            let instrument = self.run.setup().job.rig.roles.contacts.clone().unwrap_or_default();
            self.feed(Input::Failed { instrument, detail, consequence: Consequence::FailRun });
        }
    }

    /// Switches an output.
    pub(super) fn switch(&mut self, what: OutputFor, on: bool) {
        let setup = self.run.setup();
        let number = match what {
            OutputFor::Warning => setup.job.rig.warning_output,
            OutputFor::Route => setup.switch_output(),
        };
        let sent = number
            .zip(self.lines.contacts.as_ref())
            .is_some_and(|(number, line)| line.try_send(ContactsCommand::Output(what, number, on)).is_ok());
        if sent {
            self.progress.outputs_asked += 1;
            self.progress.outstanding += 1;
        } else {
            self.unswitched(what, on, "its task takes no commands any more".to_owned());
        }
    }
}
