//! Checks of the ways to stop the armature.

use crate::checks::Checker;
use crate::rig::{Rig, SafeAction, instrument_of};
use crate::units::engineering;

/// Each way has its time and somebody who goes it, and two of them should have nothing in common.
pub(super) fn safe_paths(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    if rig.safe_paths.is_empty() {
        checker.error(
            "safe_path",
            "the rig has no way to stop its armature",
            "add a table [[safe_path]] for each way",
        );
    }
    for (n, path) in rig.safe_paths.iter().enumerate() {
        checker.positive(&format!("safe_path[{n}].time"), path.time.si());
    }
    checker.unique("safe_path", "action", rig.safe_paths.iter().map(|p| p.action.word()));
    simulated_paths(checker, rig);
    watchdog(checker, rig);
    relay(checker, rig);
    let holders = rig.safe_paths.iter().filter_map(|path| rig.roles.of(path.action));
    let boxes: Vec<&str> = holders.map(instrument_of).collect();
    let one_box = boxes.windows(2).all(|pair| matches!(pair, [a, b] if a == b));
    if !boxes.is_empty() && boxes.len() == rig.safe_paths.len() && one_box {
        checker.warning(
            "safe_path",
            "all ways to stop the armature go through one instrument",
            "have two that share no box, link or program",
        );
    }
}

/// A relay needs its time, and only helps if it is not the amplifier itself.
fn relay(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let timed = rig.safe_paths.iter().any(|path| path.action == SafeAction::Relay);
    match &rig.roles.relay {
        None if timed => checker.error(
            "roles.relay",
            "a safe path is a relay, and no instrument is one",
            "add relay = \"INSTRUMENT.relay\" to [roles], or take that [[safe_path]] out",
        ),
        Some(_) if !timed => checker.error(
            "safe_path",
            "the rig has a relay, and nothing says how long it takes",
            "add a table [[safe_path]] with action = \"relay\" and its time",
        ),
        Some(role) if instrument_of(role) == instrument_of(&rig.roles.amplifier) => checker.error(
            "roles.relay",
            "it is the amplifier, which mutes anyway",
            "name the instrument that switches the relay, or leave it out",
        ),
        _ => {}
    }
}

/// Kind of driver of an amplifier whose watchdog is set by the driver.
const SET_BY_DRIVER: &str = "modbus-amplifier";

/// A watchdog that the amplifier does not have, or that nobody sets, mutes nothing.
fn watchdog(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let declared = rig.safe_paths.iter().enumerate().find(|(_, p)| p.action == SafeAction::AmplifierWatchdog);
    let Some((n, path)) = declared else { return };
    match rig.amplifier.watchdog {
        None => checker.warning(
            &format!("safe_path[{n}].action"),
            "a safe path is the amplifier's watchdog, and the amplifier has none",
            "add watchdog = TIME to [amplifier], or take that [[safe_path]] out",
        ),
        Some(time) if path.time.si() < time.si() * (1.0 - 1e-9) => checker.warning(
            &format!("safe_path[{n}].time"),
            format!("the amplifier waits for {} before it mutes by itself", engineering(time.si(), "s")),
            "write that time, and what the mute takes; or a shorter watchdog in [amplifier]",
        ),
        Some(_) => {}
    }
    let named = instrument_of(&rig.roles.amplifier);
    let is_unset = |i: &&crate::rig::Instrument| {
        i.name == named && i.driver == SET_BY_DRIVER && !i.settings.0.contains_key("watchdog")
    };
    if rig.instruments.iter().any(|i| is_unset(&i)) {
        checker.warning(
            &format!("safe_path[{n}].action"),
            format!("nothing sets the watchdog of '{named}'"),
            "add watchdog and heartbeat to the settings of that instrument, or take that [[safe_path]] out",
        );
    }
}

/// Kind of driver of a simulated instrument.
const SIMULATED: &str = "simulated";

