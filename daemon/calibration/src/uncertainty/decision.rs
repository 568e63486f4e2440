//! The statement of conformity: deviation, tolerance and uncertainty to a decision.

use super::DecisionRule;

/// What is decided on a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    /// Within the tolerance, and with a guard band by more than U.
    Pass,
    /// Within the tolerance by less than U.
    ConditionalPass,
    /// Outside the tolerance by less than U.
    ConditionalFail,
    /// Outside the tolerance, and with a guard band by more than U.
    Fail,
    /// No tolerance, or no number to judge.
    None,
}

/// Decides by a symmetric tolerance: `|deviation| ≤ tolerance`. All three numbers in one unit; `expanded` is U of the
/// *deviation*, not of the sensitivity. Limits themselves belong to the better side.
///
/// - Simple acceptance: uncertainty does not enter (guard band w = 0), and there is pass and fail only. At the limit
///   itself the risk of a wrong acceptance is 50 %.
/// - Guard band, non-binary, w = U to each side of the limit: the risk of a wrong pass is below 2.5 % if the tolerance
///   is at least about 2 U, so that only one of its two limits is near.
///
/// Source of guard band and risks: ILAC-G8:09/2019; its words for the non-binary rule are from memory.
#[must_use]
pub fn decide(deviation: f64, tolerance: Option<f64>, expanded: f64, rule: DecisionRule) -> Decision {
    let Some(limit) = tolerance else {
        return Decision::None;
    };
    let usable = |value: f64| value.is_finite() && value >= 0.0;
    if !(deviation.is_finite() && usable(limit) && usable(expanded)) {
        return Decision::None;
    }
    let deviation = deviation.abs();
    match rule {
        DecisionRule::SimpleAcceptance if deviation <= limit => Decision::Pass,
        DecisionRule::SimpleAcceptance => Decision::Fail,
        DecisionRule::GuardBand if deviation <= limit - expanded => Decision::Pass,
        DecisionRule::GuardBand if deviation <= limit => Decision::ConditionalPass,
        DecisionRule::GuardBand if deviation <= limit + expanded => Decision::ConditionalFail,
        DecisionRule::GuardBand => Decision::Fail,
    }
}

#[cfg(test)]
mod tests {
    use super::Decision::{ConditionalFail, ConditionalPass, Fail, None, Pass};
    use super::*;

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
                let judge = |rule| decide(sign * deviation, Some(5.0), 1.0, rule);
                assert_eq!(
                    (judge(DecisionRule::SimpleAcceptance), judge(DecisionRule::GuardBand)),
                    (simple, guarded),
                    "{deviation}"
                );
            }
        }
    }

    /// An uncertainty above the tolerance leaves nothing that passes.
    #[test]
    fn an_uncertainty_above_the_tolerance_never_passes() {
        assert_eq!(decide(0.0, Some(1.0), 1.5, DecisionRule::GuardBand), ConditionalPass);
    }

    #[test]
    fn without_a_tolerance_or_a_number_nothing_is_decided() {
        for rule in [DecisionRule::SimpleAcceptance, DecisionRule::GuardBand] {
            assert_eq!(decide(0.0, Option::None, 1.0, rule), None);
            for bad in [f64::NAN, f64::INFINITY] {
                assert_eq!(decide(bad, Some(5.0), 1.0, rule), None);
                assert_eq!(decide(0.0, Some(bad), 1.0, rule), None);
                assert_eq!(decide(0.0, Some(5.0), bad, rule), None);
            }
            assert_eq!(decide(0.0, Some(-5.0), 1.0, rule), None);
        }
    }
}
