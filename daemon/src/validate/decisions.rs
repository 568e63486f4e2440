//! The decision table: every rule at, inside and outside its limits.

use super::{Check, Group};
use calibration::uncertainty::{Combined, Decision, DecisionRule, decide};

/// Tolerance 5, U 1: with a guard band of U the acceptance limit is 4 and the rejection limit 6.
const TABLE: [(f64, Decision, Decision); 8] = [
    (0.0, Decision::Pass, Decision::Pass),
    (3.999, Decision::Pass, Decision::Pass),
    (4.0, Decision::Pass, Decision::Pass),
    (4.001, Decision::Pass, Decision::ConditionalPass),
    (5.0, Decision::Pass, Decision::ConditionalPass),
    (5.001, Decision::Fail, Decision::ConditionalFail),
    (6.0, Decision::Fail, Decision::ConditionalFail),
    (6.001, Decision::Fail, Decision::Fail),
];

/// Chosen risk: guard band over U for a risk at one limit, 1 − Φ(z) at z·u (tables of the normal distribution).
const RISKS: [(f64, f64); 3] =
    [(0.025, 1.959_963_984_5 / 2.0), (0.05, 1.644_853_627 / 2.0), (0.158_655_254, 0.5)];

pub(super) fn group() -> Group {
    let normal = Combined { u: 0.5, nu_eff: f64::INFINITY, k: 2.0, expanded: 1.0 };
    let mut checks = Vec::new();
    for (deviation, simple, guarded) in TABLE {
        for sign in [1.0, -1.0] {
            for (rule, name, wanted) in [
                (DecisionRule::SimpleAcceptance, "simple acceptance", simple),
                (DecisionRule::GuardBand, "guard band", guarded),
            ] {
                let found = decide(sign * deviation, Some(5.0), &normal, rule).decision;
                checks.push(Check {
                    what: format!("{name}, deviation {}, tolerance 5, U 1", sign * deviation),
                    expected: format!("{wanted:?}"),
                    found: format!("{found:?}"),
                    source: "ILAC-G8:09/2019, in our words, from memory".to_owned(),
                    passed: found == wanted,
                });
            }
        }
    }
    for (risk, share) in RISKS {
        let found = decide(0.0, Some(100.0), &normal, DecisionRule::Risk(risk)).guard_band;
        checks.push(Check {
            what: format!("guard band over U for a risk of {} %", risk * 100.0),
            expected: format!("{share:.6}"),
            found: found.map_or_else(|| "none".to_owned(), |w| format!("{w:.6}")),
            source: "quantiles of the normal distribution".to_owned(),
            passed: found.is_some_and(|w| (w - share).abs() < 1e-5),
        });
    }
    let nothing = decide(1.0, None, &normal, DecisionRule::GuardBand).decision;
    checks.push(Check {
        what: "no tolerance".to_owned(),
        expected: "None".to_owned(),
        found: format!("{nothing:?}"),
        source: "nothing is judged against nothing".to_owned(),
        passed: nothing == Decision::None,
    });
    Group {
        name: "Decision table".to_owned(),
        about: "Every rule at, inside and outside its limits, on both sides.".to_owned(),
        checks,
    }
}
