//! Checks of a rig by itself.

mod admission;
mod safe_paths;

use super::Checker;
use crate::read::{Diagnostic, Document};
use crate::rig::{AmplifierMode, Rig};
use crate::simulation::Spread;
use crate::units::engineering;
use std::collections::BTreeSet;

/// What is wrong with a rig.
pub(crate) fn rig(document: &Document<Rig>) -> Vec<Diagnostic> {
    let mut checker = Checker::new(document);
    let rig = &document.value;
    checker.named("name", &rig.name);
    checker.positive("mains_frequency", rig.mains_frequency.si());
    if let Some(serial) = &rig.check_standard {
        checker.named("check_standard", serial);
    }
    shaker(&mut checker, rig);
    amplifier(&mut checker, rig);
    super::machine::machine(&mut checker, rig);
    timing(&mut checker, rig);
    roles(&mut checker, rig);
    super::channel::channels(&mut checker, rig);
    super::channel::fixtures(&mut checker, rig);
    displacement(&mut checker, rig);
    super::drive_monitor::drive_monitor(&mut checker, rig);
    errors(&mut checker, rig);
    safe_paths::safe_paths(&mut checker, rig);
    admission::admission(&mut checker, rig);
    super::permissives::permissives(&mut checker, rig);
    super::channel_ratio::route(&mut checker, rig);
    super::substitution::way(&mut checker, rig);
    simulation(&mut checker, rig);
    checker.found
}

fn shaker(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let shaker = &rig.shaker;
    for (key, value) in [
        ("rated_stroke", shaker.rated_stroke.si()),
        ("velocity_limit", shaker.velocity_limit.si()),
        ("acceleration_limit", shaker.acceleration_limit.si()),
        ("force_limit", shaker.force_limit.si()),
        ("drive_limit", shaker.drive_limit.si()),
        ("moving_mass", shaker.moving_mass.si()),
        ("stiffness", shaker.stiffness.si()),
        ("force_factor", shaker.force_factor.si()),
        ("coil_resistance", shaker.coil_resistance.si()),
    ] {
        checker.positive(&format!("shaker.{key}"), value);
    }
    checker.positive_if_any("shaker.payload_limit", shaker.payload_limit.map(|m| m.si()));
    let moment = shaker.eccentric_moment_limit.map(|m| m.si());
    checker.positive_if_any("shaker.eccentric_moment_limit", moment);
    checker.not_negative("shaker.static_allowance", shaker.static_allowance.si());
    checker.not_negative("shaker.damping_ratio", shaker.damping_ratio.si());
    checker.not_negative("shaker.coil_inductance", shaker.coil_inductance.si());
    let (rated, stop) = (shaker.rated_stroke, shaker.stop);
    let metres = |value: f64| engineering(value, "m pk");
    if rated >= stop {
        checker.error(
            "shaker.rated_stroke",
            format!("the rated stroke {} reaches the stop at {}", metres(rated.si()), metres(stop.si())),
            "take both from the maker's manual; the stop lies beyond the rated stroke",
        );
    } else if let Some(trip) = shaker.trip_stroke
        && (trip < rated || trip >= stop)
    {
        checker.error(
            "shaker.trip_stroke",
            format!("the trip at {} does not lie between rated stroke and stop", metres(trip.si())),
            format!("write a value from {} to below {}", metres(rated.si()), metres(stop.si())),
        );
    } else if shaker.static_allowance.si() >= shaker.trip().si() {
        checker.error(
            "shaker.static_allowance",
            "the static allowance leaves no stroke below the trip",
            format!("it has to be well below {}", metres(shaker.trip().si())),
        );
    }
}

fn amplifier(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let amplifier = &rig.amplifier;
    checker.positive("amplifier.voltage_limit", amplifier.voltage_limit.si());
    checker.positive("amplifier.current_limit", amplifier.current_limit.si());
    let gain = amplifier.gain.map(|g| g.si());
    let transconductance = amplifier.transconductance.map(|t| t.si());
    let (needed, value, mode, example, other, limit) = match amplifier.mode {
        AmplifierMode::Voltage => (
            "gain",
            gain,
            "voltage",
            "20 V/V",
            ("transconductance", transconductance),
            amplifier.voltage_limit.si(),
        ),
        AmplifierMode::Current => (
            "transconductance",
            transconductance,
            "current",
            "2 A/V",
            ("gain", gain),
            amplifier.current_limit.si(),
        ),
    };
    if other.1.is_some() {
        let path = format!("amplifier.{}", other.0);
        checker.error(
            &path,
            format!("an amplifier in {mode} mode has no {}", other.0),
            "remove it, or correct the mode",
        );
    }
    let Some(value) = value else {
        let message = format!("an amplifier in {mode} mode needs its {needed}");
        checker.error("amplifier.mode", message, format!("add {needed} = \"{example}\""));
        return;
    };
    // The sign stands for how the coil is wired, and the loop learns it; zero would move nothing.
    if value == 0.0 {
        checker.error(
            &format!("amplifier.{needed}"),
            format!("the {needed} can't be zero"),
            "write what the amplifier is set to",
        );
    } else if rig.shaker.drive_limit.si() * value.abs() > limit * (1.0 + 1e-9) {
        checker.warning(
            "shaker.drive_limit",
            format!("the drive limit asks the amplifier for more than its {mode} limit"),
            format!("with this {needed}, {} reach it", engineering(limit / value.abs(), "V pk")),
        );
    }
}

