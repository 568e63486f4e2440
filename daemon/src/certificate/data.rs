//! What a certificate is made from: one request for one sensor.
//!
//! Owns the shape of a request, which crosses a process boundary as JSON, and the check that it is complete.
//! Must not: render, read registers, or look for a file. The daemon fills a request from `run.json` and
//! `result.json`; nothing in it is computed anew.

use std::path::{Path, PathBuf};

use plan_schema::{job, plan, registers};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::messages::Language;
pub use super::problem::RequestProblem;
use crate::record::result::{PointRecord, ScopeRecord, SensorRecord};
use crate::record::words::{PointStatus, State, vocabulary};
use crate::record::{ResultRecord, UtcTime};

/// Name and version of the request's format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum RequestSchema {
    /// The first version.
    #[serde(rename = "calwright.certificate-request/1")]
    V1,
}

/// In front of the numbers of rehearsals: certificates of simulated results.
pub const SIMULATED: &str = "SIMULATED-";

/// Everything that one certificate says, and how it shall look.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CertificateRequest {
    /// Name and version of the format.
    pub schema: RequestSchema,
    /// The language it is written in.
    pub language: Language,
    /// Number of the certificate; null for a draft.
    pub number: Option<String>,
    /// Number of the certificate that this one replaces.
    pub replaces: Option<String>,
    /// Date of issue.
    pub issued: Option<UtcTime>,
    /// Whether the budgets behind the uncertainties are printed as an annex.
    pub with_budgets: bool,
    /// Folder of font files beyond the embedded ones, for letters that those don't have.
    pub fonts_path: Option<PathBuf>,
    /// A Typst file to use instead of the built-in template. It can read what lies in its own folder, no more.
    pub template_path: Option<PathBuf>,
    /// Who calibrated.
    pub laboratory: Laboratory,
    /// For whom.
    pub customer: Option<Customer>,
    /// The customer's order.
    pub order: Option<String>,
    /// Day on which the item came in, as text.
    pub received: Option<String>,
    /// The sensor under test. Its serial number says which sensor of `result` is shown.
    pub item: Item,
    /// How it was mounted.
    pub mounting: Option<MountingSheet>,
    /// The reference transducer.
    pub reference: Reference,
    /// What else lies between motion and numbers: conditioners, channels, acquisition, the instrument of ambient conditions.
    pub equipment: Vec<Equipment>,
    /// The method in the laboratory's own words; null for the built-in paragraph.
    pub method_text: Option<String>,
    /// How points were judged.
    pub judgement: Judgement,
    /// Who did the work.
    pub operator: Option<String>,
    /// Who authorised the certificate; null until someone did.
    pub authorised_by: Option<String>,
    /// Why an earlier certificate is replaced; null for a first one.
    pub amendment: Option<String>,
    /// Remarks to print: deviations from the method, limits of use, the customer's own statements.
    pub remarks: Vec<String>,
    /// What the item showed before it was adjusted, where such a run is named.
    pub as_found: Option<AsFound>,
    /// The run's results. Other sensors of the same run may be in it; they are not shown.
    pub result: ResultRecord,
}

/// An earlier run of the same item, before it was adjusted.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AsFound {
    /// Name of the run.
    pub run: String,
    /// When it started.
    pub started: UtcTime,
    /// Number of its certificate, where it has one.
    pub certificate: Option<String>,
    /// What it showed.
    pub sensor: SensorRecord,
}

/// The laboratory as it stands in the letterhead.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Laboratory {
    /// Name.
    pub name: String,
    /// Address, one line after the other. Nothing is released without one.
    #[serde(default)]
    pub address: Vec<String>,
    /// Country, two capital letters of ISO 3166-1.
    #[serde(default)]
    pub country: Option<String>,
    /// Telephone, mail, web, as text.
    pub contact: Option<String>,
    /// Where the work was done, if elsewhere than at the address.
    pub place_of_work: Option<String>,
    /// Picture of the laboratory's mark for the head of certificates, an SVG or a PNG.
    #[serde(default)]
    pub mark: Option<PathBuf>,
}

