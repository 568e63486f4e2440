//! The statement of conformity: deviation, tolerance and uncertainty to a decision.
//!
//! Everything is decided on unrounded numbers.

use super::{Combined, Known, conformity};
use plan_schema::plan::{JudgedBy, Rule};

/// What is decided on a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// Within the tolerance, and with a guard band by more than that.
    Pass,
    /// Within the tolerance, but within the guard band.
    ConditionalPass,
    /// Outside the tolerance, but within the guard band.
    ConditionalFail,
    /// Outside the tolerance, and with a guard band by more than that.
    Fail,
    /// No tolerance, or no number to judge.
    None,
}

/// How a deviation is judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DecisionRule {
    /// Uncertainty does not enter: pass and fail only. At the limit itself the risk of a wrong acceptance is 50 %.
    SimpleAcceptance,
    /// Guard band w = U to each side of the limit: the risk of a wrong pass is below 2.5 % if the tolerance is at least
    /// about 2 U, so that only one of its two limits is near.
    GuardBand,
    /// The guard band is as wide as this risk of a wrong pass asks for, at most a half; both limits of the tolerance count.
    Risk(f64),
}

impl From<JudgedBy> for DecisionRule {
    fn from(written: JudgedBy) -> Self {
        match written.rule {
            Rule::SimpleAcceptance => Self::SimpleAcceptance,
            Rule::GuardBand => Self::GuardBand,
            Rule::ChosenRisk => Self::Risk(written.risk.si()),
        }
    }
}

/// A decision with what it rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Statement {
    /// The decision.
    pub decision: Decision,
    /// Width of the guard band, in the unit of the deviation; as wide as the tolerance where nothing could pass.
    pub guard_band: Option<f64>,
    /// Probability that the deviation lies within the tolerance (JCGM 106, 7).
    pub conformity: Option<f64>,
}

impl Statement {
    /// No statement.
    pub const NONE: Self = Self { decision: Decision::None, guard_band: None, conformity: None };
}

/// Decides by a symmetric tolerance: `|deviation| ≤ tolerance`. All numbers in one unit; `found` is the uncertainty of the
/// *deviation*, not of the sensitivity. Limits themselves belong to the better side.
///
/// Source of guard bands and risks: ILAC-G8:09/2019, its words for the non-binary rule from memory; JCGM 106 for
/// probabilities.
#[must_use]
pub fn decide(deviation: f64, tolerance: Option<f64>, found: &Combined, rule: DecisionRule) -> Statement {
    decide_known(deviation, tolerance, found, None, rule)
}

/// The same with what is known of the deviation, where its uncertainty was simulated: probabilities go by that distribution, and by
/// Student's where there is none.
#[must_use]
pub fn decide_known(
    deviation: f64,
    tolerance: Option<f64>,
    found: &Combined,
    known: Option<&Known>,
    rule: DecisionRule,
) -> Statement {
    let Some(limit) = tolerance else {
        return Statement::NONE;
    };
    let usable = |value: f64| value.is_finite() && value >= 0.0;
    if !(deviation.is_finite() && usable(limit) && usable(found.u) && usable(found.expanded)) {
        return Statement::NONE;
    }
    // As the coverage factor does, the probability takes whole degrees of freedom.
    let probability = |deviation: f64| match known {
        Some(known) => known.conformity(deviation, limit),
        None => conformity(deviation, found.u, found.nu_eff.floor(), limit),
    };
    let conforms = probability(deviation);
    let deviation = deviation.abs();
    let guard = match rule {
        DecisionRule::SimpleAcceptance => Some(0.0),
        DecisionRule::GuardBand => Some(found.expanded),
        DecisionRule::Risk(risk) => guard_band_of_risk(limit, risk, probability),
    };
    let decision = match (rule, guard) {
        (_, None) => return Statement::NONE,
        (DecisionRule::SimpleAcceptance, _) => binary(deviation <= limit),
        (_, Some(guard)) if deviation <= limit - guard && may_pass(rule, conforms) => Decision::Pass,
        _ if deviation <= limit => Decision::ConditionalPass,
        (_, Some(guard)) if deviation <= limit + guard => Decision::ConditionalFail,
        _ => Decision::Fail,
    };
    Statement { decision, guard_band: guard, conformity: conforms }
}

fn binary(accepted: bool) -> Decision {
    if accepted { Decision::Pass } else { Decision::Fail }
}

/// A tolerance so narrow that not even a deviation of zero meets the risk has no room to pass.
fn may_pass(rule: DecisionRule, conforms: Option<f64>) -> bool {
    match rule {
        DecisionRule::Risk(risk) => conforms.is_some_and(|p| p >= (1.0 - risk) * (1.0 - 1e-9)),
        DecisionRule::SimpleAcceptance | DecisionRule::GuardBand => true,
    }
}

/// How far inside the tolerance a deviation has to lie for a risk, by halving: the probability of conformity falls as a
/// deviation grows. The whole tolerance where none meets it; `None` for a risk that is none.
fn guard_band_of_risk(limit: f64, risk: f64, probability: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    if !(risk > 0.0 && risk <= 0.5) {
        return None;
    }
    let meets = |deviation: f64| probability(deviation).map(|p| p >= 1.0 - risk);
    if !meets(0.0)? {
        return Some(limit);
    }
    let (mut within, mut beyond) = (0.0, limit);
    if meets(limit)? {
        return Some(0.0);
    }
    for _ in 0..60 {
        let middle = f64::midpoint(within, beyond);
        if meets(middle)? {
            within = middle;
        } else {
            beyond = middle;
        }
    }
    Some(limit - within)
}

