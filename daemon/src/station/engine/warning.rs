//! Switching the output that warns before motion, and what follows where that fails.

use super::Engine;
use crate::station::messages::{ContactsCommand, Message};
use calibration::sequence::{Consequence, Input, Reply};
use drivers::DriverError;
use plan_schema::units::Seconds;
use std::time::Duration;

impl Engine {
    /// The run is over and its last word may be that the warning goes off: its task has to be let do so.
    pub(super) async fn output_answered(&mut self) {
        let limit = self.run.setup().job.rig.timing.reply_limit.si().clamp(0.001, 3600.0);
        while self.progress.warning_asked {
            let heard = tokio::time::timeout(Duration::from_secs_f64(limit * 2.0), self.inbox.recv()).await;
            match heard {
                Ok(Some(Message::Output(on, result))) => self.switched(on, result),
                Ok(Some(_)) => {}
                Ok(None) | Err(_) => {
                    tracing::error!("the warning may still be on: its instrument does not answer");
                    return;
                }
            }
        }
    }

    /// An output was switched: the reply to the warning is waited for, its end is not.
    pub(super) fn switched(&mut self, on: bool, result: Result<bool, DriverError>) {
        self.progress.warning_asked = false;
        let error = match result {
            Ok(applied) if applied == on => {
                if on {
                    let role = self.run.setup().job.rig.roles.contacts.clone().unwrap_or_default();
                    self.replied(Reply::Warned, &role, Seconds::ZERO);
                }
                return;
            }
            Ok(applied) => format!("the output that warns was to be {on} and is {applied}"),
            Err(error) => error.to_string(),
        };
        tracing::error!(error, "the warning could not be switched");
        if on {
            self.unwarned(error);
        }
    }

    /// Nothing moves without the warning that the rig file wants.
    fn unwarned(&mut self, detail: String) {
        let instrument = self.run.setup().job.rig.roles.contacts.clone().unwrap_or_default();
        self.feed(Input::Failed { instrument, detail, consequence: Consequence::FailRun });
    }

    /// Switches the output that warns.
    pub(super) fn warn(&mut self, on: bool) {
        let number = self.run.setup().job.rig.warning_output;
        let sent = number
            .zip(self.lines.contacts.as_ref())
            .is_some_and(|(number, line)| line.try_send(ContactsCommand::Output(number, on)).is_ok());
        if sent {
            self.progress.warning_asked = true;
            self.progress.outstanding += 1;
        } else if on {
            self.unwarned("its task takes no commands any more".to_owned());
        }
    }
}
