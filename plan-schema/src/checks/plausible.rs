//! A line of a certificate that was copied wrongly: it stands out from the line through its neighbours, and they from theirs
//! to the other side.
//!
//! A response that bends (a corner, a resonance) parts from such lines too, but to the same side at neighbouring points; so
//! an honest roll-off isn't taken for a slip of the pen.

use super::Checker;
use crate::registers::{ReferenceCalibration, ReferencePoint, ReferenceRegister};
use crate::units::engineering;
use std::f64::consts::TAU;

/// How far a sensitivity may stand out, relative: six times the uncertainty of a common calibration, and no typing error that
/// matters less would be seen in it anyway.
const SHARE: f64 = 0.03;
/// How far a phase may stand out, in rad: 1.5°.
const ANGLE: f64 = 1.5 * TAU / 360.0;
/// The same in stated expanded uncertainties, where those are large.
const UNCERTAINTIES: f64 = 5.0;
/// A neighbour that stands out by less than this share of what the line itself does is at rest.
const AT_REST: f64 = 0.25;

/// How far every line but the first and the last stands out, and how far it may.
struct Standing {
    line: usize,
    out: f64,
    allowed: f64,
}

/// Warns of lines of a reference's certificate that stand out.
pub(super) fn lines(
    checker: &mut Checker<'_, ReferenceRegister>,
    path: &str,
    calibration: &ReferenceCalibration,
) {
    let points = &calibration.points;
    let sensitivity = standing(
        points,
        |p| Some(p.sensitivity.si()),
        |first, last, share| first + share * (last - first),
        |expected, found| found / expected - 1.0,
        |p| SHARE.max(UNCERTAINTIES * p.u.si()),
    );
    // Angles by the shorter way, so that a table may wrap.
    let turned = |from: f64, to: f64| (to - from + TAU / 2.0).rem_euclid(TAU) - TAU / 2.0;
    let phase = standing(
        points,
        |p| p.phase.map(|phase| phase.si()),
        |first, last, share| first + share * turned(first, last),
        turned,
        |p| ANGLE.max(UNCERTAINTIES * p.u_phase.map_or(0.0, |u| u.si())),
    );
    let mut warn = |standing: &[Standing], what: &str, size: fn(f64) -> String| {
        for (line, out) in slips(standing) {
            let side = if out > 0.0 { "above" } else { "below" };
            checker.warning(
                &format!("{path}.point[{line}].{what}"),
                format!("this {what} stands {} {side} the line through its neighbours", size(out.abs())),
                "compare this line, and the ones beside it, with the certificate",
            );
        }
    };
    warn(&sensitivity, "sensitivity", |out| format!("{:.1} %", out * 100.0));
    warn(&phase, "phase", |out| engineering(out.to_degrees(), "deg"));
}

/// Compares each inner line with the lines through its neighbours, over the logarithm of frequency, as a response has it that
/// hardly changes, and over frequency itself, as a delay has it; the nearer one counts. `apart` says how far the
/// second of two values lies from the first, `along` what lies on the way between two.
fn standing(
    points: &[ReferencePoint],
    value: impl Fn(&ReferencePoint) -> Option<f64>,
    along: impl Fn(f64, f64, f64) -> f64,
    apart: impl Fn(f64, f64) -> f64,
    allowed: impl Fn(&ReferencePoint) -> f64,
) -> Vec<Standing> {
    let inner = points.windows(3).enumerate();
    let one = |(n, three): (usize, &[ReferencePoint])| {
        let [before, own, after] = three else { return None };
        let out = |scale: fn(f64) -> f64| {
            let [low, middle, high] = [before, own, after].map(|p| scale(p.frequency.si()));
            let share = (middle - low) / (high - low);
            Some(apart(along(value(before)?, value(after)?, share), value(own)?))
        };
        // What lies between both lines is on none's wrong side.
        let (over_logarithm, plain) = (out(f64::ln)?, out(|f| f)?);
        let one_side = over_logarithm * plain > 0.0;
        let nearer = over_logarithm.signum() * over_logarithm.abs().min(plain.abs());
        let out = if one_side { nearer } else { 0.0 };
        out.is_finite().then(|| Standing { line: n + 1, out, allowed: allowed(own) })
    };
    inner.filter_map(one).collect()
}

