//! The dimensions: which units a person may write for each, and how they convert to SI.
//!
//! One flat table per dimension. A unit is `value = number × 10^exponent × factor`; the decimal exponent is kept
//! apart from the factor so that "75 mm" is read as exactly `75e-3`, correctly rounded once.

use super::{Quantity, STANDARD_GRAVITY};

/// A unit that may be written: spellings after normalisation (see `spelling::normalise`), and its size.
#[derive(Debug, Clone, Copy)]
pub struct Unit {
    /// Normalised spellings, `·` between the factors of a product; the first is the one shown in messages.
    pub spellings: &'static [&'static str],
    /// Decimal exponent of the prefix.
    pub exponent: i32,
    /// Factor beside the exponent; 1 for SI units.
    pub factor: f64,
}

const fn unit(spellings: &'static [&'static str], exponent: i32) -> Unit {
    Unit { spellings, exponent, factor: 1.0 }
}

const fn scaled(spellings: &'static [&'static str], exponent: i32, factor: f64) -> Unit {
    Unit { spellings, exponent, factor }
}

/// A physical dimension as people write it.
pub trait Dimension: 'static {
    /// What it is called in messages: "a frequency".
    const NAME: &'static str;
    /// Spelling of the SI unit used for exact printing; must be in `UNITS` with exponent 0 and factor 1.
    const SI: &'static str;
    /// All units that may be written.
    const UNITS: &'static [Unit];
    /// An example for messages and schemas, without the statistic of an amplitude; see [`Dimension::example`].
    const EXAMPLE: &'static str;
    /// For amplitudes: the statistics that may be written and their factor to the stored one. Empty otherwise.
    const STATISTICS: &'static [(&'static str, f64)] = &[];
    /// A word about a unit that people write by mistake, keyed by normalised spelling.
    const CONFUSIONS: &'static [(&'static str, &'static str)] = &[];

    /// A correct example: what may be written exactly so.
    #[must_use]
    fn example() -> String {
        match Self::STATISTICS.first() {
            Some((statistic, _)) => format!("{} {statistic}", Self::EXAMPLE),
            None => Self::EXAMPLE.to_owned(),
        }
    }
}

/// Statistic of an amplitude that is stored as the peak of a sine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Peak {}
/// Statistic of an amplitude that is stored as root mean square (noise).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rms {}

/// How an amplitude is stated.
pub trait Statistic: 'static {
    /// Written statistics with their factor to the stored one (a sine is meant where peak and rms convert).
    const WRITTEN: &'static [(&'static str, f64)];
}
impl Statistic for Peak {
    const WRITTEN: &'static [(&'static str, f64)] =
        &[("pk", 1.0), ("rms", std::f64::consts::SQRT_2), ("pk-pk", 0.5)];
}
impl Statistic for Rms {
    const WRITTEN: &'static [(&'static str, f64)] = &[("rms", 1.0)];
}

/// The amplitude of a quantity of dimension `D`, stated as `S`.
pub struct Of<D, S>(std::marker::PhantomData<(D, S)>);

impl<D: Dimension, S: Statistic> Dimension for Of<D, S> {
    const NAME: &'static str = D::NAME;
    const SI: &'static str = D::SI;
    const UNITS: &'static [Unit] = D::UNITS;
    const EXAMPLE: &'static str = D::EXAMPLE;
    const STATISTICS: &'static [(&'static str, f64)] = S::WRITTEN;
    const CONFUSIONS: &'static [(&'static str, &'static str)] = D::CONFUSIONS;
}

