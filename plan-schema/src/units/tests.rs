//! Spellings, mistakes, prefixes, kinematics, and the round trip of quantities.

use super::*;
use proptest::prelude::*;

fn read<D: Dimension>(text: &str) -> f64 {
    text.parse::<Quantity<D>>().unwrap().si()
}

fn refuse<D: Dimension>(text: &str) -> String {
    text.parse::<Quantity<D>>().unwrap_err().to_string()
}

#[test]
#[expect(clippy::float_cmp, reason = "reading is exact")]
fn spellings_mean_the_same() {
    for text in ["10 m/s² pk", "10 m/s2 pk", "10 m/s^2 peak", "10m/s² pk", "1e1 m/s/s pk", "20 m/s² pk-pk"]
    {
        assert_eq!(read::<Of<Acceleration, Peak>>(text), 10.0, "{text}");
    }
    assert_eq!(read::<Of<Length, Peak>>("75 mm pk"), 75e-3);
    assert_eq!(read::<Of<Length, Peak>>("8 mm pk-pk"), 4e-3);
    assert_eq!(read::<Of<Acceleration, Peak>>("1 g pk"), 9.80665);
    assert_eq!(read::<Share>("5 %"), 0.05);
    assert_eq!(read::<AccelerationDensity>("100 µg/√Hz"), read::<AccelerationDensity>("100 ug/sqrtHz"));
    assert_eq!(read::<Temperature>("−5 °C"), -5.0);
    assert!((read::<Of<Acceleration, Peak>>("1 m/s² rms") - std::f64::consts::SQRT_2).abs() < 1e-15);
}

#[test]
fn mistakes_have_a_remedy() {
    insta::assert_snapshot!(
        [
            refuse::<Frequency>("0,5 Hz"),
            refuse::<Frequency>("5"),
            refuse::<Frequency>("fast"),
            refuse::<Frequency>("5 kg"),
            refuse::<Of<Acceleration, Peak>>("1 g"),
            refuse::<Of<Acceleration, Rms>>("1 g pk"),
            refuse::<Of<Acceleration, Peak>>("1 mm pk"),
            refuse::<VoltagePerAcceleration>("12 mV/m/s²"),
            refuse::<Temperature>("300 K"),
            "3 parsec pk".parse::<Amplitude>().unwrap_err().to_string(),
            "3 mm".parse::<Amplitude>().unwrap_err().to_string(),
        ]
        .join("\n")
    );
}

#[test]
fn people_get_prefixes() {
    let shown: Vec<String> =
        [0.0248, 0.999_96, 999.96, 1.0, 4.97e-3, 0.0, 3e-12].iter().map(|v| engineering(*v, "m")).collect();
    assert_eq!(shown, ["24.8 mm", "1 m", "1 km", "1 m", "4.97 mm", "0 m", "0.003 nm"]);
}

/// Kinematics of a sine; 2.48 mm at 1 g and 10 Hz is a check value of the trade (common practice, no source).
#[test]
fn kinematics_of_a_sine() {
    let one_g: Accel<Peak> = "1 g pk".parse().unwrap();
    let x = one_g.displacement_at(Hertz::new(10.0));
    assert!((x.si() - 2.484e-3).abs() < 1e-6);
    let back = x.acceleration_at(Hertz::new(10.0));
    assert!((back / one_g - 1.0).abs() < 1e-15);
}

proptest! {
    #[test]
    fn printing_and_reading_back_is_exact(value in proptest::num::f64::NORMAL) {
        let amplitude = Accel::<Peak>::new(value);
        prop_assert_eq!(amplitude.to_string().parse::<Accel<Peak>>().unwrap(), amplitude);
        let share = Fraction::new(value);
        prop_assert_eq!(share.to_string().parse::<Fraction>().unwrap(), share);
    }

    #[test]
    fn reading_never_panics(text in "\\PC{0,24}") {
        let _ = text.parse::<Accel<Peak>>();
        let _ = text.parse::<Amplitude>();
    }
}

#[test]
fn each_mistake_has_words_of_its_own() {
    let of_frequency = [
        "1,000 Hz",
        "10,000.5 Hz",
        "1.000,5 Hz",
        "1.000.000 Hz",
        "1 000 Hz",
        "1'000 Hz",
        "1_000 Hz",
        "5-10 Hz",
        "5 to 10 Hz",
        "5 ± 1 Hz",
        "1.5 × 10^3 Hz",
        "1,5",
        "",
        "16 khz",
        "16 HZ",
        "100 rad/s",
        "3000 rpm",
        "16 g",
        "16 Hz pk",
        "16 Hzz",
        "3 dB",
        "5..12 Hz",
        "±5 Hz",
        "± Hz",
    ];
    let of_amplitude = [
        "8 mm pp",
        "8 mm PK-PK",
        "8 mmpp",
        "1 grms",
        "1 g RMS",
        "1 g 0-pk",
        "1 g peak to peak",
        "1 g eff",
        "1 g p",
        "25 kg pk",
        "25 gram pk",
        "1 G pk",
        "0.1 m/s",
        "10 Hz pk",
        "10 mm",
        "5 % pk",
        "1,5 mm",
        "-20 dB",
        "±2 g",
        "0.1 in pk-pk",
    ];
    let of_mass = ["25", "25 gn", "25 grams", "25 g pk", "0.5 m/s²", "2 lb", "3 oz", "25 G", "25 Kg"];
    let of_share = ["0.05", "5", "5 percents", "5 ‰", "-3 dB", "0,05", "5 g", "5 PPM", "+-5 %", "4..6 %"];
    let mut lines = Vec::new();
    lines.extend(of_frequency.map(|t| format!("{t:14} {}", refuse::<Frequency>(t))));
    lines.extend(of_amplitude.map(|t| format!("{t:14} {}", t.parse::<Amplitude>().unwrap_err())));
    lines.extend(of_mass.map(|t| format!("{t:14} {}", refuse::<Mass>(t))));
    lines.extend(of_share.map(|t| format!("{t:14} {}", refuse::<Share>(t))));
    lines.extend(["5 kg", "5 g"].map(|t| format!("{t:14} {}", refuse::<Of<Force, Peak>>(t))));
    lines.extend(
        ["1 mV pk", "1 mV pp", "1 mV", "1 mVrms"]
            .map(|t| format!("{t:14} {}", refuse::<Of<Voltage, Rms>>(t))),
    );
    lines.extend(["18 in-lb", "20 kgcm", "2 kg·m"].map(|t| format!("{t:14} {}", refuse::<Torque>(t))));
    lines.extend(["20 dB", "20 A/V", "20"].map(|t| format!("{t:14} {}", refuse::<Gain>(t))));
    lines.extend(["3 °C", "3 C"].map(|t| format!("{t:14} {}", refuse::<TemperatureSpan>(t))));
    lines.extend(
        ["100 mV", "100 mV/G", "100 MV/g"].map(|t| format!("{t:14} {}", refuse::<VoltagePerAcceleration>(t))),
    );
    insta::with_settings!({ omit_expression => true }, { insta::assert_snapshot!(lines.join("\n")) });
}
