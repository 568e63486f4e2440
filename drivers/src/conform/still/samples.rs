//! Samples: in order, none lost or repeated in silence, and an acquisition that nobody's pipe holds up.

use super::super::report::{Tried, Verdict};
use super::super::subject::{Subject, TRANSIT, is_safe, safe_limit};
use super::super::voice::Voice;
use crate::protocol::{Configure, ContinuityWord, MakeSafe, Reason, Start, Stop};
use std::time::Duration;
use tokio::time::Instant;

/// How long samples are looked at.
const LOOK: Duration = Duration::from_millis(1500);
/// How long a block may take beyond its own length.
const PATIENCE: Duration = Duration::from_secs(2);

/// Samples that a host may keep for a station that is late, in s.
const QUEUE_S: f64 = 2.0;

/// Checks the indices of blocks as they come.
#[derive(Debug, Default)]
struct Order {
    next: u64,
    lost: u64,
}

impl Order {
    /// Takes the next block, or waits in vain.
    fn next(
        &mut self,
        voice: &Voice,
        configure: &Configure,
        within: Duration,
    ) -> Result<(u64, Instant), String> {
        let (block, at) = voice.block(within)?.ok_or("no block came")?;
        if self.next.checked_add(block.gap_before.0) != Some(block.first_sample.0) {
            return Err(format!(
                "a block begins with sample {}; the one before ended before {}, and {} are said to be lost",
                block.first_sample.0, self.next, block.gap_before.0
            ));
        }
        if block.channels() != configure.channels.len() {
            return Err(format!(
                "a block of {} channels, not {}",
                block.channels(),
                configure.channels.len()
            ));
        }
        let finite = (0..block.channels()).all(|c| block.channel(c).iter().all(|s| s.is_finite()));
        let zero = block.frames() > 0 && (0..block.channels()).all(|c| is_still(block.channel(c)));
        if !finite || zero {
            return Err(format!(
                "block at {}: samples that are no numbers, or all the same",
                block.first_sample.0
            ));
        }
        self.lost += block.gap_before.0;
        self.next = block.end().0;
        Ok((self.next, at))
    }
}

/// A true converter is never without noise, if a block is long enough to show some.
fn is_still(samples: &[f32]) -> bool {
    samples.len() > 16 && samples.windows(2).all(|w| matches!(w, [a, b] if a.to_bits() == b.to_bits()))
}

fn patience(configure: &Configure) -> Duration {
    Duration::from_secs_f64(f64::from(configure.block_samples) / configure.rate_hz.max(1e-3)) * 3 + PATIENCE
}

/// Samples in a second, from blocks with the sample after the last and when each came. A block may come late, never early: of the
/// first third and of the last the one counts that was least late.
#[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
fn rate(ends: &[(u64, Instant)], nominal: f64) -> Option<f64> {
    let (_, begun) = *ends.first()?;
    let after = |at: Instant| at.saturating_duration_since(begun).as_secs_f64();
    let third = (ends.len() / 3).max(1);
    let timely = |some: &[(u64, Instant)]| {
        let late = |(end, at): &(u64, Instant)| after(*at) - *end as f64 / nominal;
        some.iter().copied().min_by(|a, b| late(a).total_cmp(&late(b)))
    };
    let (first, last) = (timely(ends.get(..third)?)?, timely(ends.get(ends.len() - third..)?)?);
    let seconds = after(last.1) - after(first.1);
    (seconds > 0.0).then(|| (last.0 - first.0) as f64 / seconds)
}

/// Begins at 0, follows on, keeps its rate, ends when told, and begins at 0 again.
pub(super) fn order(subject: &Subject) -> Tried {
    let (mut voice, introduction) = subject.greet()?;
    let (Some(role), Some(configure)) = (introduction.roles.acquisition, &subject.configure) else {
        return Ok(Verdict::not_supported("it samples nothing in this rig"));
    };
    let limit = subject.reply_limit() + TRANSIT;
    let applied = voice.call(configure, limit).map_err(|e| format!("configure: {e}"))?.value;
    if applied != *configure {
        return Ok(Verdict::fail(format!("asked for {configure:?}, it applied {applied:?}")));
    }
    let mut figures = (0.0, 0);
    for time in ["first", "second"] {
        voice.call(&Start {}, limit).map_err(|e| format!("start: {e}"))?;
        let mut order = Order::default();
        let (from, begun) =
            order.next(&voice, configure, patience(configure)).map_err(|e| format!("{time} start: {e}"))?;
        let mut ends = vec![(from, begun)];
        while ends.last().is_some_and(|(_, at)| at.saturating_duration_since(begun) < LOOK) {
            ends.push(order.next(&voice, configure, patience(configure))?);
        }
        let rate = rate(&ends, configure.rate_hz).ok_or("too few blocks came")?;
        if role.continuity == ContinuityWord::Continuous && order.lost > 0 {
            return Ok(Verdict::fail(format!("{} samples were lost while everybody kept up", order.lost)));
        }
        if (rate / configure.rate_hz - 1.0).abs() > 0.03 {
            let said = format!(
                "{rate:.0} samples came in a second, not {:.0}; some are lost, repeated or not counted",
                configure.rate_hz
            );
            return Ok(Verdict::fail(said));
        }
        figures = (rate, order.lost);
        voice.call(&Stop {}, limit).map_err(|e| format!("stop: {e}"))?;
        voice.forget_blocks();
        std::thread::sleep(Duration::from_millis(50).max(LOOK / 20));
        let after = voice.forget_blocks();
        if after > 0 {
            return Ok(Verdict::fail(format!("{after} blocks came after the reply to stop")));
        }
    }
    let (rate, lost) = figures;
    #[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
    let verdict = Verdict::pass(format!("{rate:.0} samples a second, twice from 0 on, {lost} told as lost"))
        .figure("rate_hz", rate)
        .figure("lost_samples", lost as f64);
    Ok(verdict)
}