fn timing(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let timing = &rig.timing;
    checker.positive("timing.reply_limit", timing.reply_limit.si());
    checker.positive("timing.poll_interval", timing.poll_interval.si());
    checker.not_negative("timing.transfer", timing.transfer.si());
    checker.not_negative("timing.judgement", timing.judgement.si());
    checker.positive("acquisition.rate", rig.acquisition.rate.si());
    checker.positive("acquisition.block", rig.acquisition.block.si());
    checker.not_negative("acquisition.pause", rig.acquisition.longest_pause().si());
    let seconds = |value: f64| engineering(value, "s");
    let takes = rig.acquisition.block + rig.acquisition.longest_pause();
    if timing.block_limit <= takes {
        let missing = seconds(timing.block_limit.si());
        let pause = if rig.acquisition.is_gated() { " with its pause" } else { "" };
        checker.error(
            "acquisition.block",
            format!(
                "blocks count as missing after {missing}, and each of these takes {}{pause}",
                seconds(takes.si())
            ),
            "write a shorter block, such as \"20 ms\", or a longer block_limit in [timing]",
        );
    }
    if timing.contact_limit <= timing.poll_interval {
        let unread = seconds(timing.contact_limit.si());
        checker.error(
            "timing.poll_interval",
            format!(
                "contacts count as opened if unread for {unread}, and they are read every {}",
                seconds(timing.poll_interval.si())
            ),
            "write a shorter poll_interval, at most half of contact_limit",
        );
    }
    if rig.acquisition.rate.si() > 0.0 && rig.acquisition.block.si() * rig.acquisition.rate.si() < 1.0 {
        checker.error(
            "acquisition.block",
            "a block of this length holds no sample",
            "write a longer block, such as \"20 ms\"",
        );
    }
}

fn roles(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    for (n, instrument) in rig.instruments.iter().enumerate() {
        checker.named(&format!("instrument[{n}].name"), &instrument.name);
        checker.named(&format!("instrument[{n}].driver"), &instrument.driver);
        checker.not_negative(&format!("instrument[{n}].latency"), instrument.latency.si());
    }
    checker.unique("instrument", "name", rig.instruments.iter().map(|i| i.name.as_str()));
    let roles = &rig.roles;
    let mut used = BTreeSet::new();
    for (role, written) in [
        ("source", Some(&roles.source)),
        ("amplifier", Some(&roles.amplifier)),
        ("relay", roles.relay.as_ref()),
        ("acquisition", Some(&roles.acquisition)),
        ("ambient", roles.ambient.as_ref()),
        ("contacts", roles.contacts.as_ref()),
    ] {
        let Some(written) = written else { continue };
        let path = format!("roles.{role}");
        let instrument = match written.rsplit_once('.') {
            Some((instrument, named)) if named == role => instrument,
            _ => {
                let message = format!("\"{written}\" does not name an instrument and its role '{role}'");
                checker.error(
                    &path,
                    message,
                    format!("write \"INSTRUMENT.{role}\" with the instrument's name"),
                );
                continue;
            }
        };
        used.insert(instrument);
        if !rig.instruments.iter().any(|i| i.name == instrument) {
            let names = crate::resolve::list(rig.instruments.iter().map(|i| i.name.as_str()));
            checker.error(
                &path,
                format!("the rig has no instrument '{instrument}'"),
                format!("its instruments are {names}"),
            );
        }
    }
    if checker.found.iter().any(|d| !d.warning) {
        // A role that names nobody leaves an instrument without one: that needs no word more.
        return;
    }
    for (n, instrument) in rig.instruments.iter().enumerate() {
        if !used.contains(instrument.name.as_str()) && !instrument.name.trim().is_empty() {
            checker.warning(
                &format!("instrument[{n}].name"),
                format!("instrument '{}' has no role", instrument.name),
                "name it in [roles], or remove it",
            );
        }
    }
}