/// The customer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Customer {
    /// Name.
    pub name: String,
    /// Address, one line after the other.
    pub address: Vec<String>,
}

/// The item calibrated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Item {
    /// Make.
    pub make: String,
    /// Model.
    pub model: String,
    /// Serial number, as in the result.
    pub serial: String,
    /// Working principle.
    pub kind: SensorKind,
    /// Nominal sensitivity, in the SI unit that the result's points name.
    pub nominal_sensitivity: Option<f64>,
    /// Nominal sensitivity in the SI unit of what leaves the item, where that is no voltage.
    pub nominal_own: Option<f64>,
    /// What leaves the item where that is no voltage; null where it is one.
    pub own: Option<OwnOutput>,
    /// Supply or excitation in V as the register states it.
    pub supply_nominal_v: Option<f64>,
    /// State when calibrated.
    pub condition: Condition,
}

/// How the item was mounted. Quantities are text with their unit, as the job states them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MountingSheet {
    /// How it was fixed.
    pub how: Mounting,
    /// Mounting torque.
    pub torque: Option<String>,
    /// Serial number of the wrench that the torque was set with.
    pub torque_wrench: Option<String>,
    /// Fixture that it stood on.
    pub fixture: Option<String>,
    /// Place on the table or on the fixture.
    pub position: Option<String>,
    /// Which way its arrow pointed.
    pub arrow: Arrow,
    /// Serial number of the adapter.
    pub adapter: Option<String>,
    /// Mass of adapter and fixture.
    pub adapter_mass: Option<String>,
    /// Length of cable to where it was first tied down.
    pub cable_tied_at: Option<String>,
    /// Anything worth printing.
    pub remark: Option<String>,
}

/// The reference transducer and its calibration: where the traceability comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Reference {
    /// Make.
    pub make: String,
    /// Model.
    pub model: String,
    /// Serial number, as in the result.
    pub serial: String,
    /// Number of its calibration certificate.
    pub certificate: String,
    /// The laboratory that calibrated it.
    pub laboratory: String,
    /// Number of that laboratory's accreditation.
    pub accreditation: Option<String>,
    /// When it was calibrated, as text.
    pub calibrated: Option<String>,
    /// When its next calibration is due, as text.
    pub due: Option<String>,
}

/// What leaves an item whose output is no voltage, and what made volts of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct OwnOutput {
    /// What leaves it.
    pub kind: OwnKind,
    /// Volts for one SI unit of it (C, V/V, A).
    pub volts: f64,
}

vocabulary! {
    /// What leaves an item whose output is no voltage.
    OwnKind {
        /// A charge.
        Charge = "charge",
        /// A share of the excitation.
        Ratio = "ratio",
        /// A current.
        Current = "current",
    }
}

/// An instrument that lies between motion and numbers. Quantities are text with their unit, as the rig file states them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Equipment {
    /// What it does.
    pub role: EquipmentRole,
    /// Its name in the rig file.
    pub name: Option<String>,
    /// Its serial number.
    pub serial: Option<String>,
    /// Its gain.
    pub gain: Option<String>,
    /// Expanded uncertainty (k = 2) of that gain.
    pub u: Option<String>,
    /// Number of its calibration certificate.
    #[serde(default)]
    pub certificate: Option<String>,
    /// When it is due for calibration.
    pub due: Option<String>,
    /// The day on which its gain was set by hand, and who set it.
    pub set: Option<(String, String)>,
}

vocabulary! {
    /// What an instrument does.
    EquipmentRole {
        /// Conditioner of the item.
        ItemConditioner = "item_conditioner",
        /// Conditioner of the reference.
        ReferenceConditioner = "reference_conditioner",
        /// Channel of the item.
        ItemChannel = "item_channel",
        /// Channel of the reference.
        ReferenceChannel = "reference_channel",
        /// The acquisition.
        Acquisition = "acquisition",
        /// What measures ambient conditions.
        Ambient = "ambient",
    }
}

