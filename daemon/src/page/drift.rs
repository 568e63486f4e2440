//! How one sensor's sensitivity moved from run to run, at one frequency.
//!
//! Time runs along the axis where the runs have times of their own; where all began at the same moment, as simulated ones do, each
//! has its place in order.

use super::text::{decimals, digits, frequency};
use crate::http::zone::Zone;
use crate::serve::words::HistoryPoint;
use maud::{Markup, html};

const WIDTH: f64 = 720.0;
const HEIGHT: f64 = 220.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 16.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 34.0;

/// Frequencies at which a sensor was measured, each once, ascending, and the one measured in most runs: of several the middle.
pub(super) fn frequencies(points: &[HistoryPoint]) -> (Vec<f64>, Option<f64>) {
    let mut all: Vec<f64> = points.iter().map(|p| p.frequency_hz).collect();
    all.sort_by(f64::total_cmp);
    let same = all.chunk_by(|a, b| a.total_cmp(b).is_eq());
    let counts: Vec<(f64, usize)> = same.filter_map(|of| Some((*of.first()?, of.len()))).collect();
    let most = counts.iter().map(|(_, n)| *n).max().unwrap_or(0);
    let usual: Vec<f64> = counts.iter().filter(|(_, n)| *n == most).map(|(f, _)| *f).collect();
    (counts.into_iter().map(|(f, _)| f).collect(), usual.get(usual.len() / 2).copied())
}

/// A place of the plot: how far along, percent of the first one's sensitivity, and its expanded uncertainty.
struct Place<'a> {
    along: f64,
    percent: f64,
    uncertainty: f64,
    of: &'a HistoryPoint,
}

fn places<'a>(points: &[&'a HistoryPoint]) -> Vec<Place<'a>> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    let second = |p: &HistoryPoint| p.started.timestamp().as_duration().as_secs_f64();
    let span = second(last) - second(first);
    let by_order = |n: usize| {
        #[expect(clippy::cast_precision_loss, reason = "a number of runs")]
        let share = n as f64 / points.len().saturating_sub(1).max(1) as f64;
        share
    };
    let place = |(n, p): (usize, &&'a HistoryPoint)| Place {
        along: if span > 0.0 { (second(p) - second(first)) / span } else { by_order(n) },
        percent: (p.sensitivity / first.sensitivity - 1.0) * 100.0,
        uncertainty: p.u_rel_percent.unwrap_or(0.0),
        of: p,
    };
    points.iter().enumerate().map(place).collect()
}

/// Draws the drift at a frequency; none where it was measured in fewer than two runs.
pub(super) fn drawn(points: &[HistoryPoint], at_hz: f64, zone: &Zone) -> Option<Markup> {
    let at: Vec<&HistoryPoint> = points.iter().filter(|p| p.frequency_hz.total_cmp(&at_hz).is_eq()).collect();
    let places = places(&at);
    let (first, last) = (places.first()?, places.last()?);
    if places.len() < 2 || !places.iter().all(|p| p.percent.is_finite() && p.uncertainty.is_finite()) {
        return None;
    }
    let most = places.iter().map(|p| p.percent.abs() + p.uncertainty).fold(0.05, f64::max) * 1.1;
    let x = |along: f64| LEFT + along * (WIDTH - LEFT - RIGHT);
    let y = |percent: f64| TOP + (most - percent) / (2.0 * most) * (HEIGHT - TOP - BOTTOM);
    let step = step(most);
    let ticks = (-4..=4).map(|n| f64::from(n) * step).filter(|v| v.abs() <= most);
    let label = format!("Change of the sensitivity at {} Hz since the first run, in %", frequency(at_hz));
    let line: Vec<String> = places.iter().map(|p| format!("{:.1},{:.1}", x(p.along), y(p.percent))).collect();
    Some(html! {
        div class="wave drift scroll" tabindex="0" role="region" aria-label=(label) {
            svg viewBox={ "0 0 " (WIDTH) " " (HEIGHT) } role="img" aria-label=(label) {
                @for v in ticks {
                    line class="grid" x1=(LEFT) x2=(WIDTH - RIGHT) y1=(short(y(v))) y2=(short(y(v))) {}
                    text x=(LEFT - 6.0) y=(short(y(v) + 4.0)) text-anchor="end" { (decimals(v, 2)) " %" }
                }
                polyline class="trace" points=(line.join(" ")) {}
                @for p in &places {
                    line class="error" x1=(short(x(p.along))) x2=(short(x(p.along))) y1=(short(y(p.percent - p.uncertainty))) y2=(short(y(p.percent + p.uncertainty))) {}
                    circle class="mark-of" cx=(short(x(p.along))) cy=(short(y(p.percent))) r="3.5" {
                        title { (p.of.run) ": " (digits(p.of.sensitivity, 5)) ", " (decimals(p.percent, 3)) " % ± " (decimals(p.uncertainty, 2)) " %" }
                    }
                }
                text x=(LEFT) y=(HEIGHT - 10.0) { (zone.shown(first.of.started)) }
                text x=(WIDTH - RIGHT) y=(HEIGHT - 10.0) text-anchor="end" { (zone.shown(last.of.started)) }
            }
        }
    })
}