/// A dry run shows no more than what is declared, so a simulated instrument must not be slower than its safe path.
fn simulated_paths(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    let (source, amplifier) = (&rig.simulation.source, &rig.simulation.amplifier);
    for (n, path) in rig.safe_paths.iter().enumerate() {
        let (role, what, takes) = match path.action {
            SafeAction::SourceOff => (&rig.roles.source, "source", source.latency + source.ramp),
            SafeAction::AmplifierMute => (&rig.roles.amplifier, "amplifier", amplifier.latency),
            SafeAction::Relay | SafeAction::AmplifierWatchdog => continue,
        };
        let named = instrument_of(role);
        let simulated = rig.instruments.iter().any(|i| i.name == named && i.driver == SIMULATED);
        if simulated && path.time.si() < takes.si() * (1.0 - 1e-9) {
            checker.warning(
                &format!("safe_path[{n}].time"),
                format!("the simulated {what} takes {} for that", engineering(takes.si(), "s")),
                format!("write that time, or a faster [simulation.{what}]"),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::fixture::Texts;

    /// What is said of the rig with a relay in its roles, and further lines.
    fn said(role: Option<&str>, lines: &str) -> String {
        let mut texts = Texts::valid();
        if let Some(role) = role {
            texts.rig = texts.rig.replace("[roles]\n", &format!("[roles]\nrelay = \"{role}\"\n"));
        }
        texts.rig = format!("{}\n{lines}\n", texts.rig);
        crate::resolve::ResolvedJob::resolve(&texts.files())
            .map_or_else(|report| report.to_string(), |(_, warnings)| format!("{:?}", warnings.0))
    }

    const BOX: &str = "[[instrument]]\nname = \"box\"\ndriver = \"simulated\"\n";
    const PATH: &str = "[[safe_path]]\naction = \"relay\"\ntime = \"10 ms\"\n";

    #[test]
    fn a_relay_has_a_box_and_a_time_of_its_own() {
        let both = format!("{BOX}{PATH}");
        assert!(!said(Some("box.relay"), &both).contains("relay"));
        assert!(said(None, PATH).contains("no instrument is one"));
        assert!(said(Some("box.relay"), BOX).contains("nothing says how long it takes"));
        assert!(said(Some("box.amplifier"), &both).contains("write \"INSTRUMENT.relay\""));
        assert!(said(Some("power.relay"), PATH).contains("which mutes anyway"));
    }

    #[test]
    fn a_watchdog_is_one_of_the_amplifier_and_somebody_sets_it() {
        let path =
            |time: &str| format!("[[safe_path]]\naction = \"amplifier_watchdog\"\ntime = \"{time}\"\n");
        let with = |watchdog: &str, settings: &str, time: &str| {
            let mut texts = Texts::valid();
            texts.rig = texts.rig.replace("[amplifier]\n", &format!("[amplifier]\n{watchdog}"));
            let power = "name = \"power\"\ndriver = \"simulated\"\n";
            assert!(texts.rig.contains(power));
            texts.rig = texts.rig.replace(power, &format!("name = \"power\"\n{settings}"));
            texts.rig = format!("{}\n{}", texts.rig, path(time));
            crate::resolve::ResolvedJob::resolve(&texts.files())
                .map_or_else(|report| report.to_string(), |(_, warnings)| format!("{:?}", warnings.0))
        };
        let (has, simulated) = ("watchdog = \"400 ms\"\n", "driver = \"simulated\"\n");
        assert!(!with(has, simulated, "400 ms").contains("watchdog"));
        assert!(with("", simulated, "400 ms").contains("the amplifier has none"));
        assert!(with(has, simulated, "399 ms").contains("waits for 400 ms"));
        let modbus = "driver = \"modbus-amplifier\"\n";
        assert!(with(has, modbus, "400 ms").contains("nothing sets the watchdog of 'power'"));
        let set = format!("{modbus}settings = {{ watchdog = 1 }}\n");
        assert!(!with(has, &set, "400 ms").contains("nothing sets"));
    }
}