fn displacement(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let Some(displacement) = &rig.displacement else {
        return;
    };
    let channel = &displacement.channel;
    if !rig.channels.iter().any(|c| &c.name == channel) {
        let names = crate::resolve::list(rig.channels.iter().map(|c| c.name.as_str()));
        checker.error(
            "displacement.channel",
            format!("the rig has no channel '{channel}'"),
            format!("its channels are {names}"),
        );
    } else if channel == &rig.reference.channel {
        checker.error(
            "displacement.channel",
            format!("channel '{channel}' carries the reference"),
            "name the channel that the displacement transducer is connected to",
        );
    }
    if displacement.sensitivity.si() == 0.0 {
        checker.error(
            "displacement.sensitivity",
            "a transducer without sensitivity shows nothing",
            "write its sensitivity at the channel, such as \"100 V/m\"",
        );
    }
}

fn errors(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let errors = &rig.errors;
    for (key, value) in [
        ("channel_ratio", errors.channel_ratio.si()),
        ("channel_phase", errors.channel_phase.si()),
        ("transverse_motion", errors.transverse_motion.si()),
        ("mounting", errors.mounting.si()),
        ("temperature", errors.temperature.si()),
        ("relative_motion", errors.relative_motion.si()),
        ("environment", errors.environment.si()),
        ("source_offset", errors.source_offset.si()),
    ] {
        checker.not_negative(&format!("errors.{key}"), value);
    }
}

fn simulation(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let simulation = &rig.simulation;
    for (key, value) in [
        ("source.frequency_step", simulation.source.frequency_step.si()),
        ("source.amplitude_step", simulation.source.amplitude_step.si()),
        ("source.output_limit", simulation.source.output_limit.si()),
        ("source.update_rate", simulation.source.update_rate.si()),
        ("amplifier.bandwidth", simulation.amplifier.bandwidth.si()),
    ] {
        checker.positive(&format!("simulation.{key}"), value);
    }
    for (key, value) in [
        ("source.latency", simulation.source.latency.si()),
        ("source.ramp", simulation.source.ramp.si()),
        ("amplifier.latency", simulation.amplifier.latency.si()),
        ("acquisition.noise", simulation.acquisition.noise.si()),
        ("acquisition.hum", simulation.acquisition.hum.si()),
        ("acquisition.hum_second", simulation.acquisition.hum_second.si()),
        ("acquisition.hum_third", simulation.acquisition.hum_third.si()),
        ("acquisition.hum_fifth", simulation.acquisition.hum_fifth.si()),
        ("acquisition.delay", simulation.acquisition.delay.si()),
        ("acquisition.startup", simulation.acquisition.startup.si()),
        ("acquisition.gate", simulation.acquisition.gate.si()),
        ("acquisition.pause", simulation.acquisition.pause.si()),
        ("room.humidity", simulation.room.humidity.si()),
    ] {
        checker.not_negative(&format!("simulation.{key}"), value);
    }
    if !(4..=32).contains(&simulation.acquisition.bits) {
        checker.error(
            "simulation.acquisition.bits",
            "no converter has so many bits",
            "write a number from 4 to 32",
        );
    }
    for (key, value) in [
        ("source", simulation.source.clock_error.si()),
        ("acquisition", simulation.acquisition.clock_error.si()),
    ] {
        if value.abs() > 0.01 {
            let path = format!("simulation.{key}.clock_error");
            checker.error(
                &path,
                "no clock is this wrong",
                "write a few parts per million, such as \"20 ppm\"",
            );
        }
    }
    spreads(checker, &simulation.spread);
    for (n, channel) in simulation.channels.iter().enumerate() {
        let path = |key: &str| format!("simulation.channels[{n}].{key}");
        if !rig.channels.iter().any(|c| c.name == channel.name) {
            let names = crate::resolve::list(rig.channels.iter().map(|c| c.name.as_str()));
            checker.error(
                &path("name"),
                format!("the rig has no channel '{}'", channel.name),
                format!("its channels are {names}"),
            );
        }
        if channel.gain_error.si().abs() >= 0.5 {
            checker.error(&path("gain_error"), "no channel is this wrong", "write a share below 50 %");
        }
        if channel.delay_error.si().abs() > 0.01 {
            checker.error(&path("delay_error"), "no channel is this late", "write at most \"10 ms\"");
        }
    }
    checker.unique("simulation.channels", "name", simulation.channels.iter().map(|c| c.name.as_str()));
}

fn spreads(checker: &mut Checker<'_, Rig>, spread: &Spread) {
    let of_sensors = [("sensitivity", spread.sensitivity), ("supply", spread.supply)];
    for (key, value) in of_sensors.into_iter().chain(spread.of_the_machine()) {
        let path = format!("simulation.spread.{key}");
        checker.not_negative(&path, value.si());
        if value.si() >= 0.5 {
            checker.error(&path, "a spread this wide leaves nothing of the rig", "write a share below 50 %");
        }
    }
}