fn short(value: f64) -> String {
    format!("{value:.1}")
}

/// A round step of which two to four fit into one side.
fn step(most: f64) -> f64 {
    let power = 10_f64.powf((most / 2.0).log10().floor());
    [5.0, 2.0, 1.0].map(|s| s * power).into_iter().find(|s| *s <= most / 2.0).unwrap_or(power)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(run: &str, started: &str, frequency_hz: f64, sensitivity: f64) -> HistoryPoint {
        HistoryPoint {
            run: run.to_owned(),
            started: started.parse().unwrap(),
            frequency_hz,
            sensitivity,
            sensitivity_unit: "V/(m/s²)".to_owned(),
            u_rel_percent: Some(0.5),
            reference: "SM-1".to_owned(),
            simulated: false,
        }
    }

    #[test]
    fn the_usual_frequency_is_the_middle_of_those_measured_most() {
        let points: Vec<HistoryPoint> =
            [("a", 8.0), ("a", 16.0), ("a", 80.0), ("b", 8.0), ("b", 16.0), ("b", 31.5)]
                .map(|(run, f)| point(run, "2026-01-01T00:00:00Z", f, 0.01))
                .into();
        assert_eq!(frequencies(&points), (vec![8.0, 16.0, 31.5, 80.0], Some(16.0)));
        assert_eq!(frequencies(&[]).1, None);
    }

    #[test]
    fn a_long_history_is_counted_in_one_go() {
        // With every point compared to every other this would not come to an end.
        let points: Vec<HistoryPoint> = (0..199_998)
            .map(|n| point("a", "2026-01-01T00:00:00Z", [8.0, 16.0, 31.5][n % 3], 0.01))
            .collect();
        assert_eq!(frequencies(&points), (vec![8.0, 16.0, 31.5], Some(16.0)));
    }

    #[test]
    fn time_runs_along_and_simulated_runs_stand_in_order() {
        let of = |times: [&str; 3]| {
            let points = std::iter::zip(["a", "b", "c"], times).map(|(run, t)| point(run, t, 16.0, 0.01));
            let points: Vec<HistoryPoint> = points.collect();
            let all: Vec<&HistoryPoint> = points.iter().collect();
            places(&all).iter().map(|p| p.along).collect::<Vec<f64>>()
        };
        assert_eq!(
            of(["2026-01-01T00:00:00Z", "2026-01-02T00:00:00Z", "2026-01-05T00:00:00Z"]),
            [0.0, 0.25, 1.0]
        );
        assert_eq!(of(["2000-01-01T00:00:00Z"; 3]), [0.0, 0.5, 1.0]);
    }

    #[test]
    fn a_drift_needs_two_runs() {
        let points = [
            point("a", "2026-01-01T00:00:00Z", 16.0, 0.01),
            point("b", "2026-06-01T00:00:00Z", 16.0, 0.0101),
        ];
        let zone = Zone::default();
        assert!(drawn(&points[..1], 16.0, &zone).is_none());
        let drawn = drawn(&points, 16.0, &zone).unwrap().into_string();
        assert!(drawn.contains("1.000 %") && drawn.matches("<circle").count() == 2, "{drawn}");
    }

    #[test]
    fn steps_are_round() {
        let steps = [0.055, 0.5, 1.4, 30.0].map(|most| decimals(step(most), 2));
        assert_eq!(steps, ["0.02", "0.20", "0.50", "10.00"]);
    }
}
