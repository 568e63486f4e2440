//! Rows that move nothing: they need no leave.

mod answers;
mod ending;
mod lines;
mod opening;
mod safe;
mod samples;

use super::Choice;
use super::relay::Manner;
use super::report::{Report, Tried, while_in_time};
use super::subject::Subject;
use crate::registry::Registry;
use tokio::runtime::Handle;

/// A promise and how it is tried.
type Case = (&'static str, fn(&Subject) -> Tried);

const CASES: &[Case] = &[
    ("limits and units", opening::units),
    ("an opening that ends", opening::bounded),
    ("an opening in time to make it safe", opening::again),
    ("make_safe again and again", safe::again),
    ("make_safe in mid-transfer", safe::in_transfer),
    ("a peer that is silent", answers::silent),
    ("a peer that is slow", answers::slow),
    ("a late reply is no answer", answers::late),
    ("a reply to a host before", answers::to_another),
    ("an empty answer is no value", answers::empty),
    ("garbage is no data", answers::garbage),
    ("an unplugged link", answers::unplugged),
    ("end of input in mid-transfer", ending::input),
    ("a heart that stops", ending::heart),
    ("signals", ending::signals),
    ("lines that are no calls", lines::strange),
    ("samples in order", samples::order),
    ("a pipe that is full", samples::full_pipe),
];

/// Tries everything that moves nothing on an instrument.
pub(super) fn run(
    subject: &Subject,
    registry: &Registry,
    choice: &Choice,
    runtime: &Handle,
    report: &mut Report,
) {
    const FIRST: &str = "identification";
    if choice.takes(&subject.name, FIRST) {
        let identify = || {
            subject.watch();
            opening::identification(subject, registry, runtime)
        };
        let tried = while_in_time(identify, || subject.late());
        report.add(&subject.name, FIRST, tried);
    }
    for (row, case) in CASES {
        if choice.takes(&subject.name, row) {
            let one = || {
                subject.link(Manner::Plain);
                subject.watch();
                case(subject)
            };
            let tried = while_in_time(one, || subject.late());
            subject.link(Manner::Plain);
            report.add(&subject.name, row, tried);
        }
    }
}