/// How points were judged.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Judgement {
    /// The rule; null when nothing was judged.
    pub rule: Option<Rule>,
    /// Rule and risk of each point of the result, in its order, where bands of the plan have rules of their own; else empty.
    pub by_point: Vec<JudgedPoint>,
    /// Largest probability of a wrong pass, for a chosen risk.
    pub risk_percent: Option<f64>,
    /// The rule in the laboratory's own words; null for the built-in sentence.
    pub rule_text: Option<String>,
    /// What a deviation refers to.
    pub deviation_from: DeviationFrom,
    /// Reference frequency, where deviations refer to the value there.
    pub reference_frequency_hz: Option<f64>,
    /// Tolerance (±) of each point of the result, in its order; null for a point without. May be empty.
    pub tolerance_percent: Vec<Option<f64>>,
}

/// How one point was judged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct JudgedPoint {
    /// The rule.
    pub rule: Rule,
    /// Largest probability of a wrong pass, for a chosen risk.
    pub risk_percent: Option<f64>,
}

/// Declares a vocabulary that the plan's formats have too, and the way from there to here.
macro_rules! mirrored {
    ($(#[$about:meta])* $name:ident from $source:ty { $($(#[$what:meta])* $variant:ident = $word:literal,)+ }) => {
        vocabulary! { $(#[$about])* $name { $($(#[$what])* $variant = $word,)+ } }

        impl From<$source> for $name {
            fn from(written: $source) -> Self {
                match written { $(<$source>::$variant => Self::$variant,)+ }
            }
        }
    };
}

mirrored! {
    /// Working principle of the item.
    SensorKind from registers::SensorKind {
        /// Capacitive MEMS with DC response.
        DcMems = "dc_mems",
        /// Piezoresistive bridge.
        Piezoresistive = "piezoresistive",
        /// Piezoelectric with built-in electronics on a constant current.
        Iepe = "iepe",
        /// Piezoelectric with charge output.
        Charge = "charge",
        /// Servo accelerometer.
        Servo = "servo",
    }
}

mirrored! {
    /// State of the item when it was calibrated.
    Condition from job::Condition {
        /// Before any adjustment.
        AsFound = "as_found",
        /// After adjustment or repair.
        AsLeft = "as_left",
    }
}

mirrored! {
    /// How the item was fixed.
    Mounting from job::Mounting {
        /// Threaded stud.
        Stud = "stud",
        /// Screws through the housing.
        Screws = "screws",
        /// Adhesive.
        Adhesive = "adhesive",
        /// Magnet.
        Magnet = "magnet",
    }
}

mirrored! {
    /// Which way the item's arrow pointed.
    Arrow from job::Arrow {
        /// Along the motion that the reference counts as positive.
        WithMotion = "with_motion",
        /// Against it.
        AgainstMotion = "against_motion",
    }
}

mirrored! {
    /// Decision rule.
    Rule from plan::Rule {
        /// Accept within the tolerance.
        SimpleAcceptance = "simple_acceptance",
        /// Accept within the tolerance less the expanded uncertainty.
        GuardBand = "guard_band",
        /// Accept within the tolerance less a guard band that keeps to a chosen risk.
        ChosenRisk = "chosen_risk",
    }
}

mirrored! {
    /// What a deviation refers to.
    DeviationFrom from plan::DeviationFrom {
        /// The nominal sensitivity.
        Nominal = "nominal",
        /// The sensitivity at the reference frequency.
        ReferenceFrequency = "reference_frequency",
    }
}

impl CertificateRequest {
    /// The accreditation that some result of this certificate falls under; `None` where none does, or where it is not in force.
    #[must_use]
    pub fn accreditation(&self) -> Option<&ScopeRecord> {
        let counts = |p: &PointRecord| p.status == PointStatus::Accepted && p.accredited == Some(true);
        let any = self.result.sensor(&self.item.serial).is_some_and(|s| s.points.iter().any(counts));
        self.result.scope.as_ref().filter(|scope| scope.in_force && any)
    }

    /// The sensor to show, once the request is known to be complete and without contradiction.
    ///
    /// # Errors
    /// The first thing that keeps a certificate from being made.
    pub fn checked_sensor(&self) -> Result<&SensorRecord, RequestProblem> {
        let serial = self.item.serial.as_str();
        if serial.trim().is_empty() {
            return Err(RequestProblem::NoSerial);
        }
        let sensor =
            self.result.sensor(serial).ok_or_else(|| RequestProblem::SensorMissing(serial.to_owned()))?;
        if self.result.reference.serial != self.reference.serial {
            let theirs = self.result.reference.serial.clone();
            return Err(RequestProblem::OtherReference(theirs, self.reference.serial.clone()));
        }
        let tolerances = self.judgement.tolerance_percent.len();
        if tolerances != 0 && tolerances != sensor.points.len() {
            return Err(RequestProblem::Tolerances(tolerances, sensor.points.len()));
        }
        match (self.result.state, &self.number) {
            (State::Draft, _) => Ok(sensor),
            (State::Released | State::Amended, None) => Err(RequestProblem::NoNumber),
            (State::Released | State::Amended, Some(number)) => {
                let marked = number.starts_with(SIMULATED);
                if marked == self.result.simulated {
                    Ok(sensor)
                } else {
                    Err(RequestProblem::SimulatedRelease)
                }
            }
        }
    }

    /// Name of the file in the run directory: `certificate-SERIAL.pdf`.
    #[must_use]
    pub fn file_name(&self) -> String {
        file_name(&self.item.serial, "pdf")
    }
}

/// Where a template finds the laboratory's mark: under the ending of its own file.
#[must_use]
pub fn mark_file(path: &Path) -> String {
    let svg = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("svg"));
    format!("/calwright/mark.{}", if svg { "svg" } else { "png" })
}

/// Name of a certificate's file, `certificate-SERIAL.EXTENSION`.
///
/// Whatever is no letter, digit, dot, underscore or hyphen of ASCII becomes an underscore: a serial number is
/// free text, and must not be able to point elsewhere.
#[must_use]
pub fn file_name(serial: &str, extension: &str) -> String {
    let safe: String = serial
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-') { c } else { '_' })
        .collect();
    format!("certificate-{safe}.{extension}")
}

#[cfg(test)]
mod tests {
    use super::super::fixture;
    use super::*;

    fn problem(change: impl FnOnce(&mut CertificateRequest)) -> RequestProblem {
        let mut request = fixture::released();
        assert!(request.checked_sensor().is_ok());
        change(&mut request);
        request.checked_sensor().map(|sensor| sensor.serial.clone()).unwrap_err()
    }

    #[test]
    fn contradictions_are_found() {
        assert_eq!(problem(|r| r.item.serial = " ".into()), RequestProblem::NoSerial);
        assert_eq!(problem(|r| r.item.serial = "X".into()), RequestProblem::SensorMissing("X".into()));
        assert_eq!(problem(|r| r.number = None), RequestProblem::NoNumber);
        assert_eq!(problem(|r| r.result.simulated = true), RequestProblem::SimulatedRelease);
        assert_eq!(
            problem(|r| r.reference.serial = "Y".into()),
            RequestProblem::OtherReference("INV-R-003".into(), "Y".into())
        );
        assert_eq!(problem(|r| r.judgement.tolerance_percent.truncate(3)), RequestProblem::Tolerances(3, 12));
    }

    #[test]
    fn a_serial_number_cannot_point_elsewhere() {
        assert_eq!(file_name("../../etc/pass wd", "pdf"), "certificate-.._.._etc_pass_wd.pdf");
        assert_eq!(file_name("A-12.b_3", "xml"), "certificate-A-12.b_3.xml");
    }

    #[test]
    fn a_request_survives_the_way_to_the_child() {
        let request = fixture::long();
        let text = serde_json::to_string(&request).unwrap();
        assert_eq!(serde_json::from_str::<CertificateRequest>(&text).unwrap(), request);
    }
}
