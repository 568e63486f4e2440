//! Tones: only under leave, as large and as fast as was said, in volts peak, without a jump in phase; and overload.

use super::super::report::{Tried, Verdict};
use super::super::voice::Failure;
use super::pump::Pump;
use super::tone::turned;
use crate::protocol::{AmplifierState, PermitParams, ReadStatus, Reason, SetTone, Unmute};
use std::time::Duration;
use tokio::time::Instant;

/// Share of what was foreseen that counts as motion.
const MOTION: f64 = 0.1;
/// How far a measured amplitude may lie off a foreseen one: a unit mistaken is at least 1.41 off.
const UNIT: f64 = 1.25;
/// How far the ratio of two amplitudes may lie off what was applied: what bends the rig included.
const RATIO: f64 = 0.03;
/// How far a frequency may lie off: crystals are within 1e-4.
const FREQUENCY: f64 = 5e-4;

/// A drive has to be refused, without any motion.
fn refused(pump: &mut Pump<'_>, ask: &SetTone, what: &str) -> Result<(), String> {
    match pump.set(ask) {
        Err(Failure::Said(_)) => Ok(()),
        Ok(answer) => Err(format!("{what}: applied {:?}", answer.value)),
        Err(other) => Err(format!("{what}: {other}")),
    }
}

/// No leave, leave that was withdrawn, a drive beyond the ceiling, a ceiling that rises.
pub(super) fn source_looks_at_leave(pump: &mut Pump<'_>, name: &str) -> Tried {
    let hz = pump.motion.frequency.si();
    let begun = Instant::now();
    pump.leave()?;
    let good = pump.tone(hz, 1.0);
    let with = |generation, ceiling: f64| SetTone {
        permit: PermitParams { generation, ceiling_v_peak: ceiling },
        ..good.clone()
    };
    let ceiling = good.permit.ceiling_v_peak;
    refused(pump, &with(0, ceiling), "a drive without leave")?;
    // A host may take a drive without leave for a reason to end every leave.
    pump.leave()?;
    let good = pump.tone(hz, 1.0);
    let with = |generation, ceiling: f64| SetTone {
        permit: PermitParams { generation, ceiling_v_peak: ceiling },
        ..good.clone()
    };
    refused(pump, &with(good.permit.generation, ceiling / 2.0), "a drive of twice its ceiling")?;
    refused(pump, &with(good.permit.generation, ceiling), "a ceiling that rises under one leave")?;
    pump.make_safe(name, Reason::Operator)?;
    refused(pump, &with(good.permit.generation, ceiling / 2.0), "a drive under leave that was withdrawn")?;
    pump.listen(Duration::from_millis(300))?;
    let seen = pump.largest_since(begun);
    if seen > MOTION * pump.motion.reference.si() {
        return Ok(Verdict::fail(format!("the reference showed {seen:.4} V though every drive was refused")));
    }
    Ok(Verdict::pass("no leave, withdrawn leave, too much drive and a rising ceiling are refused"))
}

/// The same for the amplifier.
pub(super) fn amplifier_looks_at_leave(pump: &mut Pump<'_>, name: &str) -> Tried {
    let limit = Duration::from_secs(1);
    let unmute = |pump: &mut Pump<'_>, generation, what: &str| {
        let ask = Unmute { permit: PermitParams { generation, ceiling_v_peak: 0.1 } };
        match pump.call(name, &ask, limit) {
            Err(Failure::Said(_)) => Ok(()),
            Ok(answer) => Err(format!("unmute {what}: {:?}", answer.value)),
            Err(other) => Err(format!("unmute {what}: {other}")),
        }
    };
    unmute(pump, 0, "without leave")?;
    pump.leave()?;
    let generation = pump.permit().generation;
    pump.make_safe(name, Reason::Operator)?;
    unmute(pump, generation, "under leave that was withdrawn")?;
    match pump.call(name, &ReadStatus {}, limit) {
        Ok(answer) if matches!(answer.value, AmplifierState { muted: true, .. }) => {}
        other => return Ok(Verdict::fail(format!("it is to be muted, and says {other:?}"))),
    }
    Ok(Verdict::pass("no leave and withdrawn leave are refused, and it stays muted"))
}

/// What was applied, and whether it is no more than wished.
fn applied(pump: &mut Pump<'_>, hz: f64, share: f64) -> Result<(f64, f64), String> {
    let wish = pump.motion.drive.si() * share;
    let state = pump.go(hz, share)?;
    let (Some(f), Some(v)) = (state.frequency_hz, state.amplitude_v_peak) else {
        return Err(format!("no numbers for what was applied: {state:?}"));
    };
    if v > wish * (1.0 + 1e-9) {
        return Err(format!("{v} V pk was applied where {wish} V pk was the wish"));
    }
    if (f / hz - 1.0).abs() > 0.01 || v < 0.9 * wish {
        return Err(format!("{f} Hz and {v} V pk were applied in place of {hz} Hz and {wish} V pk"));
    }
    Ok((f, v))
}

