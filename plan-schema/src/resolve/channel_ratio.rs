//! Whether the ratio of channels can be measured as the plan asks, on this rig.

use super::ResolvedPoint;
use super::found::{Found, FoundReference, FoundSensor, HIGHEST_FREQUENCY};
use super::hum::nearest_written;
use crate::mains;
use crate::plan::{ChannelRatio, OutsideRatio, RATIO_TONES_MIN};
use crate::rig::{Channel, RatioRoute};
use crate::units::{Hertz, engineering};

/// Share of a channel's range that a tone may fill: its own gain and an offset need the rest.
const OF_RANGE: f64 = 0.9;

impl Found<'_> {
    /// Notes what keeps the ratio of channels from being measured, where the plan asks for it.
    pub(super) fn channel_ratio(
        &mut self,
        references: [Option<&FoundReference>; 2],
        sensors: &[FoundSensor],
        points: &[ResolvedPoint],
    ) {
        let plan = &self.files.plan;
        let Some(wanted) = plan.value.channel_ratio.clone() else { return };
        let Some(route) = self.files.rig.value.channel_ratio.clone() else {
            self.noted.push(plan.error(
                "channel_ratio",
                format!(
                    "rig '{}' has no way to put one voltage into all channels",
                    self.files.rig.value.name
                ),
                "add a table [channel_ratio] to the rig file that says how, or remove this one",
            ));
            return;
        };
        self.tones(&wanted);
        if wanted.frequencies.len() >= RATIO_TONES_MIN {
            self.within_tones(&wanted, points);
        }
        let channels = &self.files.rig.value.channels;
        let of_references = references.into_iter().flatten().map(|r| r.channel);
        let used: Vec<&Channel> =
            of_references.chain(sensors.iter().map(|s| s.channel)).filter_map(|n| channels.get(n)).collect();
        self.tone_fits(&route, &used);
    }

    fn tones(&mut self, wanted: &ChannelRatio) {
        let (plan, rig) = (&self.files.plan, &self.files.rig.value);
        let harmonics = plan.value.harmonics;
        for (n, frequency) in wanted.frequencies.iter().enumerate() {
            let path = format!("channel_ratio.frequencies[{n}]");
            let highest = rig.acquisition.rate.si() * HIGHEST_FREQUENCY;
            if frequency.si() > highest {
                self.noted.push(plan.error(
                    &path,
                    format!(
                        "a tone of {} is too fast for the acquisition",
                        engineering(frequency.si(), "Hz")
                    ),
                    format!("write at most {}", engineering(highest, "Hz")),
                ));
                continue;
            }
            let mains = rig.mains_frequency;
            let time = wanted.length(*frequency);
            if *frequency > Hertz::ZERO && mains::hidden(*frequency, mains, time).is_some() {
                let free = nearest_written(*frequency, harmonics, mains, |f| wanted.length(f));
                self.noted.push(plan.error(
                    &path,
                    format!("hum can't be told from a tone of {}", engineering(frequency.si(), "Hz")),
                    match free {
                        Some(free) => format!("write another frequency, such as \"{free} Hz\""),
                        None => "look at it longer, with more time".to_owned(),
                    },
                ));
            }
        }
    }

    /// A ratio is never extrapolated.
    fn within_tones(&mut self, wanted: &ChannelRatio, points: &[ResolvedPoint]) {
        let plan = &self.files.plan;
        let [Some(lowest), Some(highest)] = [wanted.frequencies.first(), wanted.frequencies.last()] else {
            return;
        };
        let [lowest, highest] = [lowest, highest].map(|f| engineering(f.si(), "Hz"));
        for point in points.iter().filter(|p| !wanted.covers(p.frequency)) {
            let at = engineering(point.frequency.si(), "Hz");
            let message = format!(
                "{at} lies outside {lowest} to {highest}, within which the ratio of channels is measured"
            );
            let path = point.origin.path("frequency");
            self.noted.push(match wanted.outside {
                OutsideRatio::Refuse => plan.error(
                    &path,
                    message,
                    "widen the frequencies in [channel_ratio], or write outside = \"rig_file\" there",
                ),
                OutsideRatio::RigFile => plan.warning(
                    &path,
                    format!(
                        "{message}: it is not corrected, and channel_ratio of the rig file is in its budget"
                    ),
                    "widen the frequencies in [channel_ratio] to have it corrected",
                ),
            });
        }
    }

    /// The tone has to fit every range, since one voltage goes into all of them.
    fn tone_fits(&mut self, route: &RatioRoute, used: &[&Channel]) {
        let room = |c: &&Channel| {
            c.range.si() * OF_RANGE
                / c.gain_in_use().map_or(1.0, |g| g.gain.si().abs().max(f64::MIN_POSITIVE))
        };
        let Some((least, channel)) =
            used.iter().map(|c| (room(c), c.name.as_str())).min_by(|a, b| a.0.total_cmp(&b.0))
        else {
            return;
        };
        if route.amplitude.si() > least {
            self.noted.push(self.files.rig.error(
                "channel_ratio.amplitude",
                format!(
                    "a tone of {} overloads channel '{channel}'",
                    engineering(route.amplitude.si(), "V pk")
                ),
                format!("write at most {}: one voltage goes into all channels", engineering(least, "V pk")),
            ));
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::fixture::{PLAN, RIG, Texts, edit};
    use crate::read::Report;
    use crate::resolve::ResolvedJob;

    pub(super) const ROUTE: &str = "[channel_ratio]\nby = \"switch\"\noutput = 3\nparts_amplifier = true\n\
                                    amplitude = \"1 V pk\"\nequality = \"0.002 %\"\n";

    fn with(plan: &str, rig: &str) -> Texts {
        Texts {
            plan: edit(PLAN, "format = 1\n", &format!("format = 1\nchannel_ratio = {plan}\n")),
            rig: format!("{RIG}\n{rig}\n"),
            ..Texts::valid()
        }
    }

    fn said(plan: &str, rig: &str) -> String {
        match with(plan, rig).read().and_then(|files| ResolvedJob::resolve(&files)) {
            Ok((_, noted)) => Report(noted).to_string(),
            Err(report) => report.to_string(),
        }
    }

    const WIDE: &str = "{ frequencies = [\"0.1 Hz\", \"13 Hz\", \"3 kHz\"] }";

    #[test]
    fn a_rig_with_a_way_and_a_plan_that_asks() {
        let files = with(WIDE, ROUTE).files();
        let (job, _) = ResolvedJob::resolve(&files).unwrap_or_else(|r| panic!("{r}"));
        let wanted = job.plan.channel_ratio.unwrap();
        assert!(!wanted.again && job.rig.channel_ratio.is_some());
        assert!((wanted.length(wanted.frequencies[0]).si() - 100.0).abs() < 1e-9);
        assert!((wanted.length(wanted.frequencies[2]).si() - 2.0).abs() < 1e-9);
    }

    #[test]
    fn what_can_not_be_done_is_refused_at_its_place() {
        let changed = |old: &str, new: &str| edit(ROUTE, old, new);
        for (plan, rig, words) in [
            (WIDE, String::new(), "has no way to put one voltage"),
            ("{ frequencies = [\"1 Hz\", \"10 Hz\"] }", ROUTE.to_owned(), "2 frequencies"),
            ("{ frequencies = [\"1 Hz\", \"10 Hz\", \"3 Hz\"] }", ROUTE.to_owned(), "do not rise"),
            ("{ frequencies = [\"0 Hz\", \"10 Hz\", \"30 Hz\"] }", ROUTE.to_owned(), "above zero"),
            ("{ frequencies = [\"0.1 Hz\", \"50 Hz\", \"3 kHz\"] }", ROUTE.to_owned(), "hum can't be told"),
            ("{ frequencies = [\"0.1 Hz\", \"13 Hz\", \"9 kHz\"] }", ROUTE.to_owned(), "too fast"),
            ("{ frequencies = [\"2 kHz\", \"2.2 kHz\", \"2.3 kHz\"] }", ROUTE.to_owned(), "lies outside"),
            (
                "{ frequencies = [\"2 kHz\", \"2.2 kHz\", \"2.3 kHz\"], outside = \"rig_file\" }",
                ROUTE.to_owned(),
                "is not corrected",
            ),
            (WIDE, changed("parts_amplifier = true", "parts_amplifier = false"), "would reach the amplifier"),
            (WIDE, changed("output = 3\n", ""), "names no contact output"),
            (WIDE, changed("\"switch\"", "\"person\""), "a person needs no contact output"),
            (WIDE, changed("\"1 V pk\"", "\"0 V pk\""), "above zero"),
            (WIDE, changed("\"1 V pk\"", "\"1000 V pk\""), "above the drive limit"),
            (WIDE, changed("\"0.002 %\"", "\"-1 %\""), "below zero"),
            (WIDE, changed("output = 3\n", "output = 3\nswitch_time = \"-1 s\"\n"), "below zero"),
        ] {
            let said = said(plan, &rig);
            assert!(said.contains(words), "{words:?} is not said: {said}");
        }
    }

    #[test]
    fn a_tone_has_to_fit_every_range() {
        let rig = edit(ROUTE, "\"1 V pk\"", "\"4.6 V pk\"");
        let texts = with(WIDE, &rig);
        let wide = Texts { rig: texts.rig.replace("drive_limit = \"", "drive_limit = \"1"), ..texts };
        let said = match wide.read().and_then(|files| ResolvedJob::resolve(&files)) {
            Ok((_, noted)) => Report(noted).to_string(),
            Err(report) => report.to_string(),
        };
        assert!(said.contains("overloads channel"), "{said}");
    }
}
