//! `truth.json`: what the simulator knows and a real rig never tells. Dry runs only.
//!
//! Owns the shape of that file. Must not be read by anything that computes a result: checks compare with it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::words::{FaultKind, SensitivityUnit};

/// Name and version of the format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum TruthSchema {
    /// The first version.
    #[serde(rename = "calwright.truth/1")]
    V1,
}

/// The whole of `truth.json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TruthRecord {
    /// Name and version of the format.
    pub schema: TruthSchema,
    /// The run that this belongs to.
    pub run: String,
    /// Largest instantaneous displacement of the armature from its mechanical centre, in metres.
    pub displacement_m_peak_max: f64,
    /// The same for each point of the plan, in its order: from when the point began until the next did; zero for a point
    /// that was not begun.
    pub displacement_by_point_m_peak_max: Vec<f64>,
    /// How often the armature touched a stop.
    pub stop_hits: u64,
    /// Faults that struck, in the order of time.
    pub faults_struck: Vec<FaultStruck>,
    /// True values of each sensor, in the order of `result.json`.
    pub sensors: Vec<TrueSensor>,
}

/// A fault of the script that took effect.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FaultStruck {
    /// What happened.
    pub kind: FaultKind,
    /// When, in seconds of simulated time since the start of the run.
    pub at_s: f64,
    /// Whether the armature was moving then.
    pub moving: bool,
}

/// One simulated sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TrueSensor {
    /// Serial number, as in `result.json`.
    pub serial: String,
    /// True values, one for each point of the plan.
    pub points: Vec<TruePoint>,
}

/// The simulator's true response at one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TruePoint {
    /// Frequency of the plan.
    pub frequency_hz: f64,
    /// True magnitude of the sensitivity, in `sensitivity_unit`.
    pub sensitivity: f64,
    /// SI unit of `sensitivity`.
    pub sensitivity_unit: SensitivityUnit,
    /// True phase, in the convention of `result.json`.
    pub phase_deg: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn is_written_as_the_contract_says_and_read_back() {
        let truth = TruthRecord {
            schema: TruthSchema::V1,
            run: "R1".into(),
            displacement_m_peak_max: 0.00412,
            displacement_by_point_m_peak_max: vec![0.00412],
            stop_hits: 0,
            faults_struck: vec![FaultStruck { kind: FaultKind::SourceHoldsLast, at_s: 12.5, moving: true }],
            sensors: vec![TrueSensor {
                serial: "S1".into(),
                points: vec![TruePoint {
                    frequency_hz: 16.0,
                    sensitivity: 0.0102,
                    sensitivity_unit: SensitivityUnit::VoltPerMps2,
                    phase_deg: -0.4,
                }],
            }],
        };
        let text = serde_json::to_string(&truth).unwrap();
        assert_eq!(serde_json::from_str::<TruthRecord>(&text).unwrap(), truth);
        assert_eq!(
            text,
            concat!(
                r#"{"schema":"calwright.truth/1","run":"R1","displacement_m_peak_max":0.00412,"displacement_by_point_m_peak_max":[0.00412],"stop_hits":0,"#,
                r#""faults_struck":[{"kind":"source_holds_last","at_s":12.5,"moving":true}],"#,
                r#""sensors":[{"serial":"S1","points":[{"frequency_hz":16.0,"sensitivity":0.0102,"#,
                r#""sensitivity_unit":"V/(m/s²)","phase_deg":-0.4}]}]}"#
            )
        );
    }
}