/// The lines that stand out farther than allowed and farther than both neighbours, which stand out to the other side or hardly.
fn slips(all: &[Standing]) -> Vec<(usize, f64)> {
    // Three lines alone can't say which one is wrong, or whether the response bends.
    if all.len() < 2 {
        return Vec::new();
    }
    let beside = |n: usize, own: &Standing| {
        let Some(other) = all.get(n) else { return true };
        let opposite = other.out * own.out < 0.0;
        let far = own.line.abs_diff(other.line) > 1;
        far || other.out.abs() <= AT_REST * own.out.abs() || (opposite && other.out.abs() <= own.out.abs())
    };
    let found = all.iter().enumerate().filter(|(n, own)| {
        own.out.abs() > own.allowed
            && n.checked_sub(1).is_none_or(|before| beside(before, own))
            && beside(n + 1, own)
    });
    found.map(|(_, own)| (own.line, own.out)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checks::Checked;
    use crate::read::Document;

    fn of(values: &[f64]) -> Vec<(usize, f64)> {
        let all: Vec<_> = values
            .windows(3)
            .enumerate()
            .filter_map(|(n, three)| {
                let [before, own, after] = three else { return None };
                Some(Standing { line: n + 1, out: own / ((before + after) / 2.0) - 1.0, allowed: SHARE })
            })
            .collect();
        slips(&all)
    }

    #[test]
    fn a_slip_stands_out() {
        let lines = |values: &[f64]| of(values).iter().map(|(line, _)| *line).collect::<Vec<_>>();
        assert_eq!(lines(&[50.0, 50.1, 50.1, 45.1, 50.2, 50.2]), [3]);
        assert_eq!(lines(&[50.0, 50.1, 5.01, 50.1, 50.2, 50.2]), [2]);
        assert_eq!(lines(&[50.0, 501.0, 50.1, 50.2]), [1]);
        // At an end the line beside it is named; the message tells to compare both.
        assert_eq!(lines(&[45.0, 50.1, 50.1, 50.1, 50.2]), [1]);
    }

    /// A first-order corner and a resonance, closed forms; third-octaves from well below to beyond the corner.
    #[test]
    fn an_honest_bend_does_not() {
        let frequencies: Vec<f64> = (-10..=10).map(|n| 10.0_f64.powf(f64::from(n) / 10.0)).collect();
        let corner: Vec<f64> = frequencies.iter().map(|f| f / f.hypot(1.0)).collect();
        let resonance: Vec<f64> =
            frequencies.iter().map(|f| 1.0 / (1.0 - f * f).hypot(2.0 * 0.4 * f)).collect();
        assert_eq!(of(&corner), []);
        assert_eq!(of(&resonance), []);
    }

    /// A register with one digit changed is usable, and the line is named with its place.
    #[test]
    fn a_digit_is_found_in_a_register() {
        let text = include_str!("../../../examples/registers/references.toml");
        let found = |old: &str, new: &str| {
            assert!(text.contains(old), "{old}");
            let document = Document::read("references.toml", &text.replacen(old, new, 1)).unwrap();
            let found = ReferenceRegister::check(&document);
            assert!(found.iter().all(|d| d.warning), "{found:?}");
            found.iter().map(|d| format!("{}: {}", d.line_column().0, d.message)).collect::<Vec<_>>()
        };
        assert_eq!(found("99.88 mV", "99.88 mV"), <[String; 0]>::default());
        assert_eq!(
            found("99.88 mV", "89.88 mV"),
            ["28: this sensitivity stands 10.0 % below the line through its neighbours"]
        );
        assert_eq!(
            found("phase = \"-0.03 deg\"", "phase = \"-3 deg\""),
            ["30: this phase stands 2.969 deg below the line through its neighbours"]
        );
    }
}
