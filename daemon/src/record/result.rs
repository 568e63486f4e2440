//! `result.json`: the results of one run, as certificates, comparisons and other programs read them.
//!
//! Owns the shape of that file. Must not compute: every number comes from the core.
//!
//! Conventions. What does not exist is null, never absent. Numbers are finite. Amplitudes are peak values of
//! the fundamental. Phase is the phase of the output minus the phase of the acceleration along the sensor's
//! arrow, lag negative, wrapped to (−180, 180], to be compared modulo 360. Uncertainties are expanded
//! (coverage factor beside them). A name ends in its unit.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::budget::{BudgetSource, BudgetsRecord};
use super::channel_ratio::ChannelRatioRecord;
use super::substitution::SubstitutionRecord;
use super::time::UtcTime;
use super::words::{
    Decision, FindingKind, Method, Outcome, PointStatus, Polarity, SensitivityUnit, State, TripReason,
    WitnessRole,
};

/// Name and version of the format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum ResultSchema {
    /// The first version.
    #[serde(rename = "calwright.result/1")]
    V1,
}

/// The whole of `result.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResultRecord {
    /// Name and version of the format.
    pub schema: ResultSchema,
    /// Name of the run.
    pub run: String,
    /// How far the result has come.
    pub state: State,
    /// True when the instruments were simulated: never history of a real sensor.
    pub simulated: bool,
    /// Seed of the simulator; null on a real rig.
    pub seed: Option<u64>,
    /// The program that measured.
    pub software: Software,
    /// When the run started.
    pub started: UtcTime,
    /// When the run ended; null when it was cut off and nobody knows.
    pub ended: Option<UtcTime>,
    /// Time that the rig was in use, in seconds.
    pub rig_s: f64,
    /// Part of it in which points were measured, in seconds.
    pub measured_s: f64,
    /// Waits that were foreseen before the run (soak, quiet parts, first motion, the closing look at the first point,
    /// declared decays of sensors), in seconds.
    pub foreseen_wait_s: f64,
    /// Time that was spent in these waits, in seconds.
    pub waited_s: f64,
    /// How the run ended.
    pub outcome: Outcome,
    /// How sensors and reference shared the shaker.
    pub method: Method,
    /// The trip that ended the run; null when there was none.
    pub trip: Option<TripRecord>,
    /// Why somebody has to look before anything else is run on this rig; null when nothing speaks against it.
    pub hold: Option<String>,
    /// Conditions around the rig; null when nothing measured them.
    pub ambient: Option<AmbientRecord>,
    /// The reference that everything was compared with.
    pub reference: ReferenceRecord,
    /// The ratio of channels as this run measured it; null where it did not.
    pub channel_ratio: Option<ChannelRatioRecord>,
    /// What the sensors' channels showed of the reference in place of them; null where sensors and reference were measured at
    /// the same time.
    pub substitution: Option<SubstitutionRecord>,
    /// The accreditation that the results fall under where they say so; null where the laboratory states none.
    pub scope: Option<ScopeRecord>,
    /// Check standards and a second reference, measured beside the sensors to see whether the rig still measures right.
    pub witnesses: Vec<WitnessRecord>,
    /// The sensors under test, in the order of the job.
    pub sensors: Vec<SensorRecord>,
}

impl ResultRecord {
    /// The sensor with this serial number.
    #[must_use]
    pub fn sensor(&self, serial: &str) -> Option<&SensorRecord> {
        self.sensors.iter().find(|sensor| sensor.serial == serial)
    }
}

/// The program that measured and computed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Software {
    /// Version of the program.
    pub version: String,
    /// SHA-256 of the program file, in hexadecimal; null when it could not be read.
    pub hash: Option<String>,
    /// Whether this very program file passed its validation on this station.
    pub validated: bool,
}

/// The trip that ended a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TripRecord {
    /// Name of the trip, to acknowledge it by.
    pub id: String,
    /// Why.
    pub reason: TripReason,
    /// Wall time of the trip.
    pub at_utc: UtcTime,
    /// Sample of the acquisition at which it was seen; null when no signal showed it.
    pub at_sample: Option<u64>,
    /// The instrument concerned.
    pub instrument: Option<String>,
    /// The channel concerned.
    pub channel: Option<String>,
    /// What was seen, in `unit`.
    pub value: Option<f64>,
    /// What was allowed, in `unit`.
    pub limit: Option<f64>,
    /// Unit of `value` and `limit`.
    pub unit: Option<String>,
    /// The trip in words: what, probable cause, next move.
    pub message: String,
}

