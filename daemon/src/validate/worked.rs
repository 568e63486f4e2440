//! Worked examples of the literature, through the engine that budgets go through.

use super::{Check, Group};
use calibration::uncertainty::worked::{self, Mark};

pub(super) fn group() -> Group {
    let checks = match worked::checks() {
        Ok(checks) => checks.iter().map(check).collect(),
        Err(error) => vec![Check {
            what: "worked examples".to_owned(),
            expected: "every example can be computed".to_owned(),
            found: error.to_string(),
            source: "none".to_owned(),
            passed: false,
        }],
    };
    Group {
        name: "Worked examples of uncertainty".to_owned(),
        about: "Published figures, to all their digits; each says whether it was read in print or recalled."
            .to_owned(),
        checks,
    }
}

fn check(check: &worked::Check) -> Check {
    Check {
        what: format!("{}, {}", check.example, check.quantity),
        expected: format!("{} ± {}", check.published, check.allowed),
        found: format!("{}", check.found),
        source: match check.mark {
            Mark::Sourced(place) => place.to_owned(),
            Mark::FromMemory => "from memory".to_owned(),
            Mark::Recomputed(program) => format!("recomputed with {program}"),
        },
        passed: check.holds(),
    }
}
