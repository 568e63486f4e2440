//! The numbers of a point as they are stated: rounded once, for paper and data alike.
//!
//! Owns which digits are stated, so that PDF, XML and CSV of a certificate can't differ. ASCII digits with a decimal
//! point and the sign `-`; how print looks is `content::numbers`'s. Must not: choose units beyond the customary scale,
//! or state anything of a point that was not accepted.

use super::data::{OwnKind, OwnOutput};
use super::rounding::{self, Rounded};
use crate::record::budget::{BudgetRecord, BudgetsRecord};
use crate::record::result::PointRecord;
use crate::record::words::{Decision, PointStatus, SensitivityUnit};
use plan_schema::units::STANDARD_GRAVITY;

/// What was set and reached at a point, whether it has a result or not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatedPoint {
    /// Frequency in Hz as the plan states it: no digits added, none lost.
    pub frequency: String,
    /// Acceleration in m/s² peak, three digits; none where the point was not reached.
    pub acceleration: Option<String>,
    /// Displacement of the fundamental in mm peak, three digits.
    pub displacement: Option<String>,
    /// What became of the point.
    pub status: PointStatus,
    /// Its judgement.
    pub decision: Decision,
    /// The result; none unless the point was accepted.
    pub result: Option<StatedResult>,
}

/// The result of an accepted point. An uncertainty is expanded and ends at the same place as its value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatedResult {
    /// Magnitude in the customary unit per m/s².
    pub per_mps2: Option<Stated>,
    /// Magnitude in the customary unit per g.
    pub per_g: Option<Stated>,
    /// Magnitude in the item's own unit per m/s², where what leaves it is no voltage.
    pub own_per_mps2: Option<Stated>,
    /// The same per g.
    pub own_per_g: Option<Stated>,
    /// Expanded uncertainty of the magnitude in %, two digits.
    pub u_rel_percent: Option<String>,
    /// Phase in degrees.
    pub phase_deg: Option<Stated>,
    /// Deviation in %.
    pub deviation_percent: Option<Stated>,
    /// Coverage factor of the magnitude, two decimals.
    pub coverage_factor: Option<String>,
    /// That of the phase: its budget is another, and so may its factor be.
    pub coverage_factor_phase: Option<String>,
    /// That of the deviation.
    pub coverage_factor_deviation: Option<String>,
}

/// A value with its expanded uncertainty, where that is known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stated {
    /// The value: to the place of its uncertainty; four significant digits where none is known.
    pub value: String,
    /// The uncertainty.
    pub uncertainty: Option<String>,
}

impl Stated {
    fn of(value: f64, uncertainty: Option<f64>) -> Option<Self> {
        if let Some(Rounded { value, uncertainty }) =
            uncertainty.and_then(|u| rounding::with_uncertainty(value, u))
        {
            return Some(Self { value, uncertainty: Some(uncertainty) });
        }
        rounding::significant(value, 4).map(|value| Self { value, uncertainty: None })
    }
}

impl StatedPoint {
    /// What is stated of a point.
    #[must_use]
    pub fn of(point: &PointRecord) -> Self {
        let three = |value: Option<f64>| value.and_then(|v| rounding::significant(v, 3));
        Self {
            frequency: point.frequency_hz.to_string(),
            acceleration: three(point.acceleration_mps2_peak),
            displacement: three(point.displacement_m_peak.map(|m| m * 1e3)),
            status: point.status,
            decision: point.decision,
            result: (point.status == PointStatus::Accepted).then(|| StatedResult::of(point)),
        }
    }
}

impl StatedPoint {
    /// What is stated of a point of an item whose output is known: its own unit too, where that is no voltage.
    #[must_use]
    pub fn of_item(point: &PointRecord, own: Option<&OwnOutput>) -> Self {
        let mut stated = Self::of(point);
        if let (Some(result), Some(own)) = (&mut stated.result, own) {
            let scale = SensitivityScale::own(own.kind);
            let relative = point.u_rel_percent.map(|u| u / 100.0);
            let of = |v: f64| Stated::of(v, relative.map(|u| v.abs() * u));
            result.own_per_mps2 = point.sensitivity.and_then(|s| of(scale.per_mps2(s / own.volts)));
            result.own_per_g = point.sensitivity.and_then(|s| of(scale.per_g(s / own.volts)));
        }
        stated
    }
}

