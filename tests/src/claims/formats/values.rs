//! What the program makes of units, sines and preferred frequencies, as lines for a check from outside.

use plan_schema::plan::Series;
use plan_schema::read::Document;
use plan_schema::units::{
    Accel, Acceleration, AccelerationDensity, Amplitude, Angle, Current, Dimension, Displacement, Force,
    Frequency, Gain, HeatCapacity, HeatResistance, Hertz, Inductance, Length, Mass, Peak, PerKelvin,
    Quantity, Resistance, SampleRate, Share, Speed, Stiffness, Temperature, TemperatureSpan, Time, Torque,
    Velocity, Voltage, VoltagePerAcceleration, VoltagePerLength,
};
use serde_json::{Value, json};

/// A JSON object a line: what was read with its SI value, and sines with their three amplitudes.
#[must_use]
pub fn lines() -> String {
    let mut all = Vec::new();
    of::<Frequency>(&mut all);
    of::<SampleRate>(&mut all);
    of::<Time>(&mut all);
    of::<Mass>(&mut all);
    of::<Force>(&mut all);
    of::<Current>(&mut all);
    of::<Voltage>(&mut all);
    of::<Acceleration>(&mut all);
    of::<Speed>(&mut all);
    of::<Length>(&mut all);
    of::<Resistance>(&mut all);
    of::<Inductance>(&mut all);
    of::<Stiffness>(&mut all);
    of::<Share>(&mut all);
    of::<Gain>(&mut all);
    of::<Angle>(&mut all);
    of::<Temperature>(&mut all);
    of::<TemperatureSpan>(&mut all);
    of::<Torque>(&mut all);
    of::<VoltagePerAcceleration>(&mut all);
    of::<VoltagePerLength>(&mut all);
    of::<AccelerationDensity>(&mut all);
    of::<HeatResistance>(&mut all);
    of::<HeatCapacity>(&mut all);
    of::<PerKelvin>(&mut all);
    all.extend(kinds());
    all.extend(sines());
    all.extend(series());
    all.into_iter().map(|line| format!("{line}\n")).collect()
}

/// Every spelling of every unit of a dimension, with what it is read as.
fn of<D: Dimension>(all: &mut Vec<Value>) {
    for unit in D::UNITS {
        for spelling in unit.spellings {
            for number in ["1", "2.5", "-0.037", "1e3"] {
                let text = format!("{number} {spelling}");
                let read = text.parse::<Quantity<D>>().map(Quantity::si);
                all.push(json!({
                    "what": "unit", "number": number, "unit": spelling, "si_unit": D::SI, "si": read.ok(),
                }));
            }
        }
    }
}

/// Amplitudes of a sine in each of the kinds.
fn kinds() -> Vec<Value> {
    let mut all = Vec::new();
    for (unit, si_unit) in [("g", "m/s2"), ("m/s2", "m/s2"), ("mm/s", "m/s"), ("mm", "m"), ("um", "m")] {
        for kind in ["pk", "rms", "pk-pk"] {
            let read = format!("3 {unit} {kind}").parse::<Amplitude>().map(Amplitude::si);
            all.push(json!({
                "what": "kind", "number": "3", "unit": unit, "kind": kind, "si_unit": si_unit, "si": read.ok(),
            }));
        }
    }
    all
}

/// Sines by frequency and acceleration: their velocity and displacement as the program has them, and the way back.
fn sines() -> Vec<Value> {
    let mut all = Vec::new();
    for frequency in
        [0.1, 0.5, 1.0, 10.0, 15.915_494_309_189_533, 80.0, 159.154_943_091_895_35, 1000.0, 5000.0]
    {
        for acceleration in [0.01, 1.0, 9.80665, 400.0] {
            let (f, a) = (Hertz::new(frequency), Accel::<Peak>::new(acceleration));
            let (v, x) = (a.velocity_at(f).si(), a.displacement_at(f).si());
            all.push(json!({
                "what": "sine",
                "frequency_hz": frequency,
                "acceleration_mps2_peak": acceleration,
                "velocity_mps_peak": v,
                "displacement_m_peak": x,
                "of_velocity_mps2_peak": Velocity::<Peak>::new(v).acceleration_at(f).si(),
                "of_displacement_mps2_peak": Displacement::<Peak>::new(x).acceleration_at(f).si(),
            }));
        }
    }
    all
}

/// Third-octaves as a plan's series makes them, over five decades.
fn series() -> Vec<Value> {
    let of = |values: &str| {
        let text = format!(
            "amplitude = \"1 g pk\"\nfrom = \"0.1 Hz\"\nto = \"10 kHz\"\nspacing = \"third_octave\"\nvalues = \"{values}\"\n"
        );
        let read = Document::<Series>::read("series.toml", &text);
        let frequencies = read.map(|d| d.value.frequencies().into_iter().map(Hertz::si).collect::<Vec<_>>());
        json!({ "what": "series", "values": values, "frequencies_hz": frequencies.ok() })
    };
    vec![of("nominal"), of("exact")]
}
