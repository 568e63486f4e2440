//! Checks of channels, conditioners and fixtures by themselves.

use super::Checker;
use crate::rig::{Channel, Coupling, Place, Rig};
use crate::units::{Hertz, engineering};
use std::collections::BTreeMap;

/// What is wrong with the channels of a rig.
pub(super) fn channels(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    for (n, channel) in rig.channels.iter().enumerate() {
        let path = format!("channel[{n}]");
        checker.named(&format!("{path}.name"), &channel.name);
        checker.positive(&format!("{path}.range"), channel.range.si());
        coupling(checker, &path, channel);
        gains(checker, &path, channel);
        conditioner(checker, &path, channel);
        filter(checker, &path, channel);
    }
    checker.unique("channel", "name", rig.channels.iter().map(|c| c.name.as_str()));
    checker.unique("channel", "input", rig.channels.iter().map(|c| c.input));
}

fn coupling(checker: &mut Checker<'_, Rig>, path: &str, channel: &Channel) {
    checker.positive_if_any(&format!("{path}.ac_corner"), channel.ac_corner.map(|f| f.si()));
    if let Some(u) = channel.ac_corner_u {
        checker.proper_share(&format!("{path}.ac_corner_u"), u.si());
        if channel.ac_corner.is_none() {
            let message = "ac_corner_u means nothing without ac_corner";
            checker.error(&format!("{path}.ac_corner_u"), message, "add ac_corner, or remove ac_corner_u");
        }
    }
    let (message, remedy) = match (channel.coupling, channel.ac_corner) {
        (Some(Coupling::Ac), None) => {
            ("nothing says down to where an AC coupling passes", "add ac_corner = \"0.16 Hz\" or what it is")
        }
        (Some(Coupling::Dc), Some(_)) => (
            "a channel that is coupled for DC has no lower corner",
            "remove ac_corner, or write coupling = \"ac\"",
        ),
        _ => return,
    };
    checker.error(&format!("{path}.coupling"), message, remedy);
}

fn gains(checker: &mut Checker<'_, Rig>, path: &str, channel: &Channel) {
    for (n, gain) in channel.gains.iter().enumerate() {
        let at = |key: &str| format!("{path}.gain[{n}].{key}");
        checker.positive(&at("range"), gain.range.si());
        checker.positive(&at("gain"), gain.gain.si());
        small_share(checker, &at("u"), gain.u.si());
    }
    checker.unique(&format!("{path}.gain"), "range", channel.gains.iter().map(|g| g.range.to_string()));
    if !channel.gains.is_empty() && channel.gain_in_use().is_none() {
        let ranges: Vec<String> = channel.gains.iter().map(|g| engineering(g.range.si(), "V pk")).collect();
        checker.error(
            &format!("{path}.range"),
            format!(
                "the range in use, {}, is not among those with a gain",
                engineering(channel.range.si(), "V pk")
            ),
            format!("gains are stated for {}; add the range in use, or use one of them", ranges.join(", ")),
        );
    }
}

fn conditioner(checker: &mut Checker<'_, Rig>, path: &str, channel: &Channel) {
    let at = |key: &str| format!("{path}.{key}");
    if let Some(serial) = &channel.conditioner {
        checker.named(&at("conditioner"), serial);
    }
    checker.positive_if_any(&at("conditioner_gain"), channel.conditioner_gain.map(|g| g.si()));
    small_share(checker, &at("conditioner_u"), channel.conditioner_u.si());
    checker.not_negative(&at("conditioner_u_phase"), channel.conditioner_u_phase.si());
    let lacks_gain = channel.conditioner_gain.is_none();
    for (key, stated) in [
        ("conditioner_u", channel.conditioner_u.si() != 0.0),
        ("conditioner_u_phase", channel.conditioner_u_phase.si() != 0.0),
    ] {
        if stated && lacks_gain {
            checker.error(
                &at(key),
                format!("{key} means nothing without conditioner_gain"),
                format!("add conditioner_gain, or remove {key}"),
            );
        }
    }
    let mut previous: Option<Hertz> = None;
    for (n, point) in channel.response.iter().enumerate() {
        let at = |key: &str| format!("{path}.response[{n}].{key}");
        checker.positive(&at("frequency"), point.frequency.si());
        checker.positive(&at("magnitude"), point.magnitude.si());
        checker.rising(&at("frequency"), previous, point.frequency);
        previous = Some(point.frequency);
    }
}

