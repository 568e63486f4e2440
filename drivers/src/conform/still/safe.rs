//! Making safe any number of times, and while another call is under way.

use super::super::relay::Manner;
use super::super::report::{Tried, Verdict};
use super::super::subject::{Question, Subject, TRANSIT, is_safe, make_safe, safe_limit};
use super::super::voice::{Failure, Voice};
use crate::protocol::{Introduction, MakeSafe, OutputOff, Reason};
use std::time::Duration;

/// Four times, each with proof and in time.
pub(super) fn again(subject: &Subject) -> Tried {
    let (mut voice, introduction) = subject.open()?;
    let mut longest = Duration::ZERO;
    for reason in [Reason::Start, Reason::Trip, Reason::Operator, Reason::RunEnded] {
        let answer = voice.call(&MakeSafe { reason }, safe_limit(&introduction));
        let answer = answer.map_err(|e| format!("make_safe ({reason:?}): {e}"))?;
        is_safe(&answer.value, &introduction)?;
        longest = longest.max(answer.took);
    }
    let ms = longest.as_secs_f64() * 1e3;
    Ok(Verdict::pass(format!("4 times with proof, at most {ms:.1} ms")).figure("make_safe_ms", ms))
}

/// While calls hang on the link: made safe within the declared time where the answers come late, and answered at all where
/// none comes.
pub(super) fn in_transfer(subject: &Subject) -> Tried {
    if subject.relay.is_none() {
        return Ok(Verdict::not_supported("its settings name no link that a relay fits"));
    }
    let (mut voice, introduction) = subject.greet()?;
    let transfer = Duration::from_secs_f64(introduction.transfer_ms.clamp(0.0, 60_000.0) * 1e-3);
    subject.link(Manner::Late((transfer / 8).min(Duration::from_millis(20))));
    let questions = subject.questions(&introduction);
    hang(&mut voice, &introduction, &questions)?;
    let answer = voice.call(&MakeSafe { reason: Reason::Trip }, safe_limit(&introduction));
    let answer = answer.map_err(|e| format!("while a call was under way: {e}"))?;
    is_safe(&answer.value, &introduction)?;
    let slow = answer.took.as_secs_f64() * 1e3;
    std::thread::sleep(TRANSIT);
    subject.link(Manner::Held);
    hang(&mut voice, &introduction, &questions)?;
    std::thread::sleep(Duration::from_millis(5));
    match make_safe(&mut voice, &introduction, Reason::Trip) {
        // It may have nothing to ask the instrument for.
        Ok(proof) => is_safe(&proof, &introduction)?,
        Err(Failure::Said(_)) => {}
        Err(other) => return Ok(Verdict::fail(format!("while a call got no answer: {other}"))),
    }
    subject.link(Manner::Plain);
    Ok(Verdict::pass(format!("{slow:.1} ms behind slow answers; answered while none came"))
        .figure("make_safe_ms", slow))
}

/// Puts calls under way that move nothing.
fn hang(voice: &mut Voice, introduction: &Introduction, questions: &[Question]) -> Result<(), String> {
    for question in questions {
        question.put(voice).map_err(|e| e.to_string())?;
    }
    if introduction.roles.source.is_some() {
        voice.ask(&OutputOff { over_s: 0.0 }).map_err(|e| e.to_string())?;
    }
    Ok(())
}