#[cfg(test)]
mod tests {
    use super::Decision::{ConditionalFail, ConditionalPass, Fail, None, Pass};
    use super::*;
    use proptest::prelude::*;

    fn normal(u: f64) -> Combined {
        Combined { u, nu_eff: f64::INFINITY, k: 2.0, expanded: 2.0 * u }
    }

    /// Tolerance 5, U 1: acceptance limit 4, rejection limit 6.
    #[test]
    fn the_table() {
        let table = [
            (0.0, Pass, Pass),
            (3.9, Pass, Pass),
            (4.0, Pass, Pass),
            (4.1, Pass, ConditionalPass),
            (5.0, Pass, ConditionalPass),
            (5.1, Fail, ConditionalFail),
            (6.0, Fail, ConditionalFail),
            (6.1, Fail, Fail),
        ];
        for (deviation, simple, guarded) in table {
            for sign in [1.0, -1.0] {
                let judge = |rule| decide(sign * deviation, Some(5.0), &normal(0.5), rule).decision;
                assert_eq!(
                    (judge(DecisionRule::SimpleAcceptance), judge(DecisionRule::GuardBand)),
                    (simple, guarded),
                    "{deviation}"
                );
            }
        }
    }

    /// Guard bands over U by the risk at the limit, for a wide tolerance: those of the table of ILAC-G8:09/2019 (from
    /// memory), risk Φ(−2 w/U).
    #[test]
    fn guard_bands_of_ilac_g8() {
        for (share, risk) in [(0.83, 0.048_457_2), (1.0, 0.022_750_13), (1.5, 0.001_349_898)] {
            let found = decide(0.0, Some(100.0), &normal(0.5), DecisionRule::Risk(risk));
            assert!((found.guard_band.unwrap() - share).abs() < 1e-5, "{share}: {found:?}");
        }
        let half = decide(4.99, Some(5.0), &normal(0.5), DecisionRule::Risk(0.5));
        assert!(half.guard_band.unwrap() < 1e-9 && half.decision == Pass);
    }

    /// With both limits near, the guard band is wider than the one-sided one, and may leave nothing.
    #[test]
    fn both_limits_count() {
        let narrow = decide(0.0, Some(1.0), &normal(0.5), DecisionRule::Risk(0.05));
        assert!(
            (narrow.conformity.unwrap() - 0.954_499_736).abs() < 1e-6 && narrow.decision == Pass,
            "{narrow:?}"
        );
        assert!(narrow.guard_band.unwrap() > 1.644_853_6 * 0.5);
        let narrower = decide(0.0, Some(0.9), &normal(0.5), DecisionRule::Risk(0.05));
        assert_eq!((narrower.decision, narrower.guard_band), (ConditionalPass, Some(0.9)));
    }

    /// Few degrees of freedom: t for 95 %, one-sided, with 5 of them is 2.015 (tables of Student's distribution).
    #[test]
    fn few_degrees_of_freedom_widen_the_guard_band() {
        let found = Combined { u: 1.0, nu_eff: 5.9, k: 2.65, expanded: 2.65 };
        let statement = decide(0.0, Some(1000.0), &found, DecisionRule::Risk(0.05));
        assert!((statement.guard_band.unwrap() - 2.015).abs() < 5e-4, "{statement:?}");
    }

    /// An uncertainty above the tolerance leaves nothing that passes.
    #[test]
    fn an_uncertainty_above_the_tolerance_never_passes() {
        assert_eq!(decide(0.0, Some(1.0), &normal(0.75), DecisionRule::GuardBand).decision, ConditionalPass);
    }

    #[test]
    fn without_a_tolerance_or_a_number_nothing_is_decided() {
        for rule in [DecisionRule::SimpleAcceptance, DecisionRule::GuardBand, DecisionRule::Risk(0.05)] {
            let is_none = |deviation, tolerance, u| {
                let found = decide(deviation, tolerance, &normal(u), rule);
                assert_eq!(found, Statement::NONE);
                assert_eq!(found.decision, None);
            };
            is_none(0.0, Option::None, 1.0);
            for bad in [f64::NAN, f64::INFINITY] {
                is_none(bad, Some(5.0), 1.0);
                is_none(0.0, Some(bad), 1.0);
                is_none(0.0, Some(5.0), bad);
            }
            is_none(0.0, Some(-5.0), 1.0);
        }
        for bad in [0.0, -0.1, 0.6, f64::NAN] {
            assert_eq!(decide(0.0, Some(5.0), &normal(0.5), DecisionRule::Risk(bad)), Statement::NONE);
        }
    }

    proptest! {
        /// A pass has the risk that was chosen at most, a failure of conformity as much the other way round.
        #[test]
        fn a_risk_is_kept(deviation in -8.0..8.0_f64, u in 0.01..2.0_f64, dof in 2.0..200.0_f64, risk in 0.001..0.5_f64) {
            let found = Combined { u, nu_eff: dof, k: 2.0, expanded: 2.0 * u };
            let statement = decide(deviation, Some(5.0), &found, DecisionRule::Risk(risk));
            let p = statement.conformity.unwrap();
            if statement.decision == Pass {
                prop_assert!(p >= 1.0 - risk - 1e-6);
            }
            if statement.decision == Fail {
                prop_assert!(p <= risk + 1e-6);
            }
        }
    }
}
