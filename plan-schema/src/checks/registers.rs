//! Checks of the registers by themselves.

use super::Checker;
use crate::read::{Diagnostic, Document};
use crate::registers::{
    ReferenceCalibration, ReferenceRegister, Sensor, SensorKind, SensorOutput, SensorRegister,
    SupplyDependence,
};
use crate::units::VoltsDc;

/// What is wrong with a register of sensors.
pub(crate) fn sensors(document: &Document<SensorRegister>) -> Vec<Diagnostic> {
    let mut checker = Checker::new(document);
    let register = &document.value;
    for (n, sensor) in register.sensors.iter().enumerate() {
        one_sensor(&mut checker, &format!("sensor[{n}]"), sensor);
    }
    checker.unique("sensor", "serial", register.sensors.iter().map(|s| s.serial.as_str()));
    checker.found
}

fn one_sensor(checker: &mut Checker<'_, SensorRegister>, path: &str, sensor: &Sensor) {
    let at = |key: &str| format!("{path}.{key}");
    checker.named(&at("serial"), &sensor.serial);
    checker.positive(&at("nominal_sensitivity"), sensor.nominal_sensitivity.si());
    checker.positive(&at("range"), sensor.range.si());
    checker.positive(&at("mass"), sensor.mass.si());
    checker.not_negative(&at("noise_density"), sensor.noise_density.si());
    checker.not_negative(&at("transverse_sensitivity"), sensor.transverse_sensitivity.si());
    checker.positive_if_any(&at("natural_frequency"), sensor.natural_frequency.map(|f| f.si()));
    checker.positive_if_any(&at("damping_ratio"), sensor.damping_ratio.map(|d| d.si()));
    checker.positive_if_any(&at("lower_corner"), sensor.lower_corner.map(|f| f.si()));
    checker.positive_if_any(&at("tolerance"), sensor.tolerance.map(|t| t.si()));
    checker.positive_if_any(&at("noise_corner"), sensor.noise_corner.map(|f| f.si()));
    checker.positive(&at("zero_drift_time"), sensor.zero_drift_time.si());
    checker.not_negative(&at("base_strain"), sensor.base_strain.si());
    checker.positive(&at("base_strain_frequency"), sensor.base_strain_frequency.si());
    electronics(checker, path, sensor);
    if sensor.damping_ratio.is_some() != sensor.natural_frequency.is_some() {
        let (has, lacks) = match sensor.damping_ratio {
            Some(_) => ("damping_ratio", "natural_frequency"),
            None => ("natural_frequency", "damping_ratio"),
        };
        checker.error(
            &at(has),
            format!("{has} means nothing without {lacks}"),
            format!("add {lacks}, or remove {has}"),
        );
    }
}

/// Outputs, supplies and lines have to hang together.
fn electronics(checker: &mut Checker<'_, SensorRegister>, path: &str, sensor: &Sensor) {
    let at = |key: &str| format!("{path}.{key}");
    if let (Some(low), Some(high)) = (sensor.output_low, sensor.output_high)
        && low >= high
    {
        checker.error(
            &at("output_high"),
            "the highest output does not lie above the lowest",
            "take both from the data sheet, lowest first",
        );
    }
    if sensor.common_mode != VoltsDc::ZERO && sensor.output == SensorOutput::SingleEnded {
        checker.error(
            &at("common_mode"),
            "only a differential output has a common mode",
            "remove it, or write output = \"differential\"",
        );
    }
    if sensor.supply_dependence == Some(SupplyDependence::Ratiometric) && sensor.supply.is_none() {
        checker.error(
            &at("supply_dependence"),
            "a ratiometric sensor needs the supply at which its sensitivity is stated",
            "add supply = \"5 V\" with the supply of the data sheet",
        );
    }
    checker.positive_if_any(&at("supply"), sensor.supply.map(|v| v.si()));
    let Some(bias) = sensor.bias else { return };
    if sensor.kind != SensorKind::Iepe {
        checker.error(
            &at("bias"),
            format!("a sensor of kind '{}' has no bias", sensor.kind.word()),
            "remove it, or correct the kind",
        );
    } else if bias.si() <= 0.0 || bias >= sensor.compliance {
        checker.error(
            &at("bias"),
            "the bias does not lie between zero and the compliance voltage",
            "a bias lies near the middle of what the current source is fed from, such as 11 V of 24 V",
        );
    }
}

/// What is wrong with a register of references.
pub(crate) fn references(document: &Document<ReferenceRegister>) -> Vec<Diagnostic> {
    let mut checker = Checker::new(document);
    let register = &document.value;
    for (n, reference) in register.references.iter().enumerate() {
        let at = |key: &str| format!("reference[{n}].{key}");
        checker.named(&at("serial"), &reference.serial);
        checker.positive(&at("range"), reference.range.si());
        checker.not_negative(&at("noise_density"), reference.noise_density.si());
        checker.not_negative(&at("transverse_sensitivity"), reference.transverse_sensitivity.si());
        checker.not_negative(&at("drift_per_year"), reference.drift_per_year.si());
        checker.positive_if_any(&at("noise_corner"), reference.noise_corner.map(|f| f.si()));
        let list = at("calibration");
        for (m, calibration) in reference.calibrations.iter().enumerate() {
            one_calibration(&mut checker, &format!("{list}[{m}]"), calibration);
        }
        checker.unique(&list, "certificate", reference.calibrations.iter().map(|c| c.certificate.as_str()));
        checker.unique(&list, "date", reference.calibrations.iter().map(|c| c.date));
    }
    checker.unique("reference", "serial", register.references.iter().map(|r| r.serial.as_str()));
    checker.found
}

fn one_calibration(
    checker: &mut Checker<'_, ReferenceRegister>,
    path: &str,
    calibration: &ReferenceCalibration,
) {
    checker.named(&format!("{path}.certificate"), &calibration.certificate);
    if calibration.due <= calibration.date {
        checker.error(
            &format!("{path}.due"),
            format!("the calibration is due on {}, not after its own date", calibration.due),
            "write the day when the next calibration is due",
        );
    }
    let mut previous = None;
    for (n, point) in calibration.points.iter().enumerate() {
        let at = |key: &str| format!("{path}.point[{n}].{key}");
        checker.positive(&at("frequency"), point.frequency.si());
        checker.positive(&at("sensitivity"), point.sensitivity.si());
        checker.proper_share(&at("u"), point.u.si());
        checker.positive_if_any(&at("u_phase"), point.u_phase.map(|u| u.si()));
        if previous.is_some_and(|previous| point.frequency <= previous) {
            checker.error(
                &at("frequency"),
                "the frequencies do not rise",
                "list the points by rising frequency, each once",
            );
        }
        if point.phase.is_some() != point.u_phase.is_some() {
            let (has, lacks) =
                if point.phase.is_some() { ("phase", "u_phase") } else { ("u_phase", "phase") };
            checker.error(
                &at(has),
                format!("{has} means nothing without {lacks}"),
                format!("add {lacks}, or remove {has}"),
            );
        }
        previous = Some(point.frequency);
    }
}
