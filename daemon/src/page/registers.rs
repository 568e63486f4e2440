//! The registers: what is due, references with every version of their calibration, sensors.

use super::frame::{Frame, to_sensor};
use super::sensor::readable;
use super::text;
use crate::http::house::Shared;
use crate::http::problem::Problem;
use crate::serve::words::{Due, RegisteredReference, RegisteredSensor};
use axum::extract::State;
use maud::{Markup, html};
use std::sync::Arc;

pub(super) async fn page(State(shared): State<Arc<Shared>>, frame: Frame) -> Result<Markup, Problem> {
    let registers = shared.desk.registers().await?;
    Ok(frame.page("Registers", &html! {
        h1 { "Registers" }
        p class="hint" { "As runs of this station found them: an entry stands here once something was run with it." }
        (due(&registers.due, &registers.day))
        section class="panel" aria-labelledby="references-title" {
            h2 id="references-title" { "References" }
            @if registers.references.is_empty() { p class="hint" { "None was used yet." } }
            @for reference in &registers.references { (reference_part(&frame, reference)) }
        }
        section class="panel" aria-labelledby="sensors-title" {
            h2 id="sensors-title" { "Sensors" }
            form method="get" action="/sensors" class="inline" role="search" {
                label for="serial" { "Serial" }
                input id="serial" name="serial" required maxlength="100";
                button { "Show its history" }
            }
            @if registers.sensors.is_empty() { p class="hint" { "None was mounted yet." } }
            @else { (sensors(&frame, &registers.sensors)) }
        }
    }))
}

fn due(due: &[Due], day: &str) -> Markup {
    let overdue = due.iter().any(|d| d.overdue);
    html! {
        section class={ "panel " (if overdue { "bad" } else { "good" }) } aria-labelledby="due-title" {
            h2 id="due-title" { "What is due" span class="number" { " as of " (day) } }
            @if due.is_empty() { p class="hint" { "Nothing of this rig has a date." } }
            ul class="checks" {
                @for one in due {
                    li class=(if one.overdue { "bad" } else { "good" }) {
                        span class="sign" aria-hidden="true" {}
                        div {
                            strong { (one.what) " " (one.name) }
                            @if one.overdue { ": past its date, " (one.due) ". No run begins with it." } @else { ": by " (one.due) }
                        }
                    }
                }
            }
        }
    }
}

fn reference_part(frame: &Frame, reference: &RegisteredReference) -> Markup {
    html! {
        h3 { (reference.serial) " " span class="number" { (reference.make) ", " (reference.model) } }
        div class="scroll" tabindex="0" role="region" aria-label={ "Calibrations of " (reference.serial) } {
            table class="list" {
                thead { tr {
                    th { "Certificate" } th { "Laboratory" } th { "Done" } th { "Due" } th { "Used since" } th class="n" { "Runs on it" } th { "Entry" }
                } }
                tbody {
                    @for c in reference.calibrations.iter().rev() {
                        tr {
                            th scope="row" { (c.certificate) }
                            td { (c.laboratory) }
                            td { (c.date) }
                            td { (c.due) }
                            td { (frame.instant(c.since)) " " a href={ "/runs/" (c.run) } { (c.run) } }
                            td class="n" { (c.runs) }
                            td { code title=(c.sha256) { (c.sha256.get(..12).unwrap_or_default()) } }
                        }
                    }
                }
            }
        }
    }
}

/// As a record writes it, SI and all digits; shown with the prefix that leaves few of them.
fn nominal(written: &str) -> String {
    let parts = written.split_once(' ').and_then(|(number, unit)| Some((number.parse::<f64>().ok()?, unit)));
    let Some((number, unit)) = parts else { return written.to_owned() };
    let (scale, unit) = readable(&unit.replace("s2", "s²"));
    format!("{} {unit}", text::digits(number * scale, 4))
}

fn sensors(frame: &Frame, sensors: &[RegisteredSensor]) -> Markup {
    html! {
        div class="scroll" tabindex="0" role="region" aria-label="Sensors" {
            table class="list" {
                thead { tr {
                    th { "Serial" } th { "Make, model" } th { "Kind" } th { "Nominal sensitivity" } th class="n" { "Entries" } th class="n" { "Runs" }
                    th { "Last run" }
                } }
                tbody {
                    @for s in sensors {
                        tr {
                            th scope="row" { a href=(to_sensor(&s.serial)) { (s.serial) } }
                            td { (s.make) ", " (s.model) }
                            td { (text::words(&s.kind)) }
                            td { (nominal(&s.nominal_sensitivity)) }
                            td class="n" { (s.versions) }
                            td class="n" { (s.runs) }
                            td {
                                @if let Some(run) = &s.last_run {
                                    @if let Some(at) = s.last_started { (frame.instant(at)) " " }
                                    a href={ "/runs/" (run) } { (run) }
                                    @if let Some(decision) = s.last_decision { " " (text::badge(decision.word())) }
                                } @else { (text::NONE) }
                            }
                        }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::nominal;

    #[test]
    fn a_nominal_sensitivity_is_read_at_a_glance() {
        assert_eq!(nominal("0.050985810648896415 V/(m/s2)"), "50.99 mV/(m/s²)");
        assert_eq!(nominal("100 mV/g"), "100.0 mV/g", "another unit stays");
        assert_eq!(nominal("none"), "none");
    }
}