/// Nobody empties the pipe for a while: the instrument is not held up, what is dropped is counted, and making safe works.
pub(super) fn full_pipe(subject: &Subject) -> Tried {
    let (mut voice, introduction) = subject.greet()?;
    let (Some(_), Some(configure)) = (introduction.roles.acquisition, &subject.configure) else {
        return Ok(Verdict::not_supported("it samples nothing in this rig"));
    };
    let limit = subject.reply_limit() + TRANSIT;
    voice.call(configure, limit).map_err(|e| format!("configure: {e}"))?;
    voice.call(&Start {}, limit).map_err(|e| format!("start: {e}"))?;
    let mut order = Order::default();
    let (from, begun) = order.next(&voice, configure, patience(configure))?;
    let bytes_s = configure.rate_hz * configure.channels.len().max(1) as f64 * 16.0 / 3.0;
    // The pipe and its reader hold some 70 kB; then the host's own queue.
    let fills = Duration::from_secs_f64((300e3 / bytes_s).clamp(2.0, 30.0) + QUEUE_S);
    voice.pause(true);
    std::thread::sleep(fills / 2);
    let id = voice.ask(&MakeSafe { reason: Reason::Operator }).map_err(|e| e.to_string())?;
    std::thread::sleep(fills / 2);
    voice.pause(false);
    let resumed = Instant::now();
    let proof = voice
        .wait::<MakeSafe>(id, safe_limit(&introduction))
        .map_err(|e| format!("make_safe into a full pipe: {e}"))?;
    is_safe(&proof.value, &introduction)?;
    // What was sampled while the pipe was full and comes all the same was held back somewhere.
    #[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
    let at_resume = from as f64 + resumed.saturating_duration_since(begun).as_secs_f64() * configure.rate_hz;
    #[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
    while (order.next as f64) < at_resume {
        order.next(&voice, configure, patience(configure))?;
    }
    #[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
    let kept = fills.as_secs_f64() - order.lost as f64 / configure.rate_hz;
    let block = f64::from(configure.block_samples) / configure.rate_hz;
    // Its own queue, of a few blocks at least, and twice what the pipe and its readers hold.
    if kept > QUEUE_S + 0.1 + 140e3 / bytes_s + 10.0 * block {
        let said = format!(
            "of {:.1} s with a full pipe it kept {kept:.2} s of samples back, to be judged when they are old",
            fills.as_secs_f64()
        );
        return Ok(Verdict::fail(said));
    }
    let lost = order.lost;
    #[expect(clippy::cast_precision_loss, reason = "a few seconds of samples")]
    let verdict = Verdict::pass(format!("{lost} samples dropped and told in {:.1} s", fills.as_secs_f64()))
        .figure("lost_samples", lost as f64);
    Ok(verdict)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is delivered late and in a burst does not look like another rate; what is lost does.
    #[test]
    fn lateness_is_no_rate() {
        let begun = Instant::now();
        let blocks = |late: fn(u64) -> u64, frames: u64| -> Vec<(u64, Instant)> {
            (1..=300).map(|n| (n * frames, begun + Duration::from_millis(5 * n + late(n)))).collect()
        };
        let even = rate(&blocks(|_| 0, 100), 20_000.0).unwrap();
        // The first fifty come together.
        let burst = rate(&blocks(|n| (50 - n.min(50)) * 5, 100), 20_000.0).unwrap();
        assert!((even - 20_000.0).abs() < 1.0 && (burst / even - 1.0).abs() < 0.01, "{even}, {burst}");
        let short = rate(&blocks(|_| 0, 95), 20_000.0).unwrap();
        assert!((short / even - 0.95).abs() < 0.01, "{short}");
        assert!(rate(&[(100, begun)], 20_000.0).is_none());
    }
}
