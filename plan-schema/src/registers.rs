//! The registers: sensors that may be calibrated, and references with all versions of their calibration.

mod date;
mod factor;
mod output;

pub use date::Date;
pub use factor::{Correlation, CoverageFactor};
pub use output::{
    ChargePerAcceleration, ConditionerGain, CurrentPerAcceleration, OutputKind, OutputSensitivity,
    RatioPerAcceleration, VoltagePerCharge,
};

use crate::plan::Format;
use crate::rig::{Channel, Connection};
use crate::units::{
    Accel, AccelerationDensity, AmperesDc, Fraction, Hertz, Kilograms, Peak, PerKelvin, Quantity, Radians,
    Seconds, VoltsDc,
};
use crate::{written_table, written_words};
use std::f64::consts::TAU;

written_table! {
    /// The register of sensors.
    pub struct SensorRegister file "sensors" {
        /// Format of the file; 1.
        pub format: Format,
        /// The sensors.
        pub sensors key "sensor": Vec<Sensor>,
    }
}

written_words! {
    /// Working principle of a sensor.
    pub enum SensorKind {
        /// Capacitive MEMS with DC response.
        DcMems = "dc_mems",
        /// Piezoresistive bridge with amplifier.
        Piezoresistive = "piezoresistive",
        /// Piezoelectric with built-in electronics on a constant current.
        Iepe = "iepe",
        /// Piezoelectric with a charge amplifier.
        Charge = "charge",
        /// Servo accelerometer.
        Servo = "servo",
    }
}

written_words! {
    /// How a signal leaves a sensor.
    pub enum SensorOutput {
        /// On one line, against ground.
        SingleEnded = "single_ended",
        /// On two lines that swing against each other; sensitivity and output at rest are those of their difference.
        Differential = "differential",
    }
}

written_words! {
    /// What a sensor's output does when its supply is off.
    pub enum SupplyDependence {
        /// It stays: the sensor regulates its supply.
        Regulated = "regulated",
        /// Sensitivity and output at rest are proportional to the supply; both are stated at the nominal one.
        Ratiometric = "ratiometric",
    }
}

written_words! {
    /// Sign of a sensor's output.
    pub enum Polarity {
        /// Positive for an acceleration along its axis.
        Normal = "normal",
        /// Negative for an acceleration along its axis.
        Reversed = "reversed",
    }
}

