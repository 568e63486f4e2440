//! The uncertainty budgets of a sensor at a point, as the result holds them.

use super::frame::to_sensor;
use super::text::{self, decimals, digits};
use crate::record::budget::{BudgetRecord, BudgetRowRecord, BudgetsRecord};
use crate::record::result::{PointRecord, ResultRecord};
use maud::{Markup, html};

/// The budgets of every sensor at a point, counted from 1.
pub(super) fn of_point(result: &ResultRecord, point: u64) -> Markup {
    let at = usize::try_from(point).ok().and_then(|n| n.checked_sub(1));
    let budgets: Vec<(&str, &PointRecord, &BudgetsRecord)> = result
        .sensors
        .iter()
        .filter_map(|s| {
            let point = s.points.get(at?)?;
            Some((s.serial.as_str(), point, point.budgets.as_ref()?))
        })
        .collect();
    html! {
        section class="panel" aria-labelledby="budgets-title" {
            h2 id="budgets-title" { "Uncertainty budgets" }
            @if budgets.is_empty() { p class="hint" { "There is none: no sensor has an accepted result at this point." } }
            @for (serial, point, all) in budgets {
                h3 {
                    a href=(to_sensor(serial)) { (serial) } " "
                    span class="number" {
                        "± " (text::decimals_of(point.u_rel_percent, 2)) " % of the magnitude"
                        @if let Some(u) = point.u_phase_deg { ", ± " (decimals(u, 2)) "° of the phase" }
                    }
                }
                (one(serial, "Magnitude", &all.magnitude))
                @if let Some(phase) = &all.phase { (one(serial, "Phase", phase)) }
                @if let Some(ratio) = &all.ratio { (one(serial, "Ratio to the reference frequency", ratio)) }
            }
        }
    }
}

fn one(serial: &str, name: &str, budget: &BudgetRecord) -> Markup {
    let unit = if budget.unit == "percent" { "%" } else { "°" };
    let variance = budget.combined * budget.combined;
    let share = |row: &BudgetRowRecord| {
        if variance > 0.0 {
            decimals(row.contribution * row.contribution / variance * 100.0, 1)
        } else {
            text::NONE.to_owned()
        }
    };
    html! {
        details class="budget" {
            summary { (name) ": " (digits(budget.expanded, 3)) " " (unit) " (k = " (decimals(budget.coverage_factor, 2)) ")" }
            div class="scroll" tabindex="0" role="region" aria-label={ (name) " of " (serial) } {
                table class="list" {
                    thead { tr {
                        th { "Component" } th { "From" } th { "Distribution" }
                        th class="n" { "Value" br; (unit) } th class="n" { "Divisor" } th class="n" { "Standard" br; (unit) }
                        th class="n" { "Contribution" br; (unit) } th class="n" { "Share" br; "%" } th class="n" { "Degrees" br; "of freedom" }
                    } }
                    tbody {
                        @for row in &budget.rows {
                            tr {
                                th scope="row" { (row.component) }
                                td { (text::words(row.source.word())) }
                                td { (text::words(row.distribution.word())) }
                                td class="n" { (digits(row.value, 3)) }
                                td class="n" { (digits(row.divisor, 3)) }
                                td class="n" { (digits(row.standard_uncertainty, 3)) }
                                td class="n" { (digits(row.contribution, 3)) }
                                td class="n" { (share(row)) }
                                td class="n" { (row.dof.map_or_else(|| "∞".to_owned(), |d| decimals(d, 0))) }
                            }
                        }
                    }
                }
            }
            p class="facts" {
                "Combined " (digits(budget.combined, 3)) " " (unit)
                " · effective degrees of freedom " (budget.nu_eff.map_or_else(|| "∞".to_owned(), |n| decimals(n, 0)))
                " · expanded " (digits(budget.expanded, 3)) " " (unit) ", found by " (text::words(budget.by.word()))
                @if let Some(least) = budget.least { " · nothing below " (digits(least, 3)) " " (unit) " is stated: the scope of accreditation" }
            }
        }
    }
}
