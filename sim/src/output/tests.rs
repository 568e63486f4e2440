//! What the channel sees of each kind of sensor, by the arithmetic of data sheets.

use super::*;
use plan_schema::read::Document;
use plan_schema::registers::SensorRegister;
use plan_schema::rig::Connection;
use plan_schema::units::{Hertz, Volts};

fn sensor(lines: &str) -> Sensor {
    let text = format!(
        r#"
format = 1
[[sensor]]
serial = "S"
make = "Invented Instruments"
model = "I"
nominal_sensitivity = "10 mV/(m/s2)"
range = "200 m/s2 pk"
mass = "1 g"
noise_density = "0 ug/sqrtHz"
transverse_sensitivity = "0 %"
temperature_coefficient = "0.1 %/K"
{lines}
"#
    );
    let register = Document::<SensorRegister>::read("s", &text).unwrap_or_else(|r| panic!("{r}"));
    register.value.sensors.into_iter().next().unwrap()
}

fn channel(connection: Connection, ac_corner: Option<f64>) -> Channel {
    Channel { connection, ac_corner: ac_corner.map(Hertz::new), ..Channel::plain("c", 0, Volts::new(10.0)) }
}

const WHEN: When = When { sample: 0, temperature: (23.0, 0.0), period: 1e-4 };

/// Volts for −100, 0 and 100 m/s².
fn seen(sensor: &Sensor, channel: &Channel, supply: f64) -> [f64; 3] {
    let mut signal = [-100.0, 0.0, 100.0];
    Output::new(sensor, channel, 0.010, supply, 0.0).finish(&mut signal, &WHEN);
    signal
}

fn agree(got: [f64; 3], expected: [f64; 3]) {
    assert!(got.iter().zip(expected).all(|(g, e)| (g - e).abs() < 1e-12), "{got:?} {expected:?}");
}

#[test]
fn one_line_of_two_shows_half_and_the_common_mode() {
    let both = sensor(
        "kind = \"dc_mems\"\noutput = \"differential\"\ncommon_mode = \"2.5 V\"\nzero_output = \"0.1 V\"",
    );
    let differential = channel(Connection::Differential, None);
    let single = channel(Connection::SingleEnded, None);
    agree(seen(&both, &differential, 0.0), [-0.9, 0.1, 1.1]);
    agree(seen(&both, &single, 0.0), [2.05, 2.55, 3.05]);
    assert!((Output::new(&both, &single, 0.010, 0.0, 0.0).gain() - 0.005).abs() < 1e-15);
    // A single-ended sensor has one line, which every input sees.
    let one = sensor("kind = \"dc_mems\"\nzero_output = \"0.1 V\"");
    agree(seen(&one, &single, 0.0), [-0.9, 0.1, 1.1]);
}

/// A bridge's mV/V: 2 mV/V at 10 V are 20 mV, and 20.4 mV at 10.2 V; its zero moves along. A regulated sensor stays.
#[test]
fn ratiometric_outputs_follow_their_supply() {
    let to = channel(Connection::Differential, None);
    let bridge = sensor("kind = \"piezoresistive\"\nsupply = \"10 V\"\nzero_output = \"0.05 V\"");
    assert!(bridge.is_ratiometric());
    agree(seen(&bridge, &to, 0.02), [-0.969, 0.051, 1.071]);
    let amplified = sensor("kind = \"piezoresistive\"\nsupply = \"10 V\"\nsupply_dependence = \"regulated\"");
    let ratiometric = sensor("kind = \"dc_mems\"\nsupply = \"5 V\"\nsupply_dependence = \"ratiometric\"");
    assert!(!amplified.is_ratiometric() && ratiometric.is_ratiometric());
    assert!(!sensor("kind = \"dc_mems\"").is_ratiometric());
}

#[test]
fn built_in_electronics_have_a_bias() {
    let to = channel(Connection::Differential, None);
    let iepe = sensor("kind = \"iepe\"\nlower_corner = \"0.1 Hz\"\nbias = \"11 V\"\ncompliance = \"28 V\"");
    agree(seen(&iepe, &to, 0.0), [10.0, 11.0, 12.0]);
    let line = Output::new(&iepe, &to, 0.010, 0.0, 0.0).line();
    assert_eq!(line, Line { open: 28.0, short: 0.0, rest: 11.0 });
    // Where no bias is stated, it is not to be seen, and an open cable floats at zero.
    let hidden = sensor("kind = \"iepe\"\nlower_corner = \"0.1 Hz\"");
    agree(seen(&hidden, &to, 0.0), [-1.0, 0.0, 1.0]);
    assert_eq!(Output::new(&hidden, &to, 0.010, 0.0, 0.0).line(), Line::default());
}

#[test]
fn limits_clip_without_a_word() {
    let to = channel(Connection::Differential, None);
    let clipped = sensor(
        "kind = \"dc_mems\"\nzero_output = \"2.5 V\"\noutput_low = \"1.8 V\"\noutput_high = \"3.2 V\"",
    );
    agree(seen(&clipped, &to, 0.0), [1.8, 2.5, 3.2]);
}

/// The drift is `V exp(−t/τ)` to a part in 10⁶ of itself, and how the time is cut makes no difference.
#[test]
fn the_zero_drifts_after_switching_on() {
    let to = channel(Connection::Differential, None);
    let drifting = sensor("kind = \"dc_mems\"\nzero_drift = \"-50 mV\"\nzero_drift_time = \"100 s\"");
    let output = Output::new(&drifting, &to, 0.010, 0.0, 0.0);
    for sample in [0u64, 1_000_000, 2_500_017] {
        let mut signal = [0.0; 200];
        let when = When { sample, ..WHEN };
        output.finish(&mut signal, &when);
        let expected = -0.05 * (-((sample + 130) as f64) * 1e-4 / 100.0).exp();
        assert!((signal[130] / expected - 1.0).abs() < 1e-6, "{}", signal[130]);
        let mut part = [0.0; 70];
        output.finish(&mut part, &When { sample: sample + 130, ..WHEN });
        assert!(part.iter().zip(&signal[130..]).all(|(a, b)| a.to_bits() == b.to_bits()));
    }
}

/// 0.1 %/K over a rise of 2 K in a thousand samples from 25 °C; mounting acts on the same.
#[test]
fn temperature_and_mounting_scale_the_signal() {
    let to = channel(Connection::Differential, None);
    let output = Output::new(&sensor("kind = \"dc_mems\""), &to, 0.010, 0.0, -0.003);
    let mut signal = [1.0; 2];
    output.finish(&mut signal, &When { sample: 1000, temperature: (25.0, 0.002), period: 1e-4 });
    assert!((signal[0] - 0.010 * 0.997 * 1.004).abs() < 1e-15, "{signal:?}");
}
