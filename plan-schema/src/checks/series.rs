//! Checks of the series of a plan, and of all its points together.

use super::Checker;
use crate::plan::{MOST_POINTS, Origin, Plan, Planned, Series, SeriesAmplitude, Spacing};
use crate::units::{Accel, Hertz, Peak, engineering};

/// What is wrong with each series by itself.
pub(super) fn series(checker: &mut Checker<'_, Plan>, plan: &Plan) {
    for (n, series) in plan.series.iter().enumerate() {
        let path = |key: &str| format!("series[{n}].{key}");
        let ends = [("from", series.from), ("to", series.to)];
        for (key, end) in ends {
            checker.positive(&path(key), end.si());
        }
        checker.positive_if_any(&path("tolerance"), series.tolerance.map(|t| t.si()));
        checker.positive_if_any(&path("distortion_limit"), series.distortion_limit.map(|d| d.si()));
        super::plan::measured(checker, &path, series.repeats, series.dwell_cycles);
        amplitude(checker, &path, series);
        let spaced = spacing(checker, &path, series);
        if spaced && ends.iter().all(|(_, end)| *end > Hertz::ZERO) {
            span(checker, &path, series);
        }
    }
}

fn amplitude(checker: &mut Checker<'_, Plan>, path: &impl Fn(&str) -> String, series: &Series) {
    match (series.amplitude, series.at_most) {
        (SeriesAmplitude::Fixed(amplitude), None) => checker.positive(&path("amplitude"), amplitude.si()),
        (SeriesAmplitude::Largest, Some(most)) => checker.positive(&path("at_most"), most.si()),
        (SeriesAmplitude::Largest, None) => checker.error(
            &path("amplitude"),
            "nothing says what the largest amplitude may go up to",
            "add at_most = \"1 g pk\" or what the sensors are to see at most",
        ),
        (SeriesAmplitude::Fixed(_), Some(_)) => checker.error(
            &path("at_most"),
            "a largest amplitude is named, but the amplitude is fixed",
            "write amplitude = \"largest\", or remove at_most",
        ),
    }
}

/// Whether it is said how the frequencies follow, once and no more.
fn spacing(checker: &mut Checker<'_, Plan>, path: &impl Fn(&str) -> String, series: &Series) -> bool {
    let before = checker.found.len();
    let counts = [("per_decade", series.per_decade), ("count", series.count)];
    if series.spacing == Spacing::Logarithmic {
        if series.values.is_some() {
            checker.error(
                &path("values"),
                "a logarithmic spacing has no preferred frequencies",
                "remove values, or write spacing = \"third_octave\"",
            );
        }
        match (series.per_decade, series.count) {
            (None, None) => checker.error(
                &path("spacing"),
                "nothing says how many frequencies there are",
                "add per_decade = 10, or count = 20",
            ),
            (Some(_), Some(_)) => checker.error(
                &path("count"),
                "the frequencies are counted twice, by decade and in all",
                "remove per_decade or count",
            ),
            (Some(0), None) => checker.error(
                &path("per_decade"),
                "a decade has at least one frequency",
                "write 1 or more, such as per_decade = 10",
            ),
            (None, Some(0 | 1)) => checker.error(
                &path("count"),
                "both ends are points, so there are at least two",
                "write 2 or more; list a single point as [[point]]",
            ),
            _ => {}
        }
    } else {
        if series.values.is_none() {
            checker.error(
                &path("spacing"),
                "nothing says which values the preferred frequencies have",
                "add values = \"nominal\" (12.5 Hz) or values = \"exact\" (12.589 Hz)",
            );
        }
        for (key, _) in counts.iter().filter(|(_, count)| count.is_some()) {
            checker.error(
                &path(key),
                "preferred frequencies follow from the spacing",
                format!("remove {key}, or write spacing = \"logarithmic\""),
            );
        }
    }
    checker.found.len() == before
}

/// Whether the series makes some frequencies, and no more than can be meant.
fn span(checker: &mut Checker<'_, Plan>, path: &impl Fn(&str) -> String, series: &Series) {
    let hertz = |f: Hertz| engineering(f.si(), "Hz");
    let (from, to) = (hertz(series.from), hertz(series.to));
    let alone = series.from == series.to && series.spacing == Spacing::Logarithmic;
    if series.from > series.to || alone {
        checker.error(
            &path("to"),
            format!("the series ends at {to}, which is not above {from}, where it begins"),
            "write the lowest frequency as from and the highest as to",
        );
    } else if series.count_at_most() > f64::from(MOST_POINTS) {
        checker.error(
            &path("to"),
            format!("more than {MOST_POINTS} points would lie between {from} and {to}"),
            "take a wider spacing, or ends that lie nearer",
        );
    } else if series.frequencies().is_empty() {
        checker.error(
            &path("from"),
            format!("no preferred frequency lies between {from} and {to}"),
            "take ends that lie farther apart, or list the point",
        );
    }
}

/// No frequency comes twice with the same amplitude.
pub(super) fn twice(checker: &mut Checker<'_, Plan>, planned: &[Planned]) {
    let mut seen: Vec<(Hertz, Accel<Peak>, bool, Origin)> = Vec::new();
    for planned in planned {
        let frequency = planned.point.frequency;
        let amplitude = planned.point.amplitude.acceleration_at(frequency);
        // Two that are as large as may be are mostly one.
        let alike = |(f, a, largest, _): &&(Hertz, Accel<Peak>, bool, Origin)| {
            *f == frequency && (*a == amplitude || (*largest && planned.largest))
        };
        if let Some((.., first)) = seen.iter().find(alike) {
            let document = checker.document;
            let line = document.error(&first.path("frequency"), "", "").line_column().0;
            let at = engineering(frequency.si(), "Hz");
            let listed = matches!((first, planned.origin), (Origin::Listed(_), Origin::Listed(_)));
            let (message, remedy) = if listed {
                (
                    format!("{at} stands in the plan twice with the same amplitude"),
                    "name each frequency and amplitude once; use 'repeats' to measure it again",
                )
            } else {
                (
                    format!("{at} comes twice with the same amplitude, first from line {line}"),
                    "begin or end the series elsewhere, or remove the other point; use 'repeats' to measure again",
                )
            };
            checker.error(&planned.origin.path("frequency"), message, remedy);
        }
        seen.push((frequency, amplitude, planned.largest, planned.origin));
    }
}
