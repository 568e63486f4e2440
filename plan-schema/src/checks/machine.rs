//! Checks of what makes shaker and amplifier more than linear: suspension, magnet, heat, tilt, offset.

use super::Checker;
use crate::rig::{AmplifierMode, Orientation, Rig};
use crate::units::{STANDARD_GRAVITY, engineering};

/// What is wrong with the shaker's departures from a linear one, and with the amplifier's offset and watchdog.
pub(super) fn machine(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    suspension_and_magnet(checker, rig);
    heat(checker, rig);
    transverse(checker, rig);
    amplifier(checker, rig);
    static_shift(checker, rig);
}

fn suspension_and_magnet(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let shaker = &rig.shaker;
    checker.not_negative("shaker.suspension_hardening", shaker.suspension_hardening.si());
    let droop = shaker.force_factor_droop.si();
    checker.not_negative("shaker.force_factor_droop", droop);
    let reach = shaker.stop / shaker.rated_stroke;
    if droop * reach * reach >= 1.0 {
        checker.error(
            "shaker.force_factor_droop",
            "the force factor vanishes before the stop",
            "write the share that it lacks at the rated stroke, such as \"2 %\"",
        );
    }
    for (key, rest) in [("centre_error", Some(shaker.centre_error)), ("centring", shaker.centring)] {
        if rest.is_some_and(|rest| rest.abs().si() >= shaker.stop.si()) {
            checker.error(
                &format!("shaker.{key}"),
                "the suspension rests beyond the stop",
                "write how far the centre lies off the middle between the stops",
            );
        }
    }
}

fn heat(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let shaker = &rig.shaker;
    checker.not_negative("shaker.resistance_coefficient", shaker.resistance_coefficient.si());
    checker.positive_if_any("shaker.coil_heat_capacity", shaker.coil_heat_capacity.map(|c| c.si()));
    checker.positive_if_any("shaker.coil_heat_resistance", shaker.coil_heat_resistance.map(|r| r.si()));
    let lacking = match (shaker.coil_heat_capacity, shaker.coil_heat_resistance) {
        (Some(_), None) => Some(("coil_heat_capacity", "coil_heat_resistance = \"2 K/W\"")),
        (None, Some(_)) => Some(("coil_heat_resistance", "coil_heat_capacity = \"60 J/K\"")),
        _ => None,
    };
    if let Some((has, lacks)) = lacking {
        checker.error(
            &format!("shaker.{has}"),
            "how warm the coil gets needs heat capacity and heat resistance",
            format!("add {lacks}, or remove {has}"),
        );
    }
    if let Some(limit) = shaker.coil_temperature_limit
        && limit <= rig.simulation.room.temperature
    {
        checker.error(
            "shaker.coil_temperature_limit",
            "the coil would be too warm at rest",
            "write the temperature at which its guard acts, such as \"120 °C\"",
        );
    }
}

fn transverse(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let mut previous = None;
    for (n, entry) in rig.shaker.transverse.iter().enumerate() {
        checker.positive(&format!("shaker.transverse[{n}].frequency"), entry.frequency.si());
        checker.rising(&format!("shaker.transverse[{n}].frequency"), previous, entry.frequency);
        previous = Some(entry.frequency);
        checker.not_negative(&format!("shaker.transverse[{n}].share"), entry.share.si());
    }
}

fn amplifier(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let amplifier = &rig.amplifier;
    checker.positive_if_any("amplifier.bandwidth", amplifier.bandwidth.map(|f| f.si()));
    checker.positive_if_any("amplifier.watchdog", amplifier.watchdog.map(|t| t.si()));
    let (key, wrong, other) = match amplifier.mode {
        AmplifierMode::Voltage => ("offset_current", amplifier.offset_current.is_some(), "offset"),
        AmplifierMode::Current => ("offset", amplifier.offset.is_some(), "offset_current"),
    };
    if wrong {
        checker.error(
            &format!("amplifier.{key}"),
            format!("an amplifier in {} mode has no {key}", amplifier.mode.word()),
            format!("write {other}, or correct the mode"),
        );
    }
    if let Some(watchdog) = amplifier.watchdog
        && watchdog <= rig.timing.poll_interval
    {
        checker.error(
            "amplifier.watchdog",
            format!(
                "the watchdog would mute between two questions, which are {} apart",
                engineering(rig.timing.poll_interval.si(), "s")
            ),
            "write a longer time, or a shorter poll_interval in [timing]",
        );
    }
}

/// What is known to move the centre has to fit into the static allowance, else the ceilings lie too near the stop.
fn static_shift(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let (shaker, amplifier) = (&rig.shaker, &rig.amplifier);
    let stiffness = shaker.stiffness.si();
    if checker.found.iter().any(|d| !d.warning) || stiffness <= 0.0 {
        return;
    }
    let tilt = match rig.orientation {
        Orientation::Horizontal => shaker.tilt.si().sin(),
        Orientation::Vertical => shaker.tilt.si().cos() - 1.0,
    };
    let current = match amplifier.mode {
        AmplifierMode::Voltage => amplifier.offset.map_or(0.0, |o| o.si()) / shaker.coil_resistance.si(),
        AmplifierMode::Current => amplifier.offset_current.map_or(0.0, |o| o.si()),
    };
    let sum = shaker.centring.unwrap_or(shaker.centre_error).si().abs()
        + (shaker.moving_mass.si() * STANDARD_GRAVITY * tilt / stiffness).abs()
        + (current * shaker.force_factor.si() / stiffness).abs();
    if sum > shaker.static_allowance.si() * (1.0 + 1e-9) && sum > 0.0 {
        checker.warning(
            "shaker.static_allowance",
            format!(
                "centre error, tilt and the amplifier's offset move the centre by up to {}, more than is allowed for",
                engineering(sum, "m")
            ),
            "allow for it, or correct what moves the centre",
        );
    }
}

#[cfg(test)]
mod tests;
