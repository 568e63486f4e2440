//! Rows that move the armature a little: only under leave. The reference is what tells.

mod endings;
mod pump;
mod safe_paths;
mod tone;
mod tones;

use super::Choice;
use super::report::{Report, Tried, Verdict, twice};
use super::subject::Subject;
use crate::protocol::ContinuityWord;
use plan_schema::rig::{Rig, instrument_of};
use plan_schema::units::{Hertz, Peak, Seconds, Volts};
use pump::Pump;
use std::collections::BTreeMap;

/// The small motion that the kit may make.
#[derive(Debug, Clone, PartialEq)]
pub struct Motion {
    /// Frequency, well above the resonance of the suspension, so that the acceleration goes with the force.
    pub frequency: Hertz,
    /// Largest drive.
    pub drive: Volts<Peak>,
    /// What the reference's channel is to show at that drive, as the rig file and the reference's calibration foresee.
    pub reference: Volts<Peak>,
    /// How long a change of drive takes.
    pub over: Seconds,
    /// How long the armature takes to come to rest, or to a steady motion.
    pub settling: Seconds,
    /// Which of the rig's channels is that of the reference, counted from 0.
    pub column: usize,
}

/// Who is tried, the promise, and how.
type Case = (Who, &'static str, fn(&mut Pump<'_>, &str) -> Tried);

/// Which instrument a row is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Who {
    Source,
    Amplifier,
    Relay,
    Acquisition,
}

const CASES: &[Case] = &[
    (Who::Source, "leave is looked at", tones::source_looks_at_leave),
    (Who::Amplifier, "leave is looked at", tones::amplifier_looks_at_leave),
    (Who::Source, "what is applied is there", tones::round_trip),
    (Who::Source, "volts are volts peak", tones::unit),
    (Who::Source, "phase at a change", tones::phase),
    (Who::Source, "latency", safe_paths::latency),
    (Who::Source, "time to its safe path", safe_paths::source_off),
    (Who::Amplifier, "time to its safe path", safe_paths::mute),
    (Who::Amplifier, "muted when nobody asks it", endings::watchdog),
    (Who::Relay, "leave is looked at", tones::amplifier_looks_at_leave),
    (Who::Relay, "time to its safe path", safe_paths::relay),
    (Who::Source, "an opening that changes nothing", endings::opening),
    (Who::Amplifier, "an opening that changes nothing", endings::opening),
    (Who::Relay, "an opening that changes nothing", endings::opening),
    (Who::Source, "at rest after the end of its input", endings::input),
    (Who::Amplifier, "at rest after the end of its input", endings::input),
    (Who::Relay, "at rest after the end of its input", endings::input),
    (Who::Source, "at rest after its heart stopped", endings::heart),
    (Who::Amplifier, "at rest after its heart stopped", endings::heart),
    (Who::Relay, "at rest after its heart stopped", endings::heart),
    (Who::Source, "at rest after Ctrl-C", endings::interrupt),
    (Who::Amplifier, "at rest after Ctrl-C", endings::interrupt),
    (Who::Relay, "at rest after Ctrl-C", endings::interrupt),
    (Who::Source, "an output that gets no more samples", endings::under_run),
    (Who::Acquisition, "overload is told", tones::overload),
];

/// Tries everything that moves the armature. Ends at the first instrument that can't be made safe.
pub(super) fn run(
    rig: &Rig,
    subjects: &BTreeMap<String, Subject>,
    motion: &Motion,
    choice: &Choice,
    report: &mut Report,
) {
    let roles = &rig.roles;
    for (who, row, case) in CASES {
        let role = match who {
            Who::Source => Some(&roles.source),
            Who::Amplifier => Some(&roles.amplifier),
            Who::Relay => roles.relay.as_ref(),
            Who::Acquisition => Some(&roles.acquisition),
        };
        let Some(name) = role.map(|role| instrument_of(role)) else { continue };
        if !choice.takes(name, row) {
            continue;
        }
        let tried = twice(|| one(rig, subjects, motion, report, (*who, name, *case)));
        report.add(name, row, tried);
        if report.not_safe.is_some() {
            return;
        }
    }
}

/// Tries a row on a rig that is opened for it. After an instrument that can't be made safe nothing is tried any more.
fn one(
    rig: &Rig,
    subjects: &BTreeMap<String, Subject>,
    motion: &Motion,
    report: &mut Report,
    (who, name, case): (Who, &str, fn(&mut Pump<'_>, &str) -> Tried),
) -> Tried {
    if let Some(not_safe) = &report.not_safe {
        return Err(not_safe.clone());
    }
    let mut pump = Pump::open(rig, subjects, motion)?;
    if pump.continuity() != ContinuityWord::Continuous {
        return Ok(Verdict::not_supported("its acquisition has gaps, in which an effect could hide"));
    }
    let tried = case(&mut pump, name);
    if let (Ok(verdict), Who::Source | Who::Amplifier | Who::Relay) = (&tried, who) {
        take_times(report, name, verdict);
    }
    match pump.end() {
        Ok(()) => tried,
        Err(not_safe) => {
            report.not_safe = Some(not_safe.clone());
            Err(tried.err().map_or(not_safe.clone(), |e| format!("{e}; {not_safe}")))
        }
    }
}

/// Measured times go into the report.
fn take_times(report: &mut Report, name: &str, verdict: &Verdict) {
    for (figure, value) in &verdict.figures {
        match *figure {
            "latency_s" => drop(report.latency_s.insert(name.to_owned(), *value)),
            "source_off_s" => report.source_off_s = Some(*value),
            "amplifier_mute_s" => report.amplifier_mute_s = Some(*value),
            "relay_s" => report.relay_s = Some(*value),
            "amplifier_watchdog_s" => report.amplifier_watchdog_s = Some(*value),
            _ => {}
        }
    }
}
