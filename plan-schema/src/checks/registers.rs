//! Checks of the registers by themselves.

use super::{Checker, plausible};
use crate::read::{Diagnostic, Document};
use crate::registers::{
    CalibratedAs, OutputKind, ReferenceCalibration, ReferenceRegister, Sensor, SensorKind, SensorOutput,
    SensorRegister, SupplyDependence,
};
use crate::units::{VoltsDc, engineering};

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
    checker.not_negative(&at("linearity"), sensor.linearity.si());
    checker.not_negative(&at("transverse_sensitivity"), sensor.transverse_sensitivity.si());
    checker.positive_if_any(&at("natural_frequency"), sensor.natural_frequency.map(|f| f.si()));
    checker.positive_if_any(&at("damping_ratio"), sensor.damping_ratio.map(|d| d.si()));
    checker.positive_if_any(&at("lower_corner"), sensor.lower_corner.map(|f| f.si()));
    checker.positive_if_any(&at("tolerance"), sensor.tolerance.map(|t| t.si()));
    for (n, band) in sensor.tolerance_bands.iter().enumerate() {
        let path = format!("{path}.tolerance_bands[{n}]");
        checker.positive(&format!("{path}.from"), band.from.si());
        checker.positive(&format!("{path}.tolerance"), band.tolerance.si());
    }
    checker.bands(&at("tolerance_bands"), sensor.tolerance_bands.iter().map(|b| (b.from, b.to)));
    checker.positive_if_any(&at("time_constant"), sensor.time_constant.map(|t| t.si()));
    if sensor.lower_corner.is_some() && sensor.time_constant.is_some() {
        checker.error(
            &at("time_constant"),
            "a time constant and a lower corner are both written, and say the same",
            "write only one of them: the corner is 1/(2π × time constant)",
        );
    }
    checker.positive_if_any(&at("noise_corner"), sensor.noise_corner.map(|f| f.si()));
    checker.positive(&at("zero_drift_time"), sensor.zero_drift_time.si());
    checker.not_negative(&at("base_strain"), sensor.base_strain.si());
    checker.positive(&at("base_strain_frequency"), sensor.base_strain_frequency.si());
    checker.not_negative(&at("soak_time"), sensor.soak_time.si());
    checker.proper_share(&at("sensitivity_tolerance"), sensor.sensitivity_tolerance.si());
    band(checker, path, sensor);
    expected(checker, path, sensor);
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

fn band(checker: &mut Checker<'_, SensorRegister>, path: &str, sensor: &Sensor) {
    let at = |key: &str| format!("{path}.{key}");
    checker.positive_if_any(&at("frequency_min"), sensor.frequency_min.map(|f| f.si()));
    checker.positive_if_any(&at("frequency_max"), sensor.frequency_max.map(|f| f.si()));
    if let (Some(lowest), Some(highest)) = (sensor.frequency_min, sensor.frequency_max)
        && lowest >= highest
    {
        checker.error(
            &at("frequency_max"),
            "the highest frequency does not lie above the lowest",
            "take both from the data sheet, lowest first",
        );
    }
}