written_table! {
    /// A sensor under test or a check standard, as register and data sheet describe it.
    pub struct Sensor {
        /// Serial number; the key of the register.
        pub serial: String,
        /// Make.
        pub make: String,
        /// Model.
        pub model: String,
        /// Working principle.
        pub kind: SensorKind,
        /// Nominal sensitivity: of what leaves the sensor (a voltage, a charge, a current, a bridge's share of its
        /// excitation), or in volts at the output of a conditioner that always goes with it.
        pub nominal_sensitivity: OutputSensitivity,
        /// How far the first motion may find the sensitivity off its nominal value before the sensor counts as another one
        /// than the register says.
        pub sensitivity_tolerance: Fraction = Fraction::new(0.2),
        /// Measuring range.
        pub range: Accel<Peak>,
        /// Lowest frequency at which it is used; absent: no limit.
        pub frequency_min: Option<Hertz>,
        /// Highest frequency at which it is used; absent: no limit.
        pub frequency_max: Option<Hertz>,
        /// Time from mounting and switching on until it has settled.
        pub soak_time: Seconds = Seconds::ZERO,
        /// Mass without cable.
        pub mass: Kilograms,
        /// How the signal leaves it.
        pub output: SensorOutput = SensorOutput::SingleEnded,
        /// Voltage against ground about which both lines of a differential output swing.
        pub common_mode: VoltsDc = VoltsDc::ZERO,
        /// Sign of the output.
        pub polarity: Polarity = Polarity::Normal,
        /// Output at rest.
        pub zero_output: VoltsDc = VoltsDc::ZERO,
        /// How far the output at rest may lie off the above before the run; absent: it is not judged.
        pub zero_tolerance: Option<VoltsDc>,
        /// What the output at rest is off by when the sensor is switched on; it dies away exponentially.
        pub zero_drift: VoltsDc = VoltsDc::ZERO,
        /// Time constant of that drift.
        pub zero_drift_time: Seconds = Seconds::new(600.0),
        /// Current at rest of a current output, such as 12 mA of 4 to 20 mA.
        pub zero_current: Option<AmperesDc>,
        /// Lowest current of a current output; it clips there and does not say so.
        pub current_low: Option<AmperesDc>,
        /// Highest current of a current output; it clips there and does not say so.
        pub current_high: Option<AmperesDc>,
        /// Lowest voltage that the output can reach; it clips there and does not say so.
        pub output_low: Option<VoltsDc>,
        /// Highest voltage that the output can reach; it clips there and does not say so.
        pub output_high: Option<VoltsDc>,
        /// Supply voltage; of a bridge, the excitation.
        pub supply: Option<VoltsDc>,
        /// How far the supply voltage may lie off, where a channel reads it.
        pub supply_tolerance: Fraction = Fraction::new(0.05),
        /// What the output does when the supply is off; absent: ratiometric for a piezoresistive bridge, else regulated.
        pub supply_dependence: Option<SupplyDependence>,
        /// Voltage at rest of built-in electronics on their line; absent where it is not to be seen at the channel.
        pub bias: Option<VoltsDc>,
        /// Lowest bias of a healthy sensor; absent: half of the bias.
        pub bias_low: Option<VoltsDc>,
        /// Highest bias of a healthy sensor; absent: one and a half times the bias.
        pub bias_high: Option<VoltsDc>,
        /// Voltage on the line of built-in electronics with nothing connected: what the constant-current source is fed from.
        pub compliance: VoltsDc = VoltsDc::new(24.0),
        /// Output noise where it is white, as acceleration.
        pub noise_density: Quantity<AccelerationDensity>,
        /// Frequency below which 1/f noise exceeds white noise; absent for white noise alone.
        pub noise_corner: Option<Hertz>,
        /// Natural frequency of the second-order response: the low-pass of a capacitive sensor, the resonance of any other.
        pub natural_frequency: Option<Hertz>,
        /// Damping of the second-order response as a share of critical damping.
        pub damping_ratio: Option<Fraction>,
        /// Lower corner of a first-order high-pass, 1/(2π × time constant); absent for DC response.
        pub lower_corner: Option<Hertz>,
        /// Time constant of that high-pass, for a data sheet that states it in place of the corner.
        pub time_constant: Option<Seconds>,
        /// Largest departure of its response from proportionality within its range.
        pub linearity: Fraction = Fraction::ZERO,
        /// Largest cross-axis response.
        pub transverse_sensitivity: Fraction,
        /// Response to the strain of what it stands on, as a share of its sensitivity at the frequency below; strain goes with
        /// displacement, so the share falls with the square of frequency.
        pub base_strain: Fraction = Fraction::ZERO,
        /// Frequency at which that share is stated.
        pub base_strain_frequency: Hertz = Hertz::new(10.0),
        /// Change of sensitivity with temperature.
        pub temperature_coefficient: Quantity<PerKelvin>,
        /// Tolerance that goes before the plan's.
        pub tolerance: Option<Fraction>,
        /// Tolerances by band, ascending, which go before the one above.
        pub tolerance_bands: Vec<ToleranceBand> = Vec::new(),
        /// What it is expected to show as a check standard, by frequency, ascending.
        pub expected: Vec<ExpectedSensitivity> = Vec::new(),
    }
}

