//! What can be wrong within one file although every value in it can be read.
//!
//! Owns: the checks of each file by itself, with the place of each mistake. What two files say about each other is
//! checked in [`resolve`](crate::resolve); whether a point can be reached is foreseen by the calibration core.

mod channel;
mod channel_ratio;
mod drive_monitor;
mod faults;
mod machine;
mod permissives;
mod plan;
mod plausible;
mod registers;
mod rig;
mod scope;
mod series;
mod substitution;

pub use faults::check_faults;
pub(crate) use plan::{job, plan};
pub(crate) use registers::{references, sensors};
pub(crate) use rig::rig;
pub use scope::check_scope;

/// A file whose values are checked by themselves once it is read.
pub trait Checked: Sized {
    /// What is wrong with it, and remarks, each with its place.
    fn check(document: &Document<Self>) -> Vec<Diagnostic>;
}

macro_rules! checked {
    ($($file:ty, $check:path);* $(;)?) => {
        $(impl Checked for $file {
            fn check(document: &Document<Self>) -> Vec<Diagnostic> {
                $check(document)
            }
        })*
    };
}

checked! {
    Job, job;
    Plan, plan;
    Rig, rig;
    SensorRegister, sensors;
    ReferenceRegister, references;
}

/// Checks a rig by itself, without a job.
///
/// # Errors
/// Everything that is wrong with it; else the remarks that do not keep it from being used.
pub fn check_rig(document: &Document<Rig>) -> Result<Diagnostics, Report> {
    let found = Diagnostics(rig(document));
    if found.is_usable() { Ok(found) } else { Err(Report(found)) }
}

use crate::job::Job;
use crate::plan::Plan;
use crate::read::{Diagnostic, Diagnostics, Document, Report};
use crate::registers::{ReferenceRegister, SensorRegister};
use crate::rig::Rig;
use crate::units::Hertz;
use std::collections::BTreeMap;
use std::fmt::Display;

/// Takes down what is wrong with one file.
struct Checker<'a, T> {
    document: &'a Document<T>,
    found: Vec<Diagnostic>,
}

impl<'a, T> Checker<'a, T> {
    fn new(document: &'a Document<T>) -> Self {
        Self { document, found: Vec::new() }
    }

    fn error(&mut self, path: &str, message: impl Into<String>, remedy: impl Into<String>) {
        self.found.push(self.document.error(path, message, remedy));
    }

    fn warning(&mut self, path: &str, message: impl Into<String>, remedy: impl Into<String>) {
        self.found.push(self.document.warning(path, message, remedy));
    }

    /// The value at `path` has to be above zero.
    fn positive(&mut self, path: &str, value: f64) {
        if value <= 0.0 {
            self.error(path, format!("{} has to be above zero", last_key(path)), "write a positive value");
        }
    }

    /// As [`Self::positive`], for values that need not be there.
    fn positive_if_any(&mut self, path: &str, value: Option<f64>) {
        if let Some(value) = value {
            self.positive(path, value);
        }
    }

    /// The value at `path` may be zero, but not below.
    fn not_negative(&mut self, path: &str, value: f64) {
        if value < 0.0 {
            self.error(
                path,
                format!("{} can't be below zero", last_key(path)),
                "write zero or a positive value",
            );
        }
    }

    /// In a list by frequency, each entry lies above the one before.
    fn rising(&mut self, path: &str, previous: Option<Hertz>, frequency: Hertz) {
        if previous.is_some_and(|previous| frequency <= previous) {
            self.error(path, "the frequencies do not rise", "list the points by rising frequency, each once");
        }
    }

    /// A band of frequency ends above where it begins, or at it; false where it does not.
    fn band(&mut self, path: &str, from: Hertz, to: Hertz) -> bool {
        if from > to {
            self.error(
                &format!("{path}.to"),
                "the band ends below its beginning",
                "write the lower frequency as 'from' and the higher as 'to'",
            );
        }
        from <= to
    }

    /// Bands of frequency end above where they begin, and the next one begins above the end of the one before or at it.
    fn bands(&mut self, list: &str, bands: impl IntoIterator<Item = (Hertz, Hertz)>) {
        let mut before: Option<Hertz> = None;
        for (n, (from, to)) in bands.into_iter().enumerate() {
            if !self.band(&format!("{list}[{n}]"), from, to) {
                // Said.
            } else if before.is_some_and(|before| from < before) {
                self.error(
                    &format!("{list}[{n}].from"),
                    "the band overlaps the one before it, or lies below it",
                    "list the bands by rising frequency, so that each begins where the one before ends",
                );
            }
            before = Some(to);
        }
    }

    /// A share that has to lie above 0 and below 1.
    fn proper_share(&mut self, path: &str, value: f64) {
        if value <= 0.0 || value >= 1.0 {
            self.error(
                path,
                format!("{} lies outside 0 to 100 %", last_key(path)),
                "write a share between them, such as \"5 %\"",
            );
        }
    }

    /// A text that something is found by can't be empty.
    fn named(&mut self, path: &str, text: &str) {
        if text.trim().is_empty() {
            self.error(path, format!("{} is empty", last_key(path)), "write what it is called");
        }
    }

    /// Each entry of a list has to have a `key` of its own. `list` is the path of the list.
    fn unique<K: Ord + Display>(&mut self, list: &str, key: &str, values: impl IntoIterator<Item = K>) {
        let mut first: BTreeMap<K, usize> = BTreeMap::new();
        for (n, value) in values.into_iter().enumerate() {
            if let Some(earlier) = first.get(&value) {
                let line = self.document.error(&format!("{list}[{earlier}].{key}"), "", "").line_column().0;
                let message = format!("{key} '{value}' is in the file twice, first in line {line}");
                self.error(
                    &format!("{list}[{n}].{key}"),
                    message,
                    format!("no two entries may have the same {key}"),
                );
            } else {
                first.insert(value, n);
            }
        }
    }
}

/// The key that a path ends with, as a person says it.
fn last_key(path: &str) -> String {
    path.rsplit('.').next().unwrap_or(path).replace('_', " ")
}
