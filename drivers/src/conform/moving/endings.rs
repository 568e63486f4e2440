//! Hosts that go while the armature moves: what it does then, and what a new one changes by opening.

use super::super::report::{Tried, Verdict};
use super::super::subject::safe_limit;
use super::pump::{Pump, Station};
use super::tone::turned;
use rustix::process::Signal;
use std::time::Duration;
use tokio::time::Instant;

/// Share of the amplitude below which the armature is no longer driven.
const DRIVEN: f64 = 0.3;
/// What a loaded machine may add.
const SLACK: f64 = 0.25;

/// Gets the armature to move; gives the amplitude that the reference shows.
fn moving(pump: &mut Pump<'_>) -> Result<f64, String> {
    let hz = pump.motion.frequency.si();
    pump.leave()?;
    pump.go(hz, 1.0)?;
    let before = pump.look(hz)?.amplitude;
    if before < 0.1 * pump.motion.reference.si() {
        return Err(format!("the reference shows {before:.5} V before anything is tried"));
    }
    Ok(before)
}

/// The host is struck; the armature has to be at rest within what the host declares and `more`.
fn struck(
    pump: &mut Pump<'_>,
    name: &str,
    more: f64,
    what: &str,
    strike: impl FnOnce(&Station<'_>) -> Result<(), String>,
) -> Tried {
    if pump.samples_too(name) {
        return Ok(Verdict::not_supported("it samples too: nobody would see what its end leaves behind"));
    }
    let before = moving(pump)?;
    let limit = safe_limit(&pump.station(name)?.introduction).as_secs_f64() + more + SLACK;
    let begun = Instant::now();
    strike(pump.station(name)?)?;
    // Without it: nobody judges for it any more.
    let mut gone = pump.swap(name, None).ok_or("its host was gone already")?;
    pump.listen(Duration::from_secs_f64(limit * 1.5 + 0.3))?;
    let quiet = pump.quiet_after(begun, DRIVEN * before);
    let ended = gone.voice.ended(Duration::from_millis(500));
    let subject = gone.subject;
    let _ = gone.voice.signal(Signal::KILL);
    drop(gone);
    // Somebody has to make safe what is left.
    let fresh = Station::greet(subject)?;
    pump.swap(name, Some(fresh));
    let (status, _) = ended.map_err(|e| format!("{what}: {e}"))?;
    let Some(quiet) = quiet else {
        return Ok(Verdict::fail(format!("{what}: the armature is driven on")));
    };
    let said = format!("{:.0} ms until the armature is no longer driven", quiet * 1e3);
    if quiet > limit {
        return Ok(Verdict::fail(format!("{what}: {said}, {:.0} ms were promised", limit * 1e3)));
    }
    if !status.success() {
        return Ok(Verdict::fail(format!("{what}: its host ended with {status}")));
    }
    Ok(Verdict::pass(said).figure("rest_s", quiet))
}

/// The daemon is gone.
pub(super) fn input(pump: &mut Pump<'_>, name: &str) -> Tried {
    struck(pump, name, 0.0, "the end of its input", |station| {
        station.voice.end_input();
        Ok(())
    })
}

/// The daemon's heart beats, and its judgement hangs.
pub(super) fn heart(pump: &mut Pump<'_>, name: &str) -> Tried {
    let limit = pump.station(name)?.subject.heartbeat_limit().as_secs_f64();
    // What was judged last is all that it hears from now on.
    struck(pump, name, limit, "a heart without judgement", |_| Ok(()))
}

/// A person presses Ctrl-C.
pub(super) fn interrupt(pump: &mut Pump<'_>, name: &str) -> Tried {
    struck(pump, name, 0.0, "Ctrl-C", |station| station.voice.signal(Signal::INT))
}

/// Nobody speaks to the amplifier any more, while its host and its link stand: it mutes of its own accord.
pub(super) fn watchdog(pump: &mut Pump<'_>, name: &str) -> Tried {
    let Some(declared) = pump.watchdog else {
        return Ok(Verdict::not_supported("no safe path of the rig is its watchdog"));
    };
    if pump.samples_too(name) {
        return Ok(Verdict::not_supported(
            "it samples too: nobody would see what it does when its host stands",
        ));
    }
    let before = moving(pump)?;
    let mut stands = pump.swap(name, None).ok_or("its host was gone already")?;
    stands.voice.signal(Signal::STOP)?;
    let begun = Instant::now();
    let limit = declared.si().clamp(0.0, 60.0) + SLACK;
    let listened = pump.listen(Duration::from_secs_f64(limit * 1.5 + 0.3));
    let quiet = pump.quiet_after(begun, DRIVEN * before);
    stands.voice.signal(Signal::KILL)?;
    stands.voice.ended(Duration::from_secs(1))?;
    let subject = stands.subject;
    drop(stands);
    let fresh = Station::greet(subject)?;
    pump.swap(name, Some(fresh));
    listened?;
    let Some(quiet) = quiet else {
        return Ok(Verdict::fail(format!(
            "nobody spoke to it for {:.0} ms, and the armature is driven on; a watchdog that nobody sets never acts: look at the \
             settings of its driver, or take that safe path out of the rig file",
            (limit * 1.5 + 0.3) * 1e3
        )));
    };
    let said = format!(
        "{:.0} ms until the armature is no longer driven, {:.0} ms in the rig file",
        quiet * 1e3,
        declared.si() * 1e3
    );
    let verdict = if quiet > limit { Verdict::fail(said) } else { Verdict::pass(said) };
    Ok(verdict.figure("amplifier_watchdog_s", quiet))
}

/// A host is killed outright and another opens its instrument: what it did it still does.
pub(super) fn opening(pump: &mut Pump<'_>, name: &str) -> Tried {
    if pump.samples_too(name) {
        return Ok(Verdict::not_supported("it samples too: nobody would see what its opening changes"));
    }
    let hz = pump.motion.frequency.si();
    moving(pump)?;
    let before = pump.look(hz)?;
    let mut gone = pump.swap(name, None).ok_or("its host was gone already")?;
    gone.voice.signal(Signal::KILL)?;
    gone.voice.ended(Duration::from_secs(1))?;
    let subject = gone.subject;
    drop(gone);
    pump.listen(Duration::from_millis(30))?;
    let left = pump.look(hz)?;
    let mut opened = None;
    let begun = Instant::now();
    // The opening runs beside, since blocks have to be taken.
    std::thread::scope(|scope| {
        let opening = scope.spawn(|| subject.open());
        while !opening.is_finished() {
            if let Err(error) = pump.listen(Duration::from_millis(5)) {
                opened = Some(Err(error));
            }
        }
        let found = opening.join().unwrap_or_else(|_| Err("the opening ended badly".to_owned()));
        opened.get_or_insert(found);
    });
    let took = begun.elapsed().as_secs_f64();
    let (voice, introduction) = opened.ok_or("nothing was opened")??;
    let after = pump.look(hz);
    pump.swap(name, Some(Station { subject, voice, introduction }));
    let after = after?;
    if left.amplitude < 0.5 * before.amplitude {
        let said = "its instrument stops by itself when its host is killed, so that an opening can't be told from that";
        return Ok(Verdict::not_supported(said));
    }
    let changed = (after.amplitude / left.amplitude - 1.0).abs();
    let phase = turned(after.phase, left.phase).abs().to_degrees();
    let said = format!(
        "amplitude within {:.2} %, phase within {phase:.1}°, opened in {:.0} ms",
        changed * 100.0,
        took * 1e3
    );
    let verdict = if changed > 0.02 || phase > 20.0 {
        Verdict::fail(format!("an opening changed what the output does: {said}"))
    } else {
        Verdict::pass(said)
    };
    Ok(verdict.figure("amplitude_percent", changed * 100.0).figure("opening_s", took))
}

/// The host stands still, so that an instrument that lives on its samples gets no more: it has to go to rest. One that makes
/// its tone itself goes on as before. What must not be: the last value held, or the last stretch over and over.
pub(super) fn under_run(pump: &mut Pump<'_>, name: &str) -> Tried {
    if pump.samples_too(name) {
        return Ok(Verdict::not_supported("it samples too: nobody would see what it does without samples"));
    }
    let hz = pump.motion.frequency.si();
    moving(pump)?;
    let before = pump.look(hz)?;
    pump.station(name)?.voice.signal(Signal::STOP)?;
    let begun = Instant::now();
    pump.listen(Duration::from_millis(250))?;
    let looked = pump.look(hz);
    let onset = pump.largest_since(begun);
    pump.station(name)?.voice.signal(Signal::CONT)?;
    let after = looked?;
    let share = after.amplitude / before.amplitude;
    let verdict = if (share - 1.0).abs() < 0.05 && after.rest < 2.0 * before.rest + 0.03 * before.amplitude {
        Verdict::pass("its instrument makes the tone itself, and goes on as before")
    } else if share < 0.02 && onset < 1.3 * before.amplitude && after.rest < 0.05 * before.amplitude {
        Verdict::pass("its output goes to rest when it gets no more samples")
    } else {
        let said = format!(
            "without samples the reference shows {:.0} % of the tone and {:.0} % of something else: the last value is held, or the \
             last stretch repeated",
            share * 100.0,
            after.rest / before.amplitude * 100.0
        );
        Verdict::fail(said)
    };
    Ok(verdict.figure("of_tone", share).figure("rest_of_tone", after.rest / before.amplitude))
}