written_table! {
    /// The tolerance of a sensor within a band of frequency.
    pub struct ToleranceBand {
        /// Lowest frequency, which belongs to it.
        pub from: Hertz,
        /// Highest frequency, which belongs to it.
        pub to: Hertz,
        /// Largest deviation that is allowed.
        pub tolerance: Fraction,
    }
}

written_table! {
    /// What a check standard is expected to show at one frequency: the mean of earlier measurements.
    pub struct ExpectedSensitivity {
        /// Frequency.
        pub frequency: Hertz,
        /// Magnitude of the sensitivity, of the same output as the nominal one.
        pub sensitivity: OutputSensitivity,
        /// Largest deviation from it.
        pub limit: Fraction,
    }
}

impl ToleranceBand {
    /// True if a frequency lies within it.
    #[must_use]
    pub fn holds(&self, frequency: Hertz) -> bool {
        self.from <= frequency && frequency <= self.to
    }
}

impl Sensor {
    /// Lower corner of its response, written as such or as a time constant; `None` for DC response.
    #[must_use]
    pub fn corner(&self) -> Option<Hertz> {
        self.lower_corner.or_else(|| self.time_constant.map(|t| Hertz::new(1.0 / (TAU * t.si()))))
    }

    /// Time constant with which its response to a step dies away; `None` for DC response.
    #[must_use]
    pub fn decay(&self) -> Option<Seconds> {
        self.corner().map(|corner| Seconds::new(1.0 / (TAU * corner.si())))
    }

    /// Its own tolerance at a frequency; where bands meet, the first.
    #[must_use]
    pub fn tolerance_at(&self, frequency: Hertz) -> Option<Fraction> {
        let mut bands = self.tolerance_bands.iter();
        bands.find(|band| band.holds(frequency)).map(|band| band.tolerance).or(self.tolerance)
    }

    /// True if a frequency lies within its band.
    #[must_use]
    pub fn is_within_band(&self, frequency: Hertz) -> bool {
        let above = self.frequency_min.is_none_or(|lowest| frequency >= lowest);
        above && self.frequency_max.is_none_or(|highest| frequency <= highest)
    }

    /// What a channel shows of this sensor at rest, and the share of its signal that the channel sees before its gain.
    #[must_use]
    pub fn seen_by(&self, channel: &Channel) -> (VoltsDc, f64) {
        let at_rest = self.rest_in(channel) + self.bias.unwrap_or(VoltsDc::ZERO);
        let one_line =
            self.output == SensorOutput::Differential && channel.connection == Connection::SingleEnded;
        let (at_rest, share) =
            if one_line { (self.common_mode + at_rest * 0.5, 0.5) } else { (at_rest, 1.0) };
        match channel.ac_corner {
            Some(_) => (VoltsDc::ZERO, share),
            None => (at_rest * channel.gain_at_rest(), share),
        }
    }

    /// Output at rest in volts: of a current that of its shunt on this channel.
    #[must_use]
    pub fn rest_in(&self, channel: &Channel) -> VoltsDc {
        let shunt = match channel.conditioner_gain {
            Some(ConditionerGain::Current(shunt)) => shunt.si(),
            _ => 0.0,
        };
        self.zero_output + VoltsDc::new(self.zero_current.map_or(0.0, |a| a.si() * shunt))
    }

    /// Lowest and highest bias of a healthy sensor, where it has a bias at all.
    #[must_use]
    pub fn bias_window(&self) -> Option<(VoltsDc, VoltsDc)> {
        let bias = self.bias?;
        Some((self.bias_low.unwrap_or(bias * 0.5), self.bias_high.unwrap_or(bias * 1.5)))
    }

    /// Whether sensitivity and output at rest are proportional to the supply.
    #[must_use]
    pub fn is_ratiometric(&self) -> bool {
        match self.supply_dependence {
            Some(dependence) => dependence == SupplyDependence::Ratiometric,
            None => self.kind == SensorKind::Piezoresistive,
        }
    }
}

