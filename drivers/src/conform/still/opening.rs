//! Who answers, what it says it can do, and that an opening ends.

use super::super::relay::Manner;
use super::super::report::{Tried, Verdict};
use super::super::subject::{Question, Said, Subject, TRANSIT};
use super::super::voice::Failure;
use crate::client::RESTART;
use crate::error::ErrorKind;
use crate::registry::Registry;
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::time::Instant;

/// Twice the same identity; another serial number than the instrument's is refused, as a run opens it.
pub(super) fn identification(subject: &Subject, registry: &Registry, runtime: &Handle) -> Tried {
    let first = subject.open()?.1.identity;
    let second = subject.open()?.1.identity;
    if first != second {
        return Ok(Verdict::fail(format!("it said {first:?}, then {second:?}")));
    }
    if [&first.make, &first.model, &first.serial].iter().all(|s| s.is_empty()) {
        return Ok(Verdict::fail("it says nothing of who it is: make, model and serial number are empty"));
    }
    let mut other = subject.instrument.clone();
    other.serial = Some(format!("not {}", first.serial));
    let factory = registry.find(&other).map_err(|e| e.to_string())?;
    match runtime.block_on(factory.open(&other)) {
        Err(error) if error.kind == ErrorKind::BadData => {}
        Err(error) => {
            return Ok(Verdict::fail(format!("another serial number was not refused as such: {error}")));
        }
        Ok(_) => return Ok(Verdict::fail("it opens under another serial number than its own")),
    }
    let said = [first.make, first.model, first.serial, first.firmware].join(", ");
    Ok(Verdict::pass(format!("{said}; another serial number is refused")))
}

/// Limits that can be, times that hang together, and a room in which people work.
pub(super) fn units(subject: &Subject) -> Tried {
    let (mut voice, introduction) = subject.greet()?;
    let (safe, transfer) = (introduction.safe_ms, introduction.transfer_ms);
    if !(safe.is_finite() && transfer.is_finite() && safe >= 0.0 && transfer >= 0.0) {
        return Ok(Verdict::fail(format!("safe_ms {safe} and transfer_ms {transfer} are no times")));
    }
    if transfer > safe {
        let said =
            format!("a transfer of {transfer} ms would hold up making safe, which is to take {safe} ms");
        return Ok(Verdict::fail(said));
    }
    if let Some(source) = introduction.roles.source {
        let (low, high, most) =
            (source.frequency_hz_min, source.frequency_hz_max, source.amplitude_v_peak_max);
        // Written so that what is no number fails.
        if !(low > 0.0 && low < high && high.is_finite() && most > 0.0 && most.is_finite()) {
            return Ok(Verdict::fail(format!(
                "{low} Hz to {high} Hz, up to {most} V pk is no range of a source"
            )));
        }
    }
    let verdict = Verdict::pass(format!("safe within {safe} ms, a transfer within {transfer} ms"))
        .figure("safe_ms", safe)
        .figure("transfer_ms", transfer);
    if introduction.roles.ambient.is_none() {
        return Ok(verdict);
    }
    let room =
        Question::Ambient.ask(&mut voice, subject.reply_limit() + TRANSIT).map_err(|e| e.to_string())?;
    let Said::Ambient(room) = room else { return Ok(verdict) };
    match (room.temperature_degc, room.humidity_percent) {
        (Some(t), _) if !(0.0..=50.0).contains(&t) => {
            Ok(Verdict::fail(format!("{t} °C is no room to measure in; are these K or °F?")))
        }
        (_, Some(h)) if !(1.5..=100.0).contains(&h) => Ok(Verdict::fail(format!(
            "{h} % of humidity is no room to measure in; is it a share and not in %?"
        ))),
        (None, _) => Ok(Verdict::fail("it says no temperature")),
        _ => Ok(verdict),
    }
}

/// An instrument that takes the connection and is silent, and one that does not even take it.
pub(super) fn bounded(subject: &Subject) -> Tried {
    let Some(relay) = &subject.relay else {
        return Ok(Verdict::not_supported("its settings name no link that a relay fits"));
    };
    let manners: &[Manner] =
        if relay.is_line() { &[Manner::Swallowed] } else { &[Manner::Swallowed, Manner::Deaf] };
    let mut longest = 0.0_f64;
    for manner in manners {
        subject.link(*manner);
        let mut voice = subject.start()?;
        let what = if *manner == Manner::Deaf { "takes no connection" } else { "is silent" };
        match voice.call(&subject.hello, subject.opening_limit() + TRANSIT) {
            Ok(_) => return Ok(Verdict::fail(format!("it opens though the instrument {what}"))),
            Err(Failure::Said(_)) => {}
            Err(other) => return Ok(Verdict::fail(format!("while the instrument {what}: {other}"))),
        }
        let begun = Instant::now();
        voice.end_input();
        voice.ended(subject.opening_limit()).map_err(|e| format!("while the instrument {what}: {e}"))?;
        longest = longest.max(begun.elapsed().as_secs_f64());
    }
    Ok(Verdict::pass("it gives up and says so").figure("end_s", longest))
}

/// How often it is opened.
const OPENINGS: usize = 3;

/// When its host is gone another has to be up in time to make it safe.
pub(super) fn again(subject: &Subject) -> Tried {
    let mut longest = Duration::ZERO;
    for _ in 0..OPENINGS {
        let begun = Instant::now();
        let (_voice, introduction) = subject.open()?;
        longest = longest.max(begun.elapsed());
        let roles = introduction.roles;
        if roles.source.is_none() && roles.amplifier.is_none() && roles.contacts.is_none() {
            return Ok(Verdict::not_supported("it has nothing that could be made safe"));
        }
    }
    let said = format!(
        "started and open within {:.0} ms; another host has {} ms for that",
        longest.as_secs_f64() * 1e3,
        RESTART.as_millis()
    );
    let verdict = if longest > RESTART { Verdict::fail(said) } else { Verdict::pass(said) };
    Ok(verdict.figure("opening_s", longest.as_secs_f64()))
}