/// Temperature and humidity around the rig.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AmbientRecord {
    /// Temperature at the start of the run.
    pub temperature_degc_start: Option<f64>,
    /// Temperature at the end of the run.
    pub temperature_degc_end: Option<f64>,
    /// Lowest temperature during the run.
    pub temperature_degc_min: Option<f64>,
    /// Highest temperature during the run.
    pub temperature_degc_max: Option<f64>,
    /// Relative humidity at the start of the run.
    pub humidity_percent_start: Option<f64>,
    /// Relative humidity at the end of the run.
    pub humidity_percent_end: Option<f64>,
    /// Lowest relative humidity during the run.
    pub humidity_percent_min: Option<f64>,
    /// Highest relative humidity during the run.
    pub humidity_percent_max: Option<f64>,
    /// What measured them, by its name in the rig file.
    pub sensor: Option<String>,
}

/// The reference transducer and the calibration of it that was used.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ReferenceRecord {
    /// Serial number.
    pub serial: String,
    /// Version of its calibration in the register (number or date of its certificate).
    pub calibration: String,
}

/// The scope of the laboratory's accreditation.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ScopeRecord {
    /// Number of the accreditation.
    pub accreditation: String,
    /// Who granted it.
    pub granted_by: String,
    /// The last day on which it holds.
    pub valid_until: String,
    /// Whether it holds on the day of the run.
    pub in_force: bool,
}

/// A check standard or second reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WitnessRecord {
    /// Serial number.
    pub serial: String,
    /// What it is there for.
    pub role: WitnessRole,
    /// One entry a measurement at a frequency that its expected values cover, in order of time.
    pub points: Vec<WitnessPointRecord>,
}

/// A witness at one measurement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct WitnessPointRecord {
    /// Frequency of the plan.
    pub frequency_hz: f64,
    /// Magnitude of the sensitivity as measured, in `sensitivity_unit`.
    pub sensitivity: f64,
    /// Magnitude as expected.
    pub sensitivity_expected: f64,
    /// SI unit of both.
    pub sensitivity_unit: SensitivityUnit,
    /// Deviation of the one from the other.
    pub deviation_percent: f64,
    /// Largest deviation, what noise may do within the dwell included.
    pub limit_percent: f64,
    /// Whether it is within.
    pub within: bool,
}

/// One sensor under test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SensorRecord {
    /// Serial number.
    pub serial: String,
    /// Judgement over all points: `pass` only if every point is accepted and passes.
    pub decision: Decision,
    /// Output at rest before the run; null for outputs without direct component.
    pub zero_offset_v_before: Option<f64>,
    /// Output at rest after the run.
    pub zero_offset_v_after: Option<f64>,
    /// Bias voltage of a sensor supplied with constant current.
    pub bias_v: Option<f64>,
    /// Excitation of a bridge, or supply of a sensor with voltage supply.
    pub excitation_v: Option<f64>,
    /// Sign of the output; null when it could not be told.
    pub polarity: Option<Polarity>,
    /// Results in the order of the plan.
    pub points: Vec<PointRecord>,
}

/// One point of one sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PointRecord {
    /// Frequency of the plan.
    pub frequency_hz: f64,
    /// Frequency that the fit found.
    pub measured_frequency_hz: Option<f64>,
    /// What became of the point.
    pub status: PointStatus,
    /// Why this sensor does not take the point; null where it does.
    pub reason: Option<String>,
    /// What was noticed; the reasons of a rejection are among them.
    pub findings: Vec<Finding>,
    /// Acceleration of the plan.
    pub target_mps2_peak: f64,
    /// Acceleration reached.
    pub acceleration_mps2_peak: Option<f64>,
    /// Displacement of the fundamental.
    pub displacement_m_peak: Option<f64>,
    /// Length of the measurement.
    pub cycles_measured: Option<f64>,
    /// Time until the amplitude had settled.
    pub settle_s: Option<f64>,
    /// How far the amplitude was off its target when the dwell began.
    pub settled_error_percent: Option<f64>,
    /// Number of segments that the measurement was cut into.
    pub n_segments: Option<u64>,
    /// Magnitude of the sensitivity, in `sensitivity_unit`.
    pub sensitivity: Option<f64>,
    /// SI unit of `sensitivity`.
    pub sensitivity_unit: SensitivityUnit,
    /// The same in mV/g with standard gravity; null unless the output is a voltage.
    pub sensitivity_mv_per_g: Option<f64>,
    /// Phase of the output against the acceleration (convention: see the module).
    pub phase_deg: Option<f64>,
    /// Deviation from the nominal value, or from the value at the reference frequency, as the plan says.
    pub deviation_percent: Option<f64>,
    /// Expanded uncertainty of the magnitude, relative.
    pub u_rel_percent: Option<f64>,
    /// Expanded uncertainty of the phase.
    pub u_phase_deg: Option<f64>,
    /// Expanded uncertainty of the deviation that is judged.
    pub u_deviation_percent: Option<f64>,
    /// Coverage factor of the expanded uncertainties.
    pub coverage_factor: Option<f64>,
    /// Effective degrees of freedom; null when they are without limit.
    pub nu_eff: Option<f64>,
    /// Judgement of this point.
    pub decision: Decision,
    /// Width of the guard band of the judgement.
    pub guard_band_percent: Option<f64>,
    /// Probability that the deviation lies within the tolerance.
    pub conformity_percent: Option<f64>,
    /// Whether the magnitude falls under the laboratory's accreditation; null where it states none.
    pub accredited: Option<bool>,
    /// Whether the phase does.
    pub phase_accredited: Option<bool>,
    /// Total harmonic distortion of the acceleration, harmonics 2 to `thd_harmonic_max`.
    pub thd_percent: Option<f64>,
    /// Highest harmonic within `thd_percent`.
    pub thd_harmonic_max: Option<u64>,
    /// Signal to noise of the sensor's output.
    pub snr_db: Option<f64>,
    /// Ambient temperature at the point.
    pub temperature_degc: Option<f64>,
    /// Single results in the same mounting.
    pub repeats: Vec<RepeatRecord>,
    /// Where the ratio of channels comes from, if the plan asks for its measurement or for substitution: `this_run`, by which the result is
    /// corrected, or `rig_file`, by whose bound it is not.
    pub channel_ratio: Option<BudgetSource>,
    /// What the uncertainties are made of; null where nothing was measured.
    pub budgets: Option<BudgetsRecord>,
}

