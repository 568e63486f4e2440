//! `calwright arm`: a named person gives leave to move a rig, after the check-list.
//!
//! Owns the questions and what is said about leave. Must not judge a leave: the station does.

use super::{ArmArguments, Context, Exit, acknowledge, check, noted, say};
use crate::execution::is_real;
use crate::files::Disk;
use crate::load;
use crate::record::UtcTime;
use crate::station::StationError;
use crate::station::latch::{Latch, LatchFile};
use crate::station::leave::Leave;
use crate::station::leave_file::{Given, give, lasts, leave_for};
use plan_schema::read::{Diagnostics, Document};
use plan_schema::resolve::ResolvedJob;
use plan_schema::rig::Rig;
use std::io::{self, BufRead, IsTerminal};

/// What everybody has to know who lets an armature move.
const CAUTIONS: &str = "\
A shaker's armature crushes and throws. This program protects equipment and data; it is no safety function in the sense of
machine-safety standards. Before you give leave: a hard-wired emergency stop within reach, moving parts guarded, payload
and cables secured, hearing protection where it is loud, nobody's hands near the armature. The maker's manual, local safety
rules and qualified staff come first.";

pub(super) fn run(context: &Context, arguments: &ArmArguments) -> Exit {
    match armed(context, arguments) {
        Ok(leave) => {
            let detail = format!("until {}; confirmed: {}", leave.until_utc, leave.checklist.join("; "));
            noted::note(context, Some(&leave.name), "arm", &detail);
            if context.json {
                say::out(&serde_json::to_string_pretty(&leave).unwrap_or_default());
            } else {
                say::out(&format!(
                    "{} gave leave to move until {}. It ends before that by a trip, 'calwright stop', an open guard, a \
                     restart of this machine, a change of the rig file, or when other sensors are mounted.",
                    leave.name, leave.until_utc
                ));
            }
            Exit::Done
        }
        Err(exit) => exit,
    }
}

fn armed(context: &Context, arguments: &ArmArguments) -> Result<Leave, Exit> {
    if arguments.name.trim().is_empty() {
        return Err(refuse(Exit::Input, "leave to move needs a name; it is recorded"));
    }
    let (rig, mut remarks) = load::rig(&arguments.rig).map_err(|e| check::refuse(&e))?;
    if !is_real(&rig.value) {
        let text = "every instrument of this rig is simulated; dry runs need no leave to move";
        return Err(refuse(Exit::Input, text));
    }
    remarks.0.extend(unwarned(&rig).0);
    say::error(&remarks.render(say::colour()));
    say::error(CAUTIONS);
    let lasts = lasts(&rig.value, arguments.hours).map_err(|text| refuse(Exit::Input, &text))?;
    let name = &rig.value.name;
    let place = LatchFile::of(&context.settings.state_dir(), name, false);
    // The lock is held while the person answers: no run begins meanwhile, and nothing that was read goes stale.
    let (_lock, latch) = place.claim(&Disk, UtcTime::now().timestamp()).map_err(|error| {
        let text = match error.kind() {
            io::ErrorKind::WouldBlock => format!(
                "rig '{name}' is in use: a run goes on, or somebody gives leave; 'calwright stop \"{name}\"' stops a run"
            ),
            _ => format!("the lock of rig '{name}' can't be taken: {error}"),
        };
        refuse(Exit::Environment, &text)
    })?;
    // A rig that was never used has no latch yet; with its lock there it would look as if the latch was lost.
    if !place.path().exists() && matches!(latch, Latch::Clear { .. }) {
        place
            .write(&Disk, &latch)
            .map_err(|e| refuse(Exit::Environment, &format!("no latch can be stored: {e}")))?;
    }
    if let Latch::Tripped { reason, message, .. } = &latch {
        say::error(&format!("error: rig '{name}' is tripped ({reason}): {message}"));
        acknowledge::invite(context, name, false, reason);
        return Err(Exit::Tripped);
    }
    let checklist = confirmed(&rig.value, arguments)?;
    let at = UtcTime::now();
    let until = at.timestamp().checked_add(lasts).map_err(|e| refuse(Exit::Input, &e.to_string()))?;
    let given = Given { name: arguments.name.trim().to_owned(), at, until: until.into(), checklist };
    give(&place, &Disk, &rig.value, &latch, given).map_err(|error| match error {
        StationError::NotArmed(_) => refuse(Exit::Tripped, &error.to_string()),
        _ => refuse(Exit::Environment, &format!("leave to move can't be stored: {error}")),
    })
}

fn refuse(exit: Exit, text: &str) -> Exit {
    say::error(&format!("error: {text}"));
    exit
}

/// The lines of the check-list that the person confirmed: all of them.
fn confirmed(rig: &Rig, arguments: &ArmArguments) -> Result<Vec<String>, Exit> {
    let list: Vec<&str> = rig.checklist.iter().map(|e| e.text.as_str()).collect();
    if let Some(stranger) = arguments.confirm.iter().find(|c| !list.contains(&c.as_str())) {
        let text =
            format!("'{stranger}' is no line of the check-list; its lines are:\n    {}", list.join("\n    "));
        return Err(refuse(Exit::Input, &text));
    }
    for line in &list {
        if arguments.all_confirmed || arguments.confirm.iter().any(|c| c == line) {
            continue;
        }
        if !io::stdin().is_terminal() {
            let text = format!("'{line}' is not confirmed; look, then add --confirm \"{line}\"");
            return Err(refuse(Exit::Input, &text));
        }
        if !says_yes(line) {
            return Err(refuse(Exit::Tripped, &format!("no leave to move: '{line}' was not confirmed")));
        }
    }
    Ok(list.into_iter().map(str::to_owned).collect())
}

/// Asks until there is a clear answer; no answer is a no.
fn says_yes(line: &str) -> bool {
    loop {
        say::error(&format!("{line}? [y/n]"));
        let mut answer = String::new();
        match io::stdin().lock().read_line(&mut answer) {
            Ok(0) | Err(_) => return false,
            Ok(_) => match answer.trim() {
                "y" | "Y" | "yes" => return true,
                "n" | "N" | "no" => return false,
                _ => {}
            },
        }
    }
}

/// A remark where a real rig moves without a warning.
pub(super) fn unwarned(rig: &Document<Rig>) -> Diagnostics {
    if rig.value.warning_output.is_some() || !is_real(&rig.value) {
        return Diagnostics(Vec::new());
    }
    let message = "nothing warns before the armature of this rig moves";
    let remedy = "connect a lamp or horn to a contact output and write warning_output = NUMBER";
    rig.warning("name", message, remedy).into()
}

/// Whether a run of this job could begin, as far as leave to move goes, in words; `None` for a simulated rig.
pub(super) fn remark(context: &Context, job: &ResolvedJob) -> Option<String> {
    if !is_real(&job.rig) {
        return None;
    }
    let place = LatchFile::of(&context.settings.state_dir(), &job.rig.name, false);
    let now = UtcTime::now();
    let latch = place.read(&Disk, now.timestamp());
    Some(match leave_for(&place, &Disk, job, &latch, now) {
        Ok(leave) => format!("note: {} gave leave to move this rig until {}", leave.name, leave.until_utc),
        Err(error) => {
            format!("note: {error}; before a run: calwright arm RIG-FILE --name \"…\"")
        }
    })
}