written_table! {
    /// The register of reference transducers.
    pub struct ReferenceRegister file "references" {
        /// Format of the file; 1.
        pub format: Format,
        /// The references.
        pub references key "reference": Vec<Reference>,
    }
}

written_words! {
    /// What a calibration of the reference covers.
    pub enum CalibratedAs {
        /// The sensor alone.
        Sensor = "sensor",
        /// Sensor, cable and conditioner together.
        Chain = "chain",
    }
}

written_table! {
    /// A reference transducer.
    pub struct Reference {
        /// Serial number; the key of the register.
        pub serial: String,
        /// Make.
        pub make: String,
        /// Model.
        pub model: String,
        /// What its calibration covers.
        pub calibrated_as: CalibratedAs,
        /// Measuring range.
        pub range: Accel<Peak>,
        /// Output at rest.
        pub zero_output: VoltsDc = VoltsDc::ZERO,
        /// Excitation of a reference that is a bridge: the voltage at which its sensitivity in mV/V counts.
        pub supply: Option<VoltsDc>,
        /// Output noise where it is white, as acceleration.
        pub noise_density: Quantity<AccelerationDensity>,
        /// Frequency below which 1/f noise exceeds white noise; absent for white noise alone.
        pub noise_corner: Option<Hertz>,
        /// Largest departure of its response from proportionality within its range.
        pub linearity: Fraction = Fraction::ZERO,
        /// Largest cross-axis response.
        pub transverse_sensitivity: Fraction,
        /// Change of sensitivity with temperature.
        pub temperature_coefficient: Quantity<PerKelvin>,
        /// Largest drift in a year.
        pub drift_per_year: Fraction,
        /// Its calibrations, the latest last.
        pub calibrations key "calibration": Vec<ReferenceCalibration>,
    }
}

impl Reference {
    /// The calibration in force: the latest by date.
    #[must_use]
    pub fn current(&self) -> Option<&ReferenceCalibration> {
        self.calibrations.iter().max_by_key(|c| c.date)
    }
}

written_table! {
    /// One calibration of a reference.
    pub struct ReferenceCalibration {
        /// Number of its certificate; the version by which results name it.
        pub certificate: String,
        /// The laboratory that did it.
        pub laboratory: String,
        /// Number of that laboratory's accreditation; printed on certificates.
        pub accreditation: Option<String>,
        /// When it was done.
        pub date: Date,
        /// When the next is due.
        pub due: Date,
        /// Coverage factor of the uncertainties.
        pub coverage_factor: CoverageFactor = CoverageFactor(2.0),
        /// Correlation of its error between two frequencies, 0 to 1: what is common to both cancels in a deviation from the
        /// reference frequency.
        pub correlation: Correlation = Correlation(0.0),
        /// Of a chain: serial number of the conditioner that it was calibrated with.
        pub conditioner: Option<String>,
        /// Of a chain: gain at which that conditioner was set.
        pub conditioner_gain: Option<ConditionerGain>,
        /// Smallest amplitude at which the calibration holds; absent: no limit.
        pub amplitude_min: Option<Accel<Peak>>,
        /// Largest amplitude at which the calibration holds; absent: no limit but the measuring range.
        pub amplitude_max: Option<Accel<Peak>>,
        /// Its results by frequency, ascending.
        pub points key "point": Vec<ReferencePoint>,
    }
}

written_table! {
    /// Sensitivity of a reference at one frequency.
    pub struct ReferencePoint {
        /// Frequency.
        pub frequency: Hertz,
        /// Magnitude of the sensitivity.
        pub sensitivity: OutputSensitivity,
        /// Phase of the output against the acceleration, lag negative; absent if it was not calibrated.
        pub phase: Option<Radians>,
        /// Expanded uncertainty of the magnitude.
        pub u: Fraction,
        /// Expanded uncertainty of the phase.
        pub u_phase: Option<Radians>,
    }
}