/// What a check standard is expected to show.
fn expected(checker: &mut Checker<'_, SensorRegister>, path: &str, sensor: &Sensor) {
    let mut previous = None;
    for (n, entry) in sensor.expected.iter().enumerate() {
        let at = |key: &str| format!("{path}.expected[{n}].{key}");
        checker.positive(&at("frequency"), entry.frequency.si());
        checker.positive(&at("sensitivity"), entry.sensitivity.si());
        checker.proper_share(&at("limit"), entry.limit.si());
        checker.rising(&at("frequency"), previous, entry.frequency);
        previous = Some(entry.frequency);
        let (kind, nominal) = (entry.sensitivity.kind(), sensor.nominal_sensitivity.kind());
        if kind != nominal {
            checker.error(
                &at("sensitivity"),
                format!(
                    "this is of {}, but the nominal sensitivity is of {}",
                    kind.in_words(),
                    nominal.in_words()
                ),
                "write it in the unit of nominal_sensitivity",
            );
        }
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
    output(checker, path, sensor);
    checker.positive_if_any(&at("supply"), sensor.supply.map(|v| v.si()));
    checker.proper_share(&at("supply_tolerance"), sensor.supply_tolerance.si());
    checker.positive_if_any(&at("zero_tolerance"), sensor.zero_tolerance.map(|v| v.si()));
    bias(checker, path, sensor);
}

/// What leaves a sensor fits its kind, and a current has its own rest and limits.
fn output(checker: &mut Checker<'_, SensorRegister>, path: &str, sensor: &Sensor) {
    let at = |key: &str| format!("{path}.{key}");
    let leaves = sensor.nominal_sensitivity.kind();
    if leaves == OutputKind::Charge && sensor.kind != SensorKind::Charge {
        checker.error(
            &at("nominal_sensitivity"),
            format!("a sensor of kind '{}' puts out no charge", sensor.kind.word()),
            "write its sensitivity in mV/g, or correct the kind",
        );
    }
    for (key, value) in [
        ("zero_current", sensor.zero_current),
        ("current_low", sensor.current_low),
        ("current_high", sensor.current_high),
    ] {
        if value.is_some() && leaves != OutputKind::Current {
            checker.error(
                &at(key),
                format!("{key} means nothing for a sensor that puts out {}", leaves.in_words()),
                format!("remove {key}, or write nominal_sensitivity in mA/g"),
            );
        }
    }
    if let (Some(low), Some(high)) = (sensor.current_low, sensor.current_high)
        && low >= high
    {
        checker.error(
            &at("current_high"),
            "the highest current does not lie above the lowest",
            "take both from the data sheet, such as 4 mA and 20 mA",
        );
    }
}

/// A bias belongs to built-in electronics, and lies within the window in which they are healthy.
fn bias(checker: &mut Checker<'_, SensorRegister>, path: &str, sensor: &Sensor) {
    let at = |key: &str| format!("{path}.{key}");
    let Some(bias) = sensor.bias else {
        for (key, value) in [("bias_low", sensor.bias_low), ("bias_high", sensor.bias_high)] {
            if value.is_some() {
                let message = format!("{key} means nothing without bias");
                checker.error(&at(key), message, format!("add bias, or remove {key}"));
            }
        }
        return;
    };
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
    let volts = engineering(bias.si(), "V");
    if sensor.bias_low.is_some_and(|low| low >= bias) {
        let message = format!("the lowest healthy bias does not lie below the bias of {volts}");
        checker.error(&at("bias_low"), message, format!("write a voltage below {volts}"));
    }
    if sensor.bias_high.is_some_and(|high| high <= bias) {
        let message = format!("the highest healthy bias does not lie above the bias of {volts}");
        checker.error(&at("bias_high"), message, format!("write a voltage above {volts}"));
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
        checker.not_negative(&at("linearity"), reference.linearity.si());
        checker.not_negative(&at("transverse_sensitivity"), reference.transverse_sensitivity.si());
        checker.not_negative(&at("drift_per_year"), reference.drift_per_year.si());
        checker.positive_if_any(&at("noise_corner"), reference.noise_corner.map(|f| f.si()));
        checker.positive_if_any(&at("supply"), reference.supply.map(|v| v.si()));
        let list = at("calibration");
        for (m, calibration) in reference.calibrations.iter().enumerate() {
            let path = format!("{list}[{m}]");
            let before = checker.found.len();
            one_calibration(&mut checker, &path, calibration);
            covers(&mut checker, &path, reference.calibrated_as, calibration);
            if checker.found.len() == before {
                plausible::lines(&mut checker, &path, calibration);
            }
        }
        checker.unique(&list, "certificate", reference.calibrations.iter().map(|c| c.certificate.as_str()));
        checker.unique(&list, "date", reference.calibrations.iter().map(|c| c.date));
    }
    checker.unique("reference", "serial", register.references.iter().map(|r| r.serial.as_str()));
    checker.found
}

/// What a calibration covers decides in what it is stated, and whether a conditioner belongs to it.
fn covers(
    checker: &mut Checker<'_, ReferenceRegister>,
    path: &str,
    covers: CalibratedAs,
    calibration: &ReferenceCalibration,
) {
    let first = calibration.points.first().map(|p| p.sensitivity.kind());
    for (n, point) in calibration.points.iter().enumerate() {
        let kind = point.sensitivity.kind();
        let (message, remedy) = if Some(kind) != first {
            ("this line is of another output than the first", "write all lines of a certificate in one unit")
        } else if covers == CalibratedAs::Chain && kind != OutputKind::Voltage {
            (
                "a chain with its conditioner puts out a voltage",
                "write mV/(m/s²), or calibrated_as = \"sensor\"",
            )
        } else {
            continue;
        };
        checker.error(&format!("{path}.point[{n}].sensitivity"), message, remedy);
        break;
    }
    let gain = calibration.conditioner_gain;
    checker.positive_if_any(&format!("{path}.conditioner_gain"), gain.map(|g| g.si()));
    let named = calibration.conditioner.is_some().then_some("conditioner");
    if let Some(key) = named.or(gain.map(|_| "conditioner_gain"))
        && covers == CalibratedAs::Sensor
    {
        checker.error(
            &format!("{path}.{key}"),
            "a sensor that was calibrated alone has no conditioner in its certificate",
            "remove it, or write calibrated_as = \"chain\"",
        );
    }
    for (key, amplitude) in
        [("amplitude_min", calibration.amplitude_min), ("amplitude_max", calibration.amplitude_max)]
    {
        checker.positive_if_any(&format!("{path}.{key}"), amplitude.map(|a| a.si()));
    }
    if let (Some(lowest), Some(highest)) = (calibration.amplitude_min, calibration.amplitude_max)
        && lowest >= highest
    {
        checker.error(
            &format!("{path}.amplitude_max"),
            "the largest amplitude does not lie above the smallest",
            "take both from the certificate",
        );
    }
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
        checker.rising(&at("frequency"), previous, point.frequency);
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
