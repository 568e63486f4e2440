//! How long the ways take: from a command to the motion, and from making safe to rest.

use super::super::report::{Tried, Verdict};
use super::super::subject::safe_limit;
use super::pump::Pump;
use crate::protocol::{Reason, SetTone};
use std::time::Duration;

/// How often each is tried: at as many phases of the motion.
const TIMES: usize = 5;
/// Share of the amplitude below which the armature is no longer driven.
const DRIVEN: f64 = 0.3;
/// Share of the amplitude that counts as begun.
const BEGUN: f64 = 0.05;

/// From the reply of a command to what the reference shows of it.
pub(super) fn latency(pump: &mut Pump<'_>, name: &str) -> Tried {
    let hz = pump.motion.frequency.si();
    let mut longest = 0.0_f64;
    for _ in 0..TIMES {
        pump.leave()?;
        let ask = SetTone { over_s: 0.0, ..pump.tone(hz, 1.0) };
        let reply = pump.set(&ask).map_err(|e| format!("set_tone: {e}"))?;
        let over = reply.value.over_s.filter(|t| t.is_finite()).unwrap_or(0.0).clamp(0.0, 10.0);
        pump.listen(Duration::from_secs_f64(over + 0.3))?;
        let begun = pump.moved_after(reply.at, BEGUN * pump.motion.reference.si());
        longest = longest.max(begun.ok_or("the reference shows nothing of the tone")?);
        pump.rest()?;
    }
    let declared = pump.station(name)?.subject.hello.latency_s;
    let said = format!(
        "{:.1} ms from the reply to the motion at most, {:.0} ms in the rig file; the acquisition's own way is in it",
        longest * 1e3,
        declared * 1e3
    );
    // A tenth of the amplitude is reached within a cycle, and a block has to come.
    let verdict =
        if longest > declared + 1.0 / hz + 0.05 { Verdict::fail(said) } else { Verdict::pass(said) };
    Ok(verdict.figure("latency_s", longest))
}

/// Makes one instrument safe while the armature moves; how long until it is no longer driven.
fn time_to_rest(pump: &mut Pump<'_>, name: &str) -> Result<(f64, f64), String> {
    let hz = pump.motion.frequency.si();
    let (mut longest, mut replied) = (0.0_f64, 0.0_f64);
    for _ in 0..TIMES {
        pump.leave()?;
        pump.go(hz, 1.0)?;
        let before = pump.look(hz)?.amplitude;
        if before < 0.1 * pump.motion.reference.si() {
            return Err(format!("the reference shows {before:.5} V before anything is stopped"));
        }
        let begun = tokio::time::Instant::now();
        let answer = pump.make_safe(name, Reason::Trip)?;
        replied = replied.max(answer.took.as_secs_f64());
        pump.listen(Duration::from_millis(400))?;
        let quiet = pump.quiet_after(begun, DRIVEN * before);
        longest = longest.max(quiet.ok_or("it says that it is safe, and the armature is driven on")?);
        let after = pump.look(hz)?.amplitude;
        if after > 0.02 * before {
            return Err(format!(
                "it says that it is safe, and the reference still shows {:.1} % of the tone",
                after / before * 100.0
            ));
        }
        // The other one is made safe too, before the next leave.
        for other in std::iter::once(pump.source()).chain(pump.cuts()) {
            pump.make_safe(&other, Reason::Trip)?;
        }
    }
    Ok((longest, replied))
}

fn judged(pump: &mut Pump<'_>, name: &str, figure: &'static str) -> Tried {
    let (longest, replied) = time_to_rest(pump, name)?;
    let limit = safe_limit(&pump.station(name)?.introduction).as_secs_f64();
    let said = format!(
        "{:.1} ms until the armature is no longer driven, proved after {:.1} ms (longest of {TIMES})",
        longest * 1e3,
        replied * 1e3
    );
    let verdict = if longest > limit { Verdict::fail(said) } else { Verdict::pass(said) };
    Ok(verdict.figure(figure, longest).figure("reply_s", replied))
}

/// The source goes to 0 V.
pub(super) fn source_off(pump: &mut Pump<'_>, name: &str) -> Tried {
    judged(pump, name, "source_off_s")
}

/// The amplifier mutes, the source going on.
pub(super) fn mute(pump: &mut Pump<'_>, name: &str) -> Tried {
    judged(pump, name, "amplifier_mute_s")
}

/// The relay cuts the drive off, source and amplifier going on.
pub(super) fn relay(pump: &mut Pump<'_>, name: &str) -> Tried {
    judged(pump, name, "relay_s")
}
