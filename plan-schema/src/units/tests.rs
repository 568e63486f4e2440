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