/// Something that was noticed about a point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// What kind of thing.
    pub kind: FindingKind,
    /// The finding in words.
    pub message: String,
    /// What was seen, in `unit`.
    pub value: Option<f64>,
    /// What was allowed, in `unit`.
    pub limit: Option<f64>,
    /// Unit of `value` and `limit`.
    pub unit: Option<String>,
}

/// One repeat of a point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RepeatRecord {
    /// Magnitude, in the point's `sensitivity_unit`.
    pub sensitivity: Option<f64>,
    /// Phase.
    pub phase_deg: Option<f64>,
    /// Whether it went into the result.
    pub valid: bool,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::certificate::fixture;
    use serde_json::Value;

    fn keys(value: &Value) -> Vec<&str> {
        value.as_object().unwrap().keys().map(String::as_str).collect()
    }

    /// The lists below are copied from the contract by hand: a name or an order changed here must fail.
    #[test]
    fn fields_are_those_of_the_contract_and_never_absent() {
        let mut request = fixture::bare();
        request.result.sensors[0].points.push(fixture::not_reached(20.0, 10.0));
        let json: Value = serde_json::from_str(&serde_json::to_string(&request.result).unwrap()).unwrap();
        assert_eq!(
            keys(&json).join(" "),
            "schema run state simulated seed software started ended rig_s measured_s foreseen_wait_s waited_s \
             outcome method trip hold ambient reference channel_ratio substitution scope witnesses sensors"
        );
        assert!(json["trip"].is_null() && json["ambient"].is_null() && json["ended"].is_null());
        assert_eq!(keys(&json["software"]), ["version", "hash", "validated"]);
        let sensor = &json["sensors"][0];
        assert_eq!(
            keys(sensor).join(" "),
            "serial decision zero_offset_v_before zero_offset_v_after bias_v excitation_v polarity points"
        );
        for point in sensor["points"].as_array().unwrap() {
            assert_eq!(
                keys(point).join(" "),
                "frequency_hz measured_frequency_hz status reason findings target_mps2_peak acceleration_mps2_peak \
                 displacement_m_peak cycles_measured settle_s settled_error_percent n_segments sensitivity sensitivity_unit \
                 sensitivity_mv_per_g phase_deg deviation_percent u_rel_percent u_phase_deg u_deviation_percent \
                 coverage_factor nu_eff decision guard_band_percent conformity_percent accredited phase_accredited \
                 thd_percent thd_harmonic_max snr_db temperature_degc repeats channel_ratio budgets"
            );
        }
    }

    #[test]
    fn is_read_back_as_it_was_written() {
        for request in [fixture::request(), fixture::released(), fixture::long(), fixture::bare()] {
            let text = serde_json::to_string(&request.result).unwrap();
            assert_eq!(serde_json::from_str::<ResultRecord>(&text).unwrap(), request.result);
        }
    }

    #[test]
    fn another_version_is_refused() {
        let text = serde_json::to_string(&fixture::request().result).unwrap();
        let other = text.replace("calwright.result/1", "calwright.result/2");
        assert!(serde_json::from_str::<ResultRecord>(&other).is_err());
    }

    /// The schema must promise what the contract promises: every field there, null where nothing exists.
    #[test]
    fn the_schema_requires_every_field() {
        let schema = crate::record::schema_of::<ResultRecord>();
        let point = &schema.as_value()["$defs"]["PointRecord"];
        let required = point["required"].as_array().unwrap();
        assert_eq!(required.len(), point["properties"].as_object().unwrap().len());
        let phase = &point["properties"]["phase_deg"]["type"];
        assert_eq!(phase, &serde_json::json!(["number", "null"]));
    }
}
