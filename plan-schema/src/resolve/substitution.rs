//! Whether sensors can be measured by substitution as the plan asks, on this rig.

use super::found::{Found, FoundReference, FoundSensor};
use super::{ResolvedPoint, list};
use crate::plan::Method;
use crate::registers::SensorKind;
use crate::rig::RoutedBy;

impl Found<'_> {
    /// Notes what keeps channels from being compared as the plan asks.
    pub(super) fn method(
        &mut self,
        references: [Option<&FoundReference>; 2],
        sensors: &[FoundSensor],
        points: &[ResolvedPoint],
    ) {
        self.channel_ratio(references, sensors, points);
        let [first, _] = references;
        self.substitution(first, sensors);
    }

    /// Notes what keeps reference and sensors from being measured through the same channels, where the plan asks for that.
    fn substitution(&mut self, reference: Option<&FoundReference>, sensors: &[FoundSensor]) {
        let (plan, rig) = (&self.files.plan, &self.files.rig);
        if plan.value.method != Method::Substitution {
            return;
        }
        let Some(way) = &rig.value.substitution else {
            self.noted.push(plan.error(
                "method",
                format!(
                    "rig '{}' has no way to put the reference into the channels of the sensors",
                    rig.value.name
                ),
                "add a table [substitution] to the rig file that says how, or remove this line",
            ));
            return;
        };
        if plan.value.channel_ratio.is_some() {
            self.noted.push(plan.error(
                "channel_ratio",
                "substitution measures every channel at every point already",
                "remove this table, or write method = \"comparison\"",
            ));
        }
        let guards: Vec<&str> =
            rig.value.permissives.iter().filter(|p| p.guard).map(|p| p.name.as_str()).collect();
        if way.by == RoutedBy::Person && !guards.is_empty() {
            self.noted.push(rig.warning(
                "substitution.by",
                format!("a person who opens {} to get at the cables trips the run", list(guards.into_iter())),
                "have the channels within reach from outside the guard, or use a switch",
            ));
        }
        for sensor in sensors.iter().filter(|s| s.is_under_test()) {
            self.takes_reference(reference, sensor);
        }
    }

    /// The channel of a sensor has to take the reference's output in its place.
    fn takes_reference(&mut self, reference: Option<&FoundReference>, sensor: &FoundSensor) {
        let (rig, job) = (&self.files.rig, &self.files.job);
        let Some(channel) = rig.value.channels.get(sensor.channel) else { return };
        if sensor.sensor.kind == SensorKind::Iepe && channel.conditioner.is_none() {
            self.noted.push(job.error(
                &format!("mounted[{}].channel", sensor.entry),
                format!(
                    "channel '{}' may feed sensor '{}' with current, which the reference must not get",
                    channel.name, sensor.sensor.serial
                ),
                "feed it from a conditioner before the channel and name that in the rig file, or use another method",
            ));
            return;
        }
        let Some(reference) = reference else { return };
        let taken =
            self.points.iter().enumerate().filter(|(n, _)| sensor.skips.get(*n).is_none_or(Option::is_none));
        let found =
            taken.filter_map(|(_, point)| self.reference_beyond(point, reference, sensor.channel)).next();
        if let Some(message) = found {
            let key = format!("channel[{}].range", sensor.channel);
            self.noted.push(rig.error(
                &key,
                message,
                "choose a larger range of the channel, or smaller amplitudes",
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::fixture::{PLAN, RIG, Texts, edit};
    use crate::plan::Method;
    use crate::read::Report;
    use crate::resolve::ResolvedJob;

    const WAY: &str = "[substitution]\nby = \"switch\"\noutput = 3\nkeeps_reference = true\n\
                       equality = \"0.002 %\"\nstability = \"0.01 %\"\nstability_phase = \"0.01 deg\"\n";

    const CHANNEL: &str = "name = \"two\"\n";
    const FED: &str = "conditioner = \"Z-1\"\nconditioner_gain = \"1 V/V\"\n";

    fn with(rig: &str) -> Texts {
        Texts {
            plan: edit(PLAN, "format = 1\n", "format = 1\nmethod = \"substitution\"\n"),
            rig: format!("{}\n{rig}\n", edit(RIG, CHANNEL, &format!("{CHANNEL}{FED}"))),
            ..Texts::valid()
        }
    }

    fn said(texts: &Texts) -> String {
        match texts.read().and_then(|files| ResolvedJob::resolve(&files)) {
            Ok((_, noted)) => Report(noted).to_string(),
            Err(report) => report.to_string(),
        }
    }

    #[test]
    fn a_rig_with_a_way_and_a_plan_that_asks() {
        let (job, _) = ResolvedJob::resolve(&with(WAY).files()).unwrap_or_else(|r| panic!("{r}"));
        assert_eq!(job.plan.method, Method::Substitution);
        assert!(job.rig.substitution.is_some_and(|way| way.keeps_reference));
        let (job, _) = ResolvedJob::resolve(&Texts::valid().files()).unwrap_or_else(|r| panic!("{r}"));
        assert_eq!(job.plan.method, Method::Comparison, "nothing is exchanged unless that is asked for");
    }

    #[test]
    fn what_can_not_be_done_is_refused_at_its_place() {
        let changed = |old: &str, new: &str| edit(WAY, old, new);
        let ratio = "[channel_ratio]\nby = \"switch\"\noutput = 3\nparts_amplifier = true\namplitude = \"1 V pk\"\n\
                     equality = \"0.002 %\"\n";
        for (rig, words) in [
            (String::new(), "has no way to put the reference"),
            (changed("keeps_reference = true", "keeps_reference = false"), "would be without its reference"),
            (changed("output = 3\n", ""), "names no contact output"),
            (changed("\"switch\"", "\"person\""), "a person needs no contact output"),
            (format!("{WAY}\n{ratio}"), "is that of the ratio of channels already"),
            (changed("\"0.002 %\"", "\"-1 %\""), "below zero"),
            (changed("\"0.01 %\"", "\"-1 %\""), "below zero"),
            (changed("output = 3\n", "output = 3\nswitch_time = \"-1 s\"\n"), "below zero"),
        ] {
            let said = said(&with(&rig));
            assert!(said.contains(words), "{words:?} is not said: {said}");
        }
    }

    #[test]
    fn a_plan_has_one_way_or_the_other() {
        let texts = with(WAY);
        let plan = edit(
            &texts.plan,
            "format = 1\n",
            "format = 1\nchannel_ratio = { frequencies = [\"0.1 Hz\", \"13 Hz\", \"3 kHz\"] }\n",
        );
        let said = said(&Texts { plan, ..texts });
        assert!(said.contains("measures every channel at every point already"), "{said}");
    }

    /// The reference gives 1 V at 1 g, ten times what the sensor on this channel does.
    #[test]
    fn the_channel_has_to_take_the_reference() {
        let texts = with(WAY);
        let rig = texts.rig.replace("input = 2\nrange = \"5 V pk\"", "input = 2\nrange = \"0.5 V pk\"");
        let said = said(&Texts { rig, ..texts });
        assert!(said.contains("in the place of its sensor reference 'R-1' would put out"), "{said}");
    }

    #[test]
    fn a_channel_that_feeds_its_sensor_gets_no_reference() {
        let texts = Texts { rig: format!("{RIG}\n{WAY}\n"), ..with(WAY) };
        assert!(said(&texts).contains("may feed sensor 'S-2' with current"));
    }
}