macro_rules! dimension {
    ($(#[$doc:meta])* $marker:ident, $name:literal, $si:literal, $example:literal, [$($unit:expr),* $(,)?] $(, [$($confusion:expr),*])?) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum $marker {}
        impl Dimension for $marker {
            const NAME: &'static str = $name;
            const SI: &'static str = $si;
            const UNITS: &'static [Unit] = &[$($unit),*];
            const EXAMPLE: &'static str = $example;
            $(const CONFUSIONS: &'static [(&'static str, &'static str)] = &[$($confusion),*];)?
        }
    };
}

dimension!(/// Frequency, Hz.
    Frequency, "a frequency", "Hz", "16 Hz",
    [unit(&["Hz"], 0), unit(&["mHz"], -3), unit(&["uHz"], -6), unit(&["kHz"], 3), unit(&["MHz"], 6)],
    [("rad/s", "write the frequency in Hz: divide by 2π"), ("rpm", "write the frequency in Hz: divide by 60"),
     ("1/min", "write the frequency in Hz: divide by 60"), ("cps", "write 'Hz'"), ("1/s", "write 'Hz'"), ("s-1", "write 'Hz'")]);
dimension!(/// Samples per second, stored in Hz.
    SampleRate, "a sample rate", "S/s", "10 kS/s",
    [unit(&["S/s", "Hz", "Sa/s"], 0), unit(&["kS/s", "kHz", "kSa/s"], 3), unit(&["MS/s", "MHz"], 6)]);
dimension!(/// Time, s.
    Time, "a time", "s", "20 ms",
    [unit(&["s"], 0), unit(&["ms"], -3), unit(&["us"], -6), unit(&["ns"], -9), scaled(&["min"], 0, 60.0), scaled(&["h"], 0, 3600.0)],
    [("sec", "write 's'"), ("m", "write 'min' for minutes, 'ms' for milliseconds"), ("hr", "write 'h'"), ("d", "write hours: '24 h'")]);
dimension!(/// Mass, kg.
    Mass, "a mass", "kg", "25 g", [unit(&["kg"], 0), unit(&["g"], -3), unit(&["mg"], -6)],
    [("gn", "a mass is due here, where 'g' means gram: write 'g' or 'kg'"), ("gram", "write 'g'"), ("grams", "write 'g'"),
     ("gr", "write 'g' for gram")]);
dimension!(/// Force, N.
    Force, "a force", "N", "300 N", [unit(&["N"], 0), unit(&["kN"], 3), unit(&["mN"], -3)],
    [("kg", "write the force in N: multiply by 9.80665"),
     ("g", "'g' is neither gram nor gravity here: write the force in N, mass times acceleration")]);
dimension!(/// Electric current, A.
    Current, "a current", "A", "5 A", [unit(&["A"], 0), unit(&["mA"], -3)]);
dimension!(/// Voltage, V.
    Voltage, "a voltage", "V", "10 V", [unit(&["V"], 0), unit(&["mV"], -3), unit(&["uV"], -6), unit(&["nV"], -9)]);
dimension!(/// Acceleration, m/s²; 'g' is standard gravity.
    Acceleration, "an acceleration", "m/s2", "1 g",
    [unit(&["m/s2", "m/s/s", "m·s-2"], 0), unit(&["mm/s2"], -3), scaled(&["g", "gn", "g_n"], 0, STANDARD_GRAVITY),
     scaled(&["mg"], -3, STANDARD_GRAVITY), scaled(&["ug"], -6, STANDARD_GRAVITY)],
    [("G", "write 'g' for standard gravity"), ("gram", "an acceleration is due here, where 'g' means standard gravity, 9.80665 m/s²"),
     ("kg", "an acceleration is due here, where 'g' means standard gravity, 9.80665 m/s²: a mass does not belong here"),
     ("gs", "write 'g' for standard gravity")]);
dimension!(/// Velocity, m/s.
    Speed, "a velocity", "m/s", "0.1 m/s", [unit(&["m/s"], 0), unit(&["mm/s"], -3)]);
dimension!(/// Displacement, m.
    Length, "a displacement", "m", "5 mm", [unit(&["m"], 0), unit(&["mm"], -3), unit(&["um"], -6), unit(&["cm"], -2)]);
dimension!(/// Electrical resistance, Ω.
    Resistance, "a resistance", "ohm", "3 Ω", [unit(&["ohm", "Ohm"], 0), unit(&["kohm", "kOhm"], 3), unit(&["mohm", "mOhm"], -3), unit(&["Mohm", "MOhm"], 6)]);
dimension!(/// Inductance, H.
    Inductance, "an inductance", "H", "3 mH", [unit(&["H"], 0), unit(&["mH"], -3), unit(&["uH"], -6)]);
dimension!(/// Force factor Bl, N/A.
    ForceFactor, "a force factor", "N/A", "60 N/A", [unit(&["N/A", "T·m"], 0)]);
dimension!(/// Stiffness, N/m.
    Stiffness, "a stiffness", "N/m", "190 N/m", [unit(&["N/m"], 0), unit(&["N/mm", "kN/m"], 3)]);
dimension!(/// A share of something: percent, parts per million, dimensionless.
    Share, "a share", "1", "5 %", [unit(&["1"], 0), unit(&["%", "percent"], -2), unit(&["ppm"], -6)],
    [("‰", "write percent: 1 ‰ is 0.1 %"), ("pct", "write '%'"), ("per·cent", "write '%'")]);
dimension!(/// Voltage gain, V/V.
    Gain, "a gain", "V/V", "20 V/V", [unit(&["V/V", "1"], 0), unit(&["mV/V"], -3)]);
dimension!(/// Transconductance, A/V: a current-mode amplifier.
    Transconductance, "a transconductance", "A/V", "2 A/V", [unit(&["A/V"], 0)]);
dimension!(/// Plane angle, rad.
    Angle, "an angle", "rad", "0.5 deg",
    [unit(&["rad"], 0), unit(&["mrad"], -3), unit(&["urad"], -6), scaled(&["deg"], 0, std::f64::consts::PI / 180.0)]);
dimension!(/// Temperature, °C.
    Temperature, "a temperature", "degC", "23 °C", [unit(&["degC"], 0)],
    [("K", "write temperatures in °C: subtract 273.15"), ("C", "write '°C'"), ("deg", "write '°C'"),
     ("F", "write temperatures in °C: (°F − 32) / 1.8"), ("degF", "write temperatures in °C: (°F − 32) / 1.8")]);
dimension!(/// Difference of temperatures, K.
    TemperatureSpan, "a temperature difference", "K", "3 K", [unit(&["K"], 0), unit(&["mK"], -3)],
    [("degC", "this is a difference of two temperatures: write it in K, 1 °C being 1 K"), ("C", "write differences of temperature in K")]);
dimension!(/// Torque, N·m.
    Torque, "a torque", "Nm", "2 N·m", [unit(&["N·m"], 0), unit(&["N·cm"], -2)],
    [("kg·m", "write the torque in N·m: multiply by 9.80665"), ("kgf·m", "write the torque in N·m: multiply by 9.80665")]);
dimension!(/// Sensitivity of a voltage output, V/(m/s²).
    VoltagePerAcceleration, "a sensitivity", "V/(m/s2)", "12 mV/g",
    [unit(&["V/(m/s2)", "V·s2/m"], 0), unit(&["mV/(m/s2)", "mV·s2/m"], -3), scaled(&["V/g"], 0, 1.0 / STANDARD_GRAVITY),
     scaled(&["mV/g"], -3, 1.0 / STANDARD_GRAVITY), scaled(&["uV/g"], -6, 1.0 / STANDARD_GRAVITY)],
    [("mV/m/s2", "write 'mV/(m/s2)'"), ("mV", "say per what: 'mV/g' or 'mV/(m/s2)'"), ("V", "say per what: 'V/g' or 'V/(m/s2)'"),
     ("g/V", "write it the other way round, output per acceleration, such as 'mV/g'"),
     ("mV/G", "write 'mV/g' for standard gravity")]);
dimension!(/// Sensitivity of a displacement transducer, V/m.
    VoltagePerLength, "a sensitivity to displacement", "V/m", "100 V/m",
    [unit(&["V/m", "mV/mm"], 0), unit(&["V/mm", "mV/um"], 3), unit(&["mV/m"], -3)]);
dimension!(/// Spectral density of acceleration noise, (m/s²)/√Hz rms.
    AccelerationDensity, "a noise density", "(m/s2)/sqrtHz", "100 µg/√Hz",
    [unit(&["(m/s2)/sqrtHz", "m/s2/sqrtHz"], 0), scaled(&["g/sqrtHz"], 0, STANDARD_GRAVITY),
     scaled(&["mg/sqrtHz"], -3, STANDARD_GRAVITY), scaled(&["ug/sqrtHz"], -6, STANDARD_GRAVITY)],
    [("ug", "a density has its unit per √Hz: write 'µg/√Hz'"), ("mg", "a density has its unit per √Hz: write 'mg/√Hz'"),
     ("ug/Hz", "write 'µg/√Hz': a power density in g²/Hz has its root taken"), ("g2/Hz", "write 'g/√Hz': take the root")]);
dimension!(/// Heat resistance, K/W.
    HeatResistance, "a heat resistance", "K/W", "2 K/W", [unit(&["K/W"], 0), unit(&["mK/W"], -3)]);
dimension!(/// Heat capacity, J/K.
    HeatCapacity, "a heat capacity", "J/K", "60 J/K", [unit(&["J/K", "W·s/K"], 0), unit(&["kJ/K"], 3)]);
dimension!(/// Angle per length, rad/m.
    AnglePerLength, "an angle per length", "rad/m", "10 µrad/mm",
    [unit(&["rad/m", "mrad/mm"], 0), unit(&["mrad/m", "urad/mm"], -3), unit(&["urad/m"], -6),
     scaled(&["deg/m"], 0, std::f64::consts::PI / 180.0)]);
dimension!(/// Relative change per temperature, 1/K.
    PerKelvin, "a temperature coefficient", "1/K", "0.01 %/K", [unit(&["1/K"], 0), unit(&["%/K"], -2), unit(&["ppm/K"], -6)]);

/// Frequency in Hz.
pub type Hertz = Quantity<Frequency>;
/// Sample rate in samples per second.
pub type SamplesPerSecond = Quantity<SampleRate>;
/// Time in seconds.
pub type Seconds = Quantity<Time>;
/// Mass in kilograms.
pub type Kilograms = Quantity<Mass>;
/// Force in newtons.
pub type Newtons<S> = Quantity<Of<Force, S>>;
/// Current in amperes.
pub type Amperes<S> = Quantity<Of<Current, S>>;
/// A direct current, in amperes.
pub type AmperesDc = Quantity<Current>;
/// Voltage amplitude in volts.
pub type Volts<S> = Quantity<Of<Voltage, S>>;
/// A direct voltage or an instantaneous one, in volts.
pub type VoltsDc = Quantity<Voltage>;
/// Acceleration amplitude in m/s².
pub type Accel<S> = Quantity<Of<Acceleration, S>>;
/// An instantaneous or static acceleration in m/s².
pub type AccelDc = Quantity<Acceleration>;
/// Velocity amplitude in m/s.
pub type Velocity<S> = Quantity<Of<Speed, S>>;
/// Displacement amplitude in m.
pub type Displacement<S> = Quantity<Of<Length, S>>;
/// A static displacement in m.
pub type Metres = Quantity<Length>;
/// Resistance in ohms.
pub type Ohms = Quantity<Resistance>;
/// Inductance in henries.
pub type Henries = Quantity<Inductance>;
/// A share, 1 being the whole.
pub type Fraction = Quantity<Share>;
/// Angle in radians.
pub type Radians = Quantity<Angle>;
/// Temperature in °C.
pub type Celsius = Quantity<Temperature>;
/// Temperature difference in K.
pub type Kelvins = Quantity<TemperatureSpan>;
/// Sensitivity of a voltage output in V/(m/s²).
pub type Sensitivity = Quantity<VoltagePerAcceleration>;

impl Sensitivity {
    /// The same sensitivity in millivolts per standard gravity.
    #[must_use]
    pub fn millivolts_per_g(self) -> f64 {
        self.si() * STANDARD_GRAVITY * 1e3
    }
}

impl Radians {
    /// The angle in degrees.
    #[must_use]
    pub fn degrees(self) -> f64 {
        self.si().to_degrees()
    }
}

impl Fraction {
    /// The share in percent.
    #[must_use]
    pub fn percent(self) -> f64 {
        self.si() * 100.0
    }
}