impl StatedResult {
    fn of(point: &PointRecord) -> Self {
        let scale = SensitivityScale::of(point.sensitivity_unit);
        let magnitude = |value: Option<f64>| {
            value.and_then(|v| Stated::of(v, point.u_rel_percent.map(|u| v.abs() * u / 100.0)))
        };
        let k = |k: f64| format!("{k:.2}");
        let budgets = point.budgets.as_ref();
        let own = |of: fn(&BudgetsRecord) -> Option<&BudgetRecord>| {
            budgets.and_then(of).map(|b| b.coverage_factor).or(point.coverage_factor).map(k)
        };
        let per_g = point.sensitivity_mv_per_g.or_else(|| point.sensitivity.map(|si| scale.per_g(si)));
        Self {
            per_mps2: magnitude(point.sensitivity.map(|si| scale.per_mps2(si))),
            per_g: magnitude(per_g),
            own_per_mps2: None,
            own_per_g: None,
            u_rel_percent: point.u_rel_percent.and_then(|u| rounding::significant(u, 2)),
            phase_deg: point.phase_deg.and_then(|v| Stated::of(v, point.u_phase_deg)),
            deviation_percent: point.deviation_percent.and_then(|v| Stated::of(v, point.u_deviation_percent)),
            coverage_factor: point.coverage_factor.map(k),
            coverage_factor_phase: own(|b| b.phase.as_ref()),
            coverage_factor_deviation: own(|b| b.ratio.as_ref()),
        }
    }
}

/// How a sensitivity is stated: by gravity and by SI unit of acceleration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensitivityScale {
    /// Unit in terms of g.
    pub unit_per_g: &'static str,
    /// Unit in terms of m/s².
    pub unit_per_mps2: &'static str,
    factor: f64,
}

impl SensitivityScale {
    /// The customary scale for a kind of output.
    #[must_use]
    pub const fn of(unit: SensitivityUnit) -> Self {
        match unit {
            SensitivityUnit::VoltPerMps2 => {
                Self { unit_per_g: "mV/g", unit_per_mps2: "mV/(m/s²)", factor: 1e3 }
            }
            SensitivityUnit::CoulombPerMps2 => {
                Self { unit_per_g: "pC/g", unit_per_mps2: "pC/(m/s²)", factor: 1e12 }
            }
            SensitivityUnit::VoltPerVoltPerMps2 => {
                Self { unit_per_g: "(mV/V)/g", unit_per_mps2: "(mV/V)/(m/s²)", factor: 1e3 }
            }
        }
    }

    /// The scale of what leaves an item, where that is no voltage.
    #[must_use]
    pub const fn own(kind: OwnKind) -> Self {
        match kind {
            OwnKind::Charge => Self::of(SensitivityUnit::CoulombPerMps2),
            OwnKind::Ratio => Self::of(SensitivityUnit::VoltPerVoltPerMps2),
            OwnKind::Current => Self { unit_per_g: "mA/g", unit_per_mps2: "mA/(m/s²)", factor: 1e3 },
        }
    }

    /// From SI to the stated unit per m/s².
    #[must_use]
    pub fn per_mps2(&self, si: f64) -> f64 {
        si * self.factor
    }

    /// From SI to the stated unit per g.
    #[must_use]
    pub fn per_g(&self, si: f64) -> f64 {
        si * self.factor * STANDARD_GRAVITY
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture;
    use super::*;

    /// 1 g = 9.80665 m/s² (CGPM 1901).
    #[test]
    fn scales_agree_with_each_other() {
        let scale = SensitivityScale::of(SensitivityUnit::VoltPerMps2);
        assert!((scale.per_mps2(0.010_197_162) - 10.197_162).abs() < 1e-9);
        assert!((scale.per_g(0.010_197_162_129_779) - 100.0).abs() < 1e-9);
    }

    #[test]
    fn only_accepted_points_state_a_result() {
        let request = fixture::request();
        for point in &request.result.sensors[0].points {
            let stated = StatedPoint::of(point);
            assert_eq!(stated.result.is_some(), point.status == PointStatus::Accepted);
        }
    }

    #[test]
    fn a_value_without_uncertainty_is_stated_without() {
        assert_eq!(Stated::of(12.345_67, None), Some(Stated { value: "12.35".into(), uncertainty: None }));
        let with = Stated::of(12.345_67, Some(0.123)).unwrap();
        assert_eq!((with.value.as_str(), with.uncertainty.as_deref()), ("12.35", Some("0.12")));
        assert_eq!(Stated::of(f64::NAN, Some(0.1)), None);
    }
}