/// Two amplitudes and two frequencies: the reference shows what was said to be applied.
pub(super) fn round_trip(pump: &mut Pump<'_>, _name: &str) -> Tried {
    let hz = pump.motion.frequency.si();
    pump.leave()?;
    let (f_whole, whole) = applied(pump, hz, 1.0)?;
    let large = pump.look(f_whole)?;
    if large.amplitude < MOTION * pump.motion.reference.si() {
        let said = format!(
            "the reference shows {:.5} V where {:.5} V were foreseen; does it drive at all?",
            large.amplitude,
            pump.motion.reference.si()
        );
        return Ok(Verdict::fail(said));
    }
    let again = pump.look(f_whole)?;
    let turns = turned(again.phase, large.phase) / std::f64::consts::TAU / 24.0;
    let (_, half) = applied(pump, hz, 0.5)?;
    let small = pump.look(f_whole)?;
    let ratio = (large.amplitude / small.amplitude) / (whole / half) - 1.0;
    pump.rest()?;
    pump.leave()?;
    let (f_other, _) = applied(pump, hz * 1.3, 0.5)?;
    let right = pump.look(f_other)?;
    pump.rest()?;
    let rest = right.rest / right.amplitude;
    let verdict = if ratio.abs() > RATIO {
        Verdict::fail(format!(
            "two amplitudes differ at the reference by {:.2} % from what was applied",
            ratio * 100.0
        ))
    } else if turns.abs() > FREQUENCY {
        Verdict::fail(format!("the frequency lies {:.0} ppm off what was applied", turns * 1e6))
    } else if rest > 0.3 {
        Verdict::fail(format!("at {f_other} Hz the reference shows something else than that tone"))
    } else {
        let said = format!(
            "amplitudes within {:.3} %, frequency within {:.1} ppm",
            ratio.abs() * 100.0,
            turns.abs() * 1e6
        );
        Verdict::pass(said)
    };
    Ok(verdict.figure("ratio_percent", ratio * 100.0).figure("frequency_ppm", turns * 1e6))
}

/// What a volt peak moves, against what the rig file foresees.
pub(super) fn unit(pump: &mut Pump<'_>, _name: &str) -> Tried {
    let hz = pump.motion.frequency.si();
    pump.leave()?;
    let (f, v) = applied(pump, hz, 0.5)?;
    let seen = pump.look(f)?.amplitude;
    pump.rest()?;
    let foreseen = pump.motion.reference.si() * v / pump.motion.drive.si();
    let ratio = seen / foreseen;
    let said = format!("{ratio:.3} of what is foreseen for {v} V pk");
    let verdict = if (1.0 / UNIT..=UNIT).contains(&ratio) {
        Verdict::pass(said)
    } else {
        let guess = [
            (2.0, "half of peak to peak taken for peak"),
            (0.5, "peak to peak taken for peak"),
            (1.414, "rms taken for peak"),
            (0.707, "peak taken for rms"),
        ];
        let near = guess.iter().find(|(r, _)| (ratio / r - 1.0).abs() < 0.12);
        let hint = near.map_or("is the gain of the amplifier that of the rig file?", |(_, hint)| *hint);
        Verdict::fail(format!("{said}: {hint}"))
    };
    Ok(verdict.figure("of_foreseen", ratio))
}

/// The phase before and after changes of the amplitude, and that nothing goes beyond either.
pub(super) fn phase(pump: &mut Pump<'_>, _name: &str) -> Tried {
    let hz = pump.motion.frequency.si();
    pump.leave()?;
    let (f, _) = applied(pump, hz, 0.5)?;
    let before = pump.look(f)?;
    let again = pump.look(f)?;
    // What two clocks differ by shows between two looks without a change.
    let drift = turned(again.phase, before.phase);
    let mut worst = 0.0_f64;
    let (mut last, mut at) = (again, Instant::now());
    for share in [1.0, 0.5] {
        let begun = Instant::now();
        applied(pump, hz, share)?;
        let now = pump.look(f)?;
        let looks = begun.elapsed().as_secs_f64() / (24.0 / f);
        worst = worst.max((turned(now.phase, last.phase) - drift * looks).abs());
        let most = last.amplitude.max(now.amplitude);
        let seen = pump.largest_since(at);
        if seen > 1.2 * most {
            return Ok(Verdict::fail(format!(
                "the reference showed {seen:.4} V on the way between tones of {most:.4} V at most"
            )));
        }
        (last, at) = (now, Instant::now());
    }
    pump.rest()?;
    let degrees = worst.to_degrees();
    let verdict = if degrees > 3.0 {
        Verdict::fail(format!("the phase jumped by {degrees:.1}° at a change of the amplitude"))
    } else {
        Verdict::pass(format!("within {degrees:.2}° over two changes of the amplitude"))
    };
    Ok(verdict.figure("phase_deg", degrees))
}

/// A range below what the reference shows has to be told as overloaded, and one above not.
pub(super) fn overload(pump: &mut Pump<'_>, _name: &str) -> Tried {
    let hz = pump.motion.frequency.si();
    pump.leave()?;
    let (f, _) = applied(pump, hz, 1.0)?;
    let seen = pump.look(f)?;
    if pump.overloaded() {
        return Ok(Verdict::fail(format!(
            "overload is told at {:.4} V in the range of the rig file",
            seen.amplitude
        )));
    }
    pump.rest()?;
    pump.end_sampling()?;
    let range = seen.amplitude / 2.0;
    if let Err(error) = pump.sample(Some(range)) {
        return Ok(Verdict::not_supported(format!("no range of {range:.4} V to overload: {error}")));
    }
    pump.leave()?;
    pump.go(hz, 1.0)?;
    pump.look(f)?;
    let told = pump.overloaded();
    pump.rest()?;
    if told {
        return Ok(Verdict::pass(format!("told at {:.4} V in a range of {range:.4} V", seen.amplitude)));
    }
    Ok(Verdict::fail(format!(
        "{:.4} V in a range of {range:.4} V were not told as an overload",
        seen.amplitude
    )))
}
