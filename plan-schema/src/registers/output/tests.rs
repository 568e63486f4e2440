//! Each way to write a sensitivity or a gain against arithmetic by hand.

use super::*;

fn sensitivity(text: &str) -> OutputSensitivity {
    text.parse().unwrap()
}

/// 1 g is 9.80665 m/s² (exact), 1 mV/pC is 10⁹ V/C.
#[test]
fn every_output_becomes_volts() {
    let excitation = Some(VoltsDc::new(10.0));
    let charge: ConditionerGain = "1 mV/pC".parse().unwrap();
    let shunt: ConditionerGain = "250 Ω".parse().unwrap();
    for (written, conditioner, millivolts_per_g) in [
        ("100 mV/g", None, 100.0),
        ("100 mV/g", Some("10 V/V".parse().unwrap()), 100.0),
        ("10 mV/(m/s²)", None, 98.0665),
        ("2 mV/V/g", None, 20.0),
        ("100 pC/g", Some(charge), 100.0),
        ("10 pC/(m/s²)", Some(charge), 98.0665),
        ("1.6 mA/g", Some(shunt), 400.0),
    ] {
        let sensitivity = sensitivity(written);
        let volts = sensitivity.kind().volts(excitation, conditioner).unwrap();
        let found = sensitivity.in_volts(volts).millivolts_per_g();
        assert!((found / millivolts_per_g - 1.0).abs() < 1e-12, "{written}: {found}");
    }
}

#[test]
fn what_does_not_meet_makes_no_volts() {
    let amplifier: ConditionerGain = "10 V/V".parse().unwrap();
    let charge: ConditionerGain = "1 mV/pC".parse().unwrap();
    assert_eq!(OutputKind::Charge.volts(None, None), None);
    assert_eq!(OutputKind::Charge.volts(None, Some(amplifier)), None);
    assert_eq!(OutputKind::Current.volts(None, Some(charge)), None);
    assert_eq!(OutputKind::Ratio.volts(None, None), None);
    assert_eq!(OutputKind::Voltage.volts(None, Some(charge)), None);
}

#[test]
fn they_read_back_to_the_same_bits() {
    for written in ["12 mV/g", "3.7 pC/g", "1.234 mV/V/g", "1.6 mA/g", "0.3 µV/V/g"] {
        let value = sensitivity(written);
        assert_eq!(sensitivity(&value.to_string()), value, "{written}");
    }
    for written in ["10 V/V", "1.003 mV/pC", "249.9 Ω"] {
        let value: ConditionerGain = written.parse().unwrap();
        assert_eq!(value.to_string().parse::<ConditionerGain>().unwrap(), value, "{written}");
    }
}

#[test]
fn what_fits_nothing_is_told_what_does() {
    let told = |text: &str| text.parse::<OutputSensitivity>().unwrap_err().to_string();
    assert!(told("100 pC").contains("pC/g for a charge"), "{}", told("100 pC"));
    assert!(told("2000 mV").contains("'mV/g'"), "{}", told("2000 mV"));
    let gain = "10 K".parse::<ConditionerGain>().unwrap_err().to_string();
    assert!(gain.contains("mV/pC for a charge amplifier"), "{gain}");
}
