//! The reference's certificate as a curve over frequency.

use super::UncertaintyError;
use plan_schema::registers::ReferencePoint;
use plan_schema::resolve::MountedReference;
use plan_schema::units::{Fraction, Hertz, Radians, Sensitivity};
use std::f64::consts::TAU;

/// A value taken from the certificate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferenceValue {
    /// Magnitude of the sensitivity.
    pub sensitivity: Sensitivity,
    /// Expanded uncertainty of the magnitude, relative.
    pub expanded: Fraction,
    /// Phase of the output against the acceleration, lag negative, wrapped to (−π, π]. `None` if one of the lines it
    /// would come from has none.
    pub phase: Option<Radians>,
    /// Expanded uncertainty of the phase; there if the phase is.
    pub expanded_phase: Option<Radians>,
    /// Coverage factor of the expanded uncertainties.
    pub k: f64,
    /// Correlation of its error between two frequencies, 0 to 1.
    pub correlation: f64,
    /// Whether it lies between two lines of the certificate, and so needs a component for interpolation.
    pub interpolated: bool,
}

/// The certificate's lines in rising order of frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct ReferenceTable {
    points: Vec<ReferencePoint>,
    k: f64,
    /// Volts for one unit of what the certificate states.
    volts: f64,
    /// Correlation of its errors between two frequencies.
    correlation: f64,
    // Invariant: without a fault there is at least one point, frequencies are positive and rise, numbers are usable.
    fault: Option<UncertaintyError>,
}

impl ReferenceTable {
    /// Takes the lines of the calibration in force, in volts. What is wrong with them (a register that was read has been
    /// checked for it) shows at every [`Self::at`].
    #[must_use]
    pub fn of(mounted: &MountedReference) -> Self {
        let calibration = &mounted.calibration;
        Self {
            volts: mounted.volts,
            correlation: calibration.correlation.0,
            ..Self::new(calibration.points.clone(), calibration.coverage_factor.0)
        }
    }

    fn new(points: Vec<ReferencePoint>, k: f64) -> Self {
        let fault = if !(k.is_finite() && k > 0.0) {
            Some(UncertaintyError::CoverageFactor { component: "reference certificate".to_owned(), k })
        } else if points.is_empty() {
            Some(UncertaintyError::Certificate { point: 0, what: "there is none" })
        } else {
            first_fault(&points)
        };
        Self { points, k, volts: 1.0, correlation: 0.0, fault }
    }

    /// The certificate's value at a frequency: as stated on a line, linear in the logarithm of frequency between two
    /// (sensitivity, phase by the shorter way round, and uncertainties alike). Ask with the point's nominal
    /// frequency: a measured one may fall outside the ends by some ppm.
    ///
    /// # Errors
    /// `OutsideCertificate` (the ends belong to it); `Certificate` or `CoverageFactor` for unusable lines.
    pub fn at(&self, frequency: Hertz) -> Result<ReferenceValue, UncertaintyError> {
        if let Some(fault) = &self.fault {
            return Err(fault.clone());
        }
        let above = self.points.partition_point(|point| point.frequency < frequency);
        let upper = self.points.get(above);
        if let Some(point) = upper.filter(|point| point.frequency == frequency) {
            return Ok(self.value(point, point, 0.0));
        }
        match (above.checked_sub(1).and_then(|below| self.points.get(below)), upper) {
            (Some(lower), Some(upper)) => {
                let share = (frequency / lower.frequency).ln() / (upper.frequency / lower.frequency).ln();
                Ok(ReferenceValue { interpolated: true, ..self.value(lower, upper, share) })
            }
            _ => Err(self.outside(frequency)),
        }
    }

    fn value(&self, lower: &ReferencePoint, upper: &ReferencePoint, share: f64) -> ReferenceValue {
        let between = |a: f64, b: f64| a + share * (b - a);
        let phase = lower.phase.zip(upper.phase).map(|(a, b)| {
            let step = wrap(b.si() - a.si());
            Radians::new(wrap(a.si() + share * step))
        });
        let expanded_phase = lower.u_phase.zip(upper.u_phase);
        ReferenceValue {
            sensitivity: Sensitivity::new(
                between(lower.sensitivity.si(), upper.sensitivity.si()) * self.volts,
            ),
            expanded: Fraction::new(between(lower.u.si(), upper.u.si())),
            phase,
            expanded_phase: expanded_phase.map(|(a, b)| Radians::new(between(a.si(), b.si()))),
            k: self.k,
            correlation: self.correlation,
            interpolated: false,
        }
    }

    fn outside(&self, frequency: Hertz) -> UncertaintyError {
        let end = |point: Option<&ReferencePoint>| point.map_or(Hertz::ZERO, |p| p.frequency);
        UncertaintyError::OutsideCertificate {
            frequency,
            lowest: end(self.points.first()),
            highest: end(self.points.last()),
        }
    }
}

fn first_fault(points: &[ReferencePoint]) -> Option<UncertaintyError> {
    let before = std::iter::once(Hertz::ZERO).chain(points.iter().map(|point| point.frequency));
    points.iter().zip(before).enumerate().find_map(|(position, (point, before))| {
        line_fault(point, before).map(|what| UncertaintyError::Certificate { point: position, what })
    })
}

