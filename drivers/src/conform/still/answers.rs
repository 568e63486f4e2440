//! What a driver makes of an instrument that answers badly, late or not at all.

use super::super::relay::Manner;
use super::super::report::{Tried, Verdict};
use super::super::subject::{Question, Said, Subject, TRANSIT, is_safe, make_safe};
use super::super::voice::{Failure, Voice};
use crate::protocol::{Introduction, Reason};
use rustix::process::Signal;
use std::time::Duration;
use tokio::time::Instant;

/// How often a good answer is asked for once the link is good again.
const TRIES: usize = 5;

/// An open instrument with the questions that are tried on it and what it answers when all is well.
struct Ready {
    voice: Voice,
    introduction: Introduction,
    questions: Vec<(Question, Said)>,
}

/// `None` where nothing can be tried, with the reason.
fn ready(subject: &Subject) -> Result<Result<Ready, Verdict>, String> {
    if subject.relay.is_none() {
        return Ok(Err(Verdict::not_supported("its settings name no link that a relay fits")));
    }
    let (mut voice, introduction) = subject.greet()?;
    let mut questions = Vec::new();
    for question in subject.questions(&introduction) {
        let said = question.ask(&mut voice, question.limit(subject, &introduction));
        let said = said.map_err(|e| format!("{} while all is well: {e}", question.method()))?;
        questions.push((question, said));
    }
    if questions.is_empty() {
        return Ok(Err(Verdict::not_supported("it has no role that this rig uses")));
    }
    Ok(Ok(Ready { voice, introduction, questions }))
}

/// The question has to fail, by an answer of the host's and in time.
fn has_to_fail(subject: &Subject, ready: &mut Ready, n: usize, what: &str) -> Result<Duration, String> {
    let Some((question, _)) = ready.questions.get(n) else {
        return Err("there is no such question".to_owned());
    };
    let begun = Instant::now();
    match question.ask(&mut ready.voice, question.limit(subject, &ready.introduction)) {
        Err(Failure::Said(_)) => Ok(begun.elapsed()),
        Ok(said) => Err(format!("{} {what} was answered with {said:?}", question.method())),
        Err(other) => Err(format!("{} {what}: {other}", question.method())),
    }
}

/// Once the link is good again so are the answers, after making safe and a few tries.
fn recovers(subject: &Subject, ready: &mut Ready) -> Result<(), String> {
    let mut last = String::new();
    for _ in 0..TRIES {
        match make_safe(&mut ready.voice, &ready.introduction, Reason::Operator) {
            Ok(proof) => {
                is_safe(&proof, &ready.introduction)?;
                last.clear();
                break;
            }
            Err(error) => last = error.to_string(),
        }
    }
    if !last.is_empty() {
        return Err(format!("it can't be made safe once the link is good again: {last}"));
    }
    for (question, before) in &ready.questions {
        let mut answer = Err(Failure::Silent(Duration::ZERO));
        for _ in 0..TRIES {
            answer = question.ask(&mut ready.voice, question.limit(subject, &ready.introduction));
            if answer.is_ok() {
                break;
            }
        }
        match answer {
            Ok(said) if said.agrees(before) => {}
            Ok(said) => {
                return Err(format!(
                    "{}: {said:?} after the trouble, {before:?} before it",
                    question.method()
                ));
            }
            Err(error) => return Err(format!("{} once the link is good again: {error}", question.method())),
        }
    }
    Ok(())
}

/// Tries one manner on every question, then recovery.
fn under(subject: &Subject, manner: Manner, what: &str, rounds: usize) -> Tried {
    let mut ready = match ready(subject)? {
        Ok(ready) => ready,
        Err(verdict) => return Ok(verdict),
    };
    let mut longest = Duration::ZERO;
    for _ in 0..rounds {
        for n in 0..ready.questions.len() {
            subject.link(manner);
            longest = longest.max(has_to_fail(subject, &mut ready, n, what)?);
        }
    }
    subject.link(Manner::Plain);
    recovers(subject, &mut ready)?;
    let ms = longest.as_secs_f64() * 1e3;
    Ok(Verdict::pass(format!("refused within {ms:.0} ms; good again afterwards")).figure("refused_ms", ms))
}

