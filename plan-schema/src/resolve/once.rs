//! What is said of many points of one series is said once.

use crate::read::{Diagnostic, Source};
use std::sync::Arc;

/// The same, of each remark that several points of a series gave rise to one.
pub(super) fn said_once(plan: &Arc<Source>, noted: Vec<Diagnostic>) -> Vec<Diagnostic> {
    let mut kept: Vec<(Diagnostic, usize)> = Vec::new();
    for diagnostic in noted {
        let same = |(k, _): &&mut (Diagnostic, usize)| {
            k.source == *plan
                && k.source == diagnostic.source
                && k.span == diagnostic.span
                && k.remedy == diagnostic.remedy
        };
        match kept.iter_mut().rev().find(same) {
            Some((_, more)) => *more += 1,
            None => kept.push((diagnostic, 0)),
        }
    }
    let told = |(mut diagnostic, more): (Diagnostic, usize)| {
        if more > 0 {
            let points = if more == 1 { "point" } else { "points" };
            diagnostic.message =
                format!("{}; the same at {more} more {points} of this series", diagnostic.message);
        }
        diagnostic
    };
    kept.into_iter().map(told).collect()
}