fn line_fault(point: &ReferencePoint, before: Hertz) -> Option<&'static str> {
    let usable = |value: f64| value.is_finite() && value >= 0.0;
    if !(point.frequency.is_finite() && point.frequency > before) {
        Some("frequencies must rise, and be above 0 Hz")
    } else if !(point.sensitivity.si().is_finite() && point.sensitivity.si() > 0.0) {
        Some("the sensitivity must be above zero; a reversed arrow belongs into the phase")
    } else if !usable(point.u.si()) {
        Some("the uncertainty must be finite and not negative")
    } else if point.phase.is_some() != point.u_phase.is_some() {
        Some("phase and its uncertainty come together")
    } else if !(point.phase.is_none_or(Radians::is_finite) && point.u_phase.is_none_or(|u| usable(u.si()))) {
        Some("phase and its uncertainty must be numbers")
    } else {
        None
    }
}

/// The angle in (−π, π].
fn wrap(angle: f64) -> f64 {
    let turns = (angle / TAU - 0.5).ceil();
    angle - turns * TAU
}

#[cfg(test)]
mod tests {
    use super::*;
    use plan_schema::registers::OutputSensitivity;

    fn point(hz: f64, sensitivity: f64, percent: f64, phase: Option<(f64, f64)>) -> ReferencePoint {
        ReferencePoint {
            frequency: Hertz::new(hz),
            sensitivity: OutputSensitivity::Voltage(Sensitivity::new(sensitivity)),
            u: Fraction::new(percent / 100.0),
            phase: phase.map(|(degrees, _)| Radians::new(degrees.to_radians())),
            u_phase: phase.map(|(_, u)| Radians::new(u.to_radians())),
        }
    }

    fn table() -> ReferenceTable {
        let points = vec![
            point(1.0, 0.100, 1.0, Some((170.0, 1.0))),
            point(10.0, 0.102, 0.5, Some((-170.0, 0.5))),
            point(100.0, 0.101, 0.6, None),
        ];
        ReferenceTable::new(points, 2.0)
    }

    #[test]
    fn linear_in_the_logarithm_and_the_short_way_round() {
        let value = table().at(Hertz::new(10.0_f64.sqrt())).unwrap();
        assert!(value.interpolated);
        assert!((value.sensitivity.si() - 0.101).abs() < 1e-15);
        assert!((value.expanded.si() - 0.0075).abs() < 1e-15);
        assert!((value.phase.unwrap().degrees().abs() - 180.0).abs() < 1e-9);
        assert!((value.expanded_phase.unwrap().degrees() - 0.75).abs() < 1e-12);
    }

    #[test]
    fn a_line_is_taken_as_stated() {
        let value = table().at(Hertz::new(10.0)).unwrap();
        assert_eq!((value.sensitivity, value.interpolated), (Sensitivity::new(0.102), false));
        assert!((value.phase.unwrap().degrees() + 170.0).abs() < 1e-12);
        assert!(table().at(Hertz::new(1.0)).is_ok() && table().at(Hertz::new(100.0)).is_ok());
    }

    #[test]
    fn a_missing_phase_stays_missing() {
        assert_eq!(table().at(Hertz::new(50.0)).unwrap().phase, None);
        assert_eq!(table().at(Hertz::new(100.0)).unwrap().phase, None);
    }

    #[test]
    fn never_extrapolated() {
        for hz in [0.999_999, 100.000_001, f64::NAN, -1.0, 0.0] {
            let refused = table().at(Hertz::new(hz));
            assert!(matches!(refused, Err(UncertaintyError::OutsideCertificate { .. })), "{hz}");
        }
    }

    #[test]
    fn unusable_lines_are_named() {
        let good = point(5.0, 0.1, 1.0, None);
        let faults = [
            point(5.0, 0.1, 1.0, None),
            point(4.0, 0.1, 1.0, None),
            point(f64::NAN, 0.1, 1.0, None),
            point(6.0, 0.0, 1.0, None),
            point(6.0, -0.1, 1.0, None),
            point(6.0, 0.1, -1.0, None),
            point(6.0, 0.1, 1.0, Some((f64::NAN, 1.0))),
            point(6.0, 0.1, 1.0, Some((0.0, f64::INFINITY))),
        ];
        let at_five = |points, k| ReferenceTable::new(points, k).at(Hertz::new(5.0));
        assert!(at_five(vec![good.clone()], 2.0).is_ok());
        let lone_phase = ReferencePoint { u_phase: None, ..point(6.0, 0.1, 1.0, Some((0.0, 1.0))) };
        for bad in faults.into_iter().chain([lone_phase]) {
            let refused = at_five(vec![good.clone(), bad.clone()], 2.0);
            assert!(matches!(refused, Err(UncertaintyError::Certificate { point: 1, .. })), "{bad:?}");
        }
        assert!(matches!(at_five(vec![], 2.0), Err(UncertaintyError::Certificate { point: 0, .. })));
        assert!(matches!(at_five(vec![good], 0.0), Err(UncertaintyError::CoverageFactor { .. })));
    }
}
