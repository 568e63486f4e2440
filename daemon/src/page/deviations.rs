//! The deviation of each sensor over frequency, growing while points arrive: drawn by the certificate's code.

use super::text;
use crate::certificate::plot::{self, Figure, Mark};
use crate::http::admit::Viewer;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{Happening, PointNews, QueueEntry, RigState};
use axum::extract::State;
use maud::{Markup, PreEscaped, html};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Width and height of the two forms of a plot, in points: on a desk, and on a phone.
const WIDE: (i32, i32) = (493, 170);
const NARROW: (i32, i32) = (300, 190);

/// A sensor at a point.
struct Deviation {
    frequency_hz: f64,
    percent: Option<f64>,
    accepted: bool,
}

/// The plots alone, when a point has come.
pub(super) async fn part(State(shared): State<Arc<Shared>>, _: Viewer) -> Result<Markup, Problem> {
    let rig = shared.desk.rig().await?;
    let jobs = shared.desk.queue().await?;
    Ok(plots(&shared, &rig, &jobs))
}

/// A plot for each sensor of the run that goes on, or that ended last.
pub(super) fn plots(shared: &Shared, rig: &RigState, jobs: &[QueueEntry]) -> Markup {
    let (kept, _) = shared.desk.news(Some(0));
    let mut points: Vec<PointNews> = Vec::new();
    for news in kept {
        if let Happening::Point(point) = &news.news.what {
            points.push(point.clone());
        }
    }
    let run = rig.running.clone().or_else(|| points.last().map(|p| p.run.clone()));
    let Some(run) = run else {
        return html! { p class="hint" { "The first point of a run appears here." } };
    };
    points.retain(|p| p.run == run);
    let done = points.last().map_or(0, |p| p.done);
    let points = last_of_each(points);
    let of = jobs.iter().find(|job| job.runs.contains(&run)).map(|job| job.points);
    let mut by_serial: BTreeMap<&str, Vec<Deviation>> = BTreeMap::new();
    for point in &points {
        for sensor in &point.sensors {
            let mark = Deviation {
                frequency_hz: point.frequency_hz,
                percent: sensor.deviation_percent,
                accepted: sensor.accepted,
            };
            by_serial.entry(&sensor.serial).or_default().push(mark);
        }
    }
    html! {
        p class="hint" {
            (done) @if let Some(of) = of { " of " (of) } " points of " a href={ "/runs/" (run) } { (run) }
            ". Provisional: the certificate's numbers are derived at the end."
        }
        @for (serial, marks) in &by_serial {
            figure {
                figcaption { (serial) }
                @match plot_of(marks) {
                    Some(plot) => (plot),
                    None => p class="hint" { "No deviation is known yet." },
                }
                (findings(&points, serial))
            }
        }
    }
}

/// A point that is measured more than once is told of each time: the last counts.
fn last_of_each(points: Vec<PointNews>) -> Vec<PointNews> {
    let mut last: BTreeMap<u32, PointNews> = BTreeMap::new();
    for point in points {
        last.insert(point.point, point);
    }
    last.into_values().collect()
}

fn plot_of(marks: &[Deviation]) -> Option<Markup> {
    let of = |mark: &Deviation| {
        Some(Mark { frequency_hz: mark.frequency_hz, value: mark.percent?, uncertainty: None })
    };
    let figure = Figure {
        x_label: "Frequency in Hz".to_owned(),
        y_label: "Deviation in %".to_owned(),
        marks: marks.iter().filter(|m| m.accepted).filter_map(of).collect(),
        tolerance: Vec::new(),
        lost_hz: marks.iter().filter(|m| !m.accepted).map(|m| m.frequency_hz).collect(),
        decimal_mark: '.',
    };
    drawn(&figure)
}

/// A figure in both forms; the style shows the one that fits. No styles of its own are let in by the page's policy, nor needed.
pub(super) fn drawn(figure: &Figure) -> Option<Markup> {
    let label = format!("{} over {}", figure.y_label, figure.x_label);
    let wide = plot::svg_of_size(figure, WIDE)?;
    let narrow = plot::svg_of_size(figure, NARROW)?;
    Some(html! {
        div class="plot wide" role="img" aria-label=(label) { (PreEscaped(wide)) }
        div class="plot narrow" role="img" aria-label=(label) { (PreEscaped(narrow)) }
    })
}

/// What was noticed at which point.
fn findings(points: &[PointNews], serial: &str) -> Markup {
    let noticed: Vec<(f64, String, bool)> = points
        .iter()
        .flat_map(|p| p.sensors.iter().map(|s| (p.frequency_hz, s)))
        .filter(|(_, s)| s.serial == serial && (!s.findings.is_empty() || !s.accepted))
        .map(|(f, s)| {
            let words: Vec<String> = s.findings.iter().map(|f| text::words(f)).collect();
            (f, words.join(", "), s.accepted)
        })
        .collect();
    html! {
        @if !noticed.is_empty() {
            ul class="findings" {
                @for (frequency, words, accepted) in noticed {
                    li { (text::frequency(frequency)) " Hz: " (words) @if !accepted { " · " strong { "rejected" } } }
                }
            }
        }
    }
}