fn filter(checker: &mut Checker<'_, Rig>, path: &str, channel: &Channel) {
    let at = |key: &str| format!("{path}.{key}");
    checker.positive_if_any(&at("filter_corner"), channel.filter_corner.map(|f| f.si()));
    small_share(checker, &at("filter_corner_u"), channel.filter_corner_u.si());
    checker.not_negative(&at("delay_u"), channel.delay_u.si());
    for (key, stated, lacks, lacking) in [
        (
            "filter_corner_u",
            channel.filter_corner_u.si() != 0.0,
            "filter_corner",
            channel.filter_corner.is_none(),
        ),
        ("delay_u", channel.delay_u.si() != 0.0, "delay", channel.delay.is_none()),
    ] {
        if stated && lacking {
            checker.error(
                &at(key),
                format!("{key} means nothing without {lacks}"),
                format!("add {lacks}, or remove {key}"),
            );
        }
    }
}

/// What is wrong with the fixtures of a rig, and with the places on its table.
pub(super) fn fixtures(checker: &mut Checker<'_, Rig>, rig: &Rig) {
    places(checker, "", &rig.places);
    for (n, fixture) in rig.fixtures.iter().enumerate() {
        let path = format!("fixture[{n}]");
        checker.named(&format!("{path}.name"), &fixture.name);
        checker.positive(&format!("{path}.mass"), fixture.mass.si());
        checker.not_negative(&format!("{path}.offset"), fixture.offset.map_or(0.0, |o| o.si()));
        places(checker, &format!("{path}."), &fixture.places);
        if fixture.points.is_empty() {
            checker.error(
                &format!("{path}.point"),
                format!("nothing is measured of the motion of fixture '{}'", fixture.name),
                "add a line with position, frequency, ratio and u for each position and frequency",
            );
        }
        let mut previous: BTreeMap<&str, Hertz> = BTreeMap::new();
        for (m, point) in fixture.points.iter().enumerate() {
            let at = |key: &str| format!("{path}.point[{m}].{key}");
            checker.named(&at("position"), &point.position);
            checker.positive(&at("frequency"), point.frequency.si());
            checker.positive(&at("ratio"), point.ratio.si());
            small_share(checker, &at("u"), point.u.si());
            let before = previous.insert(&point.position, point.frequency);
            checker.rising(&at("frequency"), before, point.frequency);
        }
    }
    checker.unique("fixture", "name", rig.fixtures.iter().map(|f| f.name.as_str()));
}

/// Places under a path that ends before their key.
fn places(checker: &mut Checker<'_, Rig>, path: &str, places: &[Place]) {
    let at = |n: usize, key: &str| format!("{path}place[{n}].{key}");
    for (n, place) in places.iter().enumerate() {
        checker.named(&at(n, "position"), &place.position);
        checker.not_negative(&at(n, "offset"), place.offset.si());
    }
    checker.unique(&format!("{path}place"), "position", places.iter().map(|p| p.position.as_str()));
}

/// An uncertainty may be zero, but not as large as what it is of.
fn small_share(checker: &mut Checker<'_, Rig>, path: &str, value: f64) {
    if !(0.0..1.0).contains(&value) {
        checker.error(path, "this uncertainty lies outside 0 to 100 %", "write a share, such as \"0.1 %\"");
    }
}

#[cfg(test)]
mod tests;