/// No answer is a failure, never a value.
pub(super) fn silent(subject: &Subject) -> Tried {
    under(subject, Manner::Swallowed, "that got no answer", 1)
}

/// An empty line is no value either.
pub(super) fn empty(subject: &Subject) -> Tried {
    under(subject, Manner::Emptied, "that got an empty answer", 1)
}

/// Bytes that mean nothing.
pub(super) fn garbage(subject: &Subject) -> Tried {
    under(subject, Manner::Garbled, "that got garbage", 4)
}

/// The link is gone, and comes back. Whoever asks is told in time, and nothing is proved meanwhile.
pub(super) fn unplugged(subject: &Subject) -> Tried {
    under(subject, Manner::Cut, "over an unplugged link", 2)
}

/// Answers that take a while, as a busy instrument's do, are waited for.
pub(super) fn slow(subject: &Subject) -> Tried {
    let mut ready = match ready(subject)? {
        Ok(ready) => ready,
        Err(verdict) => return Ok(verdict),
    };
    let transfer = Duration::from_secs_f64(ready.introduction.transfer_ms.clamp(0.0, 60_000.0) * 1e-3);
    let late = (transfer / 8).min(Duration::from_millis(20));
    subject.link(Manner::Late(late));
    for (question, before) in &ready.questions {
        let limit = question.limit(subject, &ready.introduction);
        let said = question.ask(&mut ready.voice, limit);
        let said =
            said.map_err(|e| format!("{} behind answers that take {late:?}: {e}", question.method()))?;
        if !said.agrees(before) {
            return Ok(Verdict::fail(format!("{said:?} from a slow peer, {before:?} before")));
        }
    }
    Ok(Verdict::pass(format!("answers that take {} ms are waited for", late.as_millis())))
}

/// A reply that comes after its time-out is not taken for the answer to the next question.
pub(super) fn late(subject: &Subject) -> Tried {
    let mut ready = match ready(subject)? {
        Ok(ready) => ready,
        Err(verdict) => return Ok(verdict),
    };
    for n in 0..ready.questions.len() {
        subject.link(Manner::Held);
        has_to_fail(subject, &mut ready, n, "whose answer is held back")?;
        // Now they come, and whatever is asked next gets no answer.
        subject.link(Manner::Swallowed);
        std::thread::sleep(TRANSIT);
        has_to_fail(subject, &mut ready, n, "after a late reply, itself without an answer,")?;
        // The same, and what is asked next gets its own answer behind the late one.
        subject.link(Manner::Held);
        has_to_fail(subject, &mut ready, n, "whose answer is held back")?;
        subject.link(Manner::Plain);
        std::thread::sleep(TRANSIT);
        recovers(subject, &mut ready)?;
    }
    Ok(Verdict::pass("late replies were thrown away, and the link was good again"))
}

/// A reply that a host did not live to hear is none for the host after it.
pub(super) fn to_another(subject: &Subject) -> Tried {
    let ready = match ready(subject)? {
        Ok(ready) => ready,
        Err(verdict) => return Ok(verdict),
    };
    let Ready { mut voice, introduction, questions } = ready;
    subject.link(Manner::Held);
    for (question, _) in &questions {
        question.put(&mut voice).map_err(|e| e.to_string())?;
    }
    std::thread::sleep(TRANSIT / 2);
    voice.signal(Signal::KILL)?;
    voice.ended(TRANSIT * 5)?;
    subject.link(Manner::Plain);
    let (mut voice, _) = subject.greet().map_err(|e| format!("a new host: {e}"))?;
    for (question, before) in &questions {
        let said = question.ask(&mut voice, question.limit(subject, &introduction));
        let said = said.map_err(|e| format!("{} of a new host: {e}", question.method()))?;
        if !said.agrees(before) {
            return Ok(Verdict::fail(format!(
                "{}: {said:?} from a new host, {before:?} before",
                question.method()
            )));
        }
    }
    Ok(Verdict::pass("a new host hears its own answers only"))
}
