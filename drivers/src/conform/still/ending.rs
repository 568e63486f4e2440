//! Hosts that have to end: by the end of their input, a heart that stops, a signal.

use super::super::relay::Manner;
use super::super::report::{Tried, Verdict};
use super::super::subject::{Question, Said, Subject, TRANSIT, safe_limit};
use crate::protocol::Introduction;
use rustix::process::Signal;
use std::process::ExitStatus;
use std::time::Duration;

/// Starting an interpreter's threads down, and a loaded machine.
const SLACK: Duration = Duration::from_millis(1000);

/// It has to have ended in good order, with its instrument safe.
fn in_good_order(status: ExitStatus) -> Result<(), String> {
    if status.success() {
        return Ok(());
    }
    Err(format!("its host ended with {status}, which says that its instrument may not be safe"))
}

/// What can be asked afterwards: a muted amplifier.
fn is_left_safe(subject: &Subject, introduction: &Introduction) -> Result<(), String> {
    if introduction.roles.amplifier.is_none() {
        return Ok(());
    }
    let (mut voice, _) = subject.open()?;
    match Question::Amplifier.ask(&mut voice, subject.reply_limit() + TRANSIT) {
        Ok(Said::Amplifier(state)) if state.muted => Ok(()),
        Ok(said) => Err(format!("its host ended, and left {said:?}")),
        Err(error) => Err(format!("asked what its host left: {error}")),
    }
}

/// The end of the input within a line, while a call waits for an answer that is held back for a moment.
pub(super) fn input(subject: &Subject) -> Tried {
    let (mut voice, introduction) = subject.greet()?;
    subject.link(Manner::Held);
    for question in subject.questions(&introduction) {
        question.put(&mut voice).map_err(|e| e.to_string())?;
    }
    voice.write(b"{\"jsonrpc\":\"2.0\",\"id\":7").map_err(|e| e.to_string())?;
    std::thread::sleep(Duration::from_millis(20));
    voice.end_input();
    std::thread::sleep(Duration::from_millis(20));
    subject.link(Manner::Plain);
    let (status, took) = voice.ended(safe_limit(&introduction) * 2 + SLACK)?;
    in_good_order(status)?;
    is_left_safe(subject, &introduction)?;
    let ms = took.as_secs_f64() * 1e3;
    Ok(Verdict::pass(format!("ended {ms:.0} ms after its input")).figure("end_ms", ms))
}

/// Under leave a heart that beats without judging is not believed; one that judges keeps the host.
pub(super) fn heart(subject: &Subject) -> Tried {
    let limit = subject.heartbeat_limit();
    let (mut voice, introduction) = subject.greet()?;
    voice.leave(1);
    for n in 1..=12 {
        voice.judged(n * 100);
        std::thread::sleep(limit / 4);
    }
    if voice.ended(Duration::ZERO).is_ok() {
        return Ok(Verdict::fail("its host ended though its heart beat and judgement advanced"));
    }
    // It beats on, and nothing is judged any more.
    let (status, took) = voice
        .ended(limit + safe_limit(&introduction) + SLACK)
        .map_err(|e| format!("judgement hangs while the heart beats: {e}"))?;
    in_good_order(status)?;
    let hangs = took.as_secs_f64() * 1e3;
    let (mut voice, introduction) = subject.greet()?;
    voice.beat(false);
    let (status, took) = voice
        .ended(limit + safe_limit(&introduction) + SLACK)
        .map_err(|e| format!("no heartbeat comes: {e}"))?;
    in_good_order(status)?;
    is_left_safe(subject, &introduction)?;
    let silent = took.as_secs_f64() * 1e3;
    let said = format!(
        "ended {hangs:.0} ms after the last judgement, {silent:.0} ms after the last beat (limit {} ms)",
        limit.as_millis()
    );
    Ok(Verdict::pass(said).figure("hanging_ms", hangs).figure("silent_ms", silent))
}

/// Ctrl-C and SIGTERM.
pub(super) fn signals(subject: &Subject) -> Tried {
    let mut longest = 0.0_f64;
    for (signal, name) in [(Signal::INT, "SIGINT"), (Signal::TERM, "SIGTERM")] {
        let (mut voice, introduction) = subject.greet()?;
        voice.signal(signal)?;
        let ended = voice.ended(safe_limit(&introduction) + SLACK);
        let (status, took) = ended.map_err(|e| format!("{name}: {e}"))?;
        in_good_order(status).map_err(|e| format!("{name}: {e}"))?;
        is_left_safe(subject, &introduction)?;
        longest = longest.max(took.as_secs_f64() * 1e3);
    }
    Ok(Verdict::pass(format!("ended within {longest:.0} ms")).figure("end_ms", longest))
}
