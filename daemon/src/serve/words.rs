//! What is said over the desk: persons, jobs in the queue, runs, the state of the rig, and what happens live.
//!
//! Owns the twins that go over the wire; names of fields are those of the records. Must not: decide anything.

mod registers;
mod used;

pub use registers::{Due, RegisteredCalibration, RegisteredReference, RegisteredSensor, Registers};
pub use used::{IssuedCertificate, UsedItem, UsedRole};

use crate::record::UtcTime;
use crate::record::words::{Decision, Outcome};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use utoipa::ToSchema;

/// What a person may do. Each role is given by itself; `admin` includes all.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Look at everything.
    Viewer,
    /// Stop the rig.
    Stopper,
    /// Submit, hold, move, cancel and resume jobs; arm and acknowledge where that is allowed.
    Operator,
    /// Release drafts.
    Approver,
    /// Everything, and the daemon itself.
    Admin,
}

/// How somebody reached the daemon.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Way {
    /// Over the socket of this machine: at the machine, by the customary reading.
    Socket,
    /// Over the network port, loopback included.
    Port,
}

/// Where somebody is who may be nobody known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Whence {
    /// How they came in.
    pub way: Way,
    /// From where, for people: an address, or a user of this machine.
    pub place: String,
}

/// Who asks, and how they came in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Person {
    /// The name that goes into the audit.
    pub name: String,
    /// What this person may do.
    pub roles: BTreeSet<Role>,
    /// How they came in.
    pub way: Way,
}

impl Person {
    /// Whether this person may do what a role may.
    #[must_use]
    pub fn may(&self, role: Role) -> bool {
        self.roles.contains(&role) || self.roles.contains(&Role::Admin)
    }
}

/// A job as it is handed in: texts, never paths, so that it can name neither program nor file of the daemon's machine. The
/// rig is the daemon's own, whatever the job names.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Submission {
    /// What it is called in the queue: the stem of the job's file as a rule.
    pub name: String,
    /// The job's text, TOML.
    pub job: String,
    /// Texts of the files that the job names (plan, sensors, references), by the name by which the job names them.
    pub files: BTreeMap<String, String>,
    /// For dry runs on a simulated rig: the seed.
    #[serde(default)]
    pub seed: Option<u64>,
    /// For simulated rigs only: the text of a faults file.
    #[serde(default)]
    pub faults: Option<String>,
}

/// Where a job of the queue is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// Waits for its turn.
    Waiting,
    /// A person holds it back.
    Held,
    /// It is its turn, but a person has to do something first: remount, arm, acknowledge.
    NeedsPerson,
    /// It runs.
    Running,
    /// It is over.
    Ended,
    /// It was taken out before or while it ran.
    Cancelled,
}

/// A job of the queue.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct QueueEntry {
    /// Number, never used twice.
    pub job: i64,
    /// Its name.
    pub name: String,
    /// Where it is.
    pub stage: Stage,
    /// What it waits for, or why it is held, for people.
    pub waits_for: Option<String>,
    /// Place among those that wait, from 1.
    pub place: Option<u32>,
    /// Who handed it in.
    pub submitted_by: String,
    /// When.
    #[schema(value_type = String, format = DateTime)]
    pub submitted: UtcTime,
    /// Serials of its sensors.
    pub serials: Vec<String>,
    /// How many points it has.
    pub points: u32,
    /// Foreseen time on the rig.
    pub rig_s: f64,
    /// Its runs, oldest first; several where one was resumed.
    pub runs: Vec<String>,
    /// How its last run ended.
    #[schema(value_type = Option<String>)]
    pub outcome: Option<Outcome>,
}

/// A run as lists show it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RunSummary {
    /// Its name.
    pub run: String,
    /// Name of its job.
    pub name: String,
    /// draft, released, amended, or running.
    pub state: String,
    /// True for the simulated rig.
    pub simulated: bool,
    /// When it began.
    #[schema(value_type = String, format = DateTime)]
    pub started: UtcTime,
    /// When it ended; null while it runs or where it was cut off.
    #[schema(value_type = Option<String>, format = DateTime)]
    pub ended: Option<UtcTime>,
    /// How it ended.
    #[schema(value_type = Option<String>)]
    pub outcome: Option<Outcome>,
    /// Reason of a trip.
    pub trip: Option<String>,
    /// Its sensors: serial and decision.
    pub sensors: Vec<SensorSummary>,
    /// Points with a result.
    pub points: u32,
    /// Where it was asked what used something: what of it matches.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub used: Vec<UsedItem>,
    /// Where it was asked what used something: the certificates that were issued, the oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub certificates: Vec<IssuedCertificate>,
}

/// A sensor of a run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SensorSummary {
    /// Serial.
    pub serial: String,
    /// Its decision, null before the end.
    #[schema(value_type = Option<String>)]
    pub decision: Option<Decision>,
}

/// Which runs are wanted; newest first.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct RunFilter {
    /// Runs with a sensor of this serial.
    pub serial: Option<String>,
    /// Runs in this state.
    pub state: Option<String>,
    /// Runs that were measured with this: the serial of a reference, conditioner or check standard, or the name of a channel,
    /// fixture or ambient sensor in the rig file. Each run then says what matches, and which certificates were issued.
    pub used: Option<String>,
    /// With `used`: only where it had this role.
    #[param(inline)]
    pub role: Option<UsedRole>,
    /// With `used`: only with this version of its calibration, as runs say it.
    pub calibration: Option<String>,
    /// Runs that began on this day (UTC) or later, such as 2000-01-31.
    #[param(value_type = Option<String>, format = Date)]
    pub since: Option<String>,
    /// Runs that began on this day (UTC) or earlier.
    #[param(value_type = Option<String>, format = Date)]
    pub until: Option<String>,
    /// Runs that came before this one in the list.
    pub after: Option<String>,
    /// At most so many, 50 unless said, 500 at most.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u32>,
}

/// One calibration of a sensor at one frequency, for its history.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HistoryPoint {
    /// The run.
    pub run: String,
    /// When it began.
    #[schema(value_type = String, format = DateTime)]
    pub started: UtcTime,
    /// Frequency.
    pub frequency_hz: f64,
    /// Sensitivity in SI.
    pub sensitivity: f64,
    /// Its unit.
    pub sensitivity_unit: String,
    /// Expanded uncertainty.
    pub u_rel_percent: Option<f64>,
    /// Version of the calibration of the reference it rests on.
    pub reference: String,
    /// True for the simulated rig: shown as such, never taken as history.
    pub simulated: bool,
}

/// State of the rig as a person needs it at a glance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RigState {
    /// Name of the rig.
    pub rig: String,
    /// True where it is simulated.
    pub simulated: bool,
    /// Clear, tripped or may be moving.
    pub latch: LatchState,
    /// Reason of the trip, a word.
    pub trip: Option<String>,
    /// What happened, for people.
    pub message: Option<String>,
    /// Who gave leave to move, null without leave.
    pub leave_by: Option<String>,
    /// Until when.
    #[schema(value_type = Option<String>, format = DateTime)]
    pub leave_until: Option<UtcTime>,
    /// Why there is no leave.
    pub leave_missing: Option<String>,
    /// The queue is held, and why.
    pub queue_held: Option<String>,
    /// The check-list that `arm` asks, line by line.
    pub checklist: Vec<String>,
    /// Remarks: not validated, disk nearly full, and the like.
    pub warnings: Vec<String>,
    /// The run that goes on.
    pub running: Option<String>,
    /// What that run waits for a person to do.
    pub asks: Option<String>,
    /// No job begins any more before the daemon's next start.
    pub draining: bool,
}

/// How a stop went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Stopped {
    /// True where nothing moves, as far as this daemon can tell. Where it is false, use the emergency stop.
    pub at_rest: bool,
    /// In words, for people.
    pub message: String,
}

/// What the latch says.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LatchState {
    /// A run may begin.
    Clear,
    /// A person has to acknowledge.
    Tripped,
    /// A run goes on, or was cut off.
    MayBeMoving,
}

/// The moment of a run, several times a second: what the page shows large.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Moment {
    /// The run.
    pub run: String,
    /// soak, quiet, first_motion, settle, dwell, paused, closing, stopping.
    pub phase: String,
    /// What a pause waits for, for people; null while there is none.
    pub waits_for: Option<String>,
    /// Number of the point, from 1.
    pub point: Option<u32>,
    /// Of how many.
    pub points: u32,
    /// Frequency.
    pub frequency_hz: Option<f64>,
    /// Wanted amplitude.
    pub target_mps2_peak: Option<f64>,
    /// Amplitude that the reference shows.
    pub acceleration_mps2_peak: Option<f64>,
    /// Stroke as the monitor judges it, bounds included.
    pub displacement_m_peak: Option<f64>,
    /// Its ceiling at this point.
    pub displacement_ceiling_m_peak: Option<f64>,
    /// Drive.
    pub drive_v_peak: Option<f64>,
    /// Its ceiling at this point.
    pub drive_ceiling_v_peak: Option<f64>,
    /// Time since the run began, on the rig's clock.
    pub elapsed_s: f64,
    /// Time that the rest will take.
    pub remaining_s: f64,
    /// Temperature.
    pub temperature_degc: Option<f64>,
    /// Relative humidity.
    pub humidity_percent: Option<f64>,
}

/// A point that has just ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct PointNews {
    /// The run.
    pub run: String,
    /// Number of the point, from 1.
    pub point: u32,
    /// How many points of the run have a measurement by now, those that a resumed run took over included. A point that is
    /// repeated is told of each time, and counts once.
    pub done: u32,
    /// Frequency.
    pub frequency_hz: f64,
    /// For each sensor, provisional: the certificate's numbers are derived at the end.
    pub sensors: Vec<SensorNews>,
}

/// A sensor at a point that has just ended.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SensorNews {
    /// Serial.
    pub serial: String,
    /// Deviation from the nominal sensitivity, where there is one.
    pub deviation_percent: Option<f64>,
    /// Phase.
    pub phase_deg: Option<f64>,
    /// Accepted or rejected.
    pub accepted: bool,
    /// Words of the findings.
    pub findings: Vec<String>,
}

/// Something that happened. Numbers rise by one; the last thousands are kept, so that a viewer can go on where it was cut off.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct News {
    /// Number.
    pub id: u64,
    /// What.
    #[serde(flatten)]
    pub what: Happening,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", content = "body", rename_all = "snake_case")]
pub enum Happening {
    /// The moment of a run; lost ones are not sent again.
    Moment(Moment),
    /// A point ended.
    Point(PointNews),
    /// The rig's state changed: trip, leave, hold.
    Rig(RigState),
    /// The queue changed; it is to be fetched again.
    Queue,
    /// A run began.
    Began(String),
    /// A run ended.
    Ended(RunSummary),
}

impl Happening {
    /// Its word.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Moment(_) => "moment",
            Self::Point(_) => "point",
            Self::Rig(_) => "rig",
            Self::Queue => "queue",
            Self::Began(_) => "began",
            Self::Ended(_) => "ended",
        }
    }
}

/// What arming needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Arming {
    /// For how many hours.
    pub hours: Option<f64>,
    /// Lines of the check-list that were looked at and found so.
    pub confirmed: Vec<String>,
}

/// What acknowledging needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Acknowledging {
    /// What was found and done.
    pub reason: String,
    /// After an instrument could not be made safe: the power was cut by hand, and the cause is found.
    #[serde(default)]
    pub made_safe_by_hand: bool,
}

/// What putting another rig file or template in force needs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Reloading {
    /// Why it was changed.
    pub reason: String,
    /// Only show what would change.
    #[serde(default)]
    pub only_show: bool,
}

/// What was put in force, or would be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Reloaded {
    /// True where it is in force now.
    pub in_force: bool,
    /// What differs from what was in force before; empty where nothing does.
    pub changes: Vec<Change>,
}

/// A file that differs from what is in force.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Change {
    /// rig or template.
    pub kind: String,
    /// The file.
    pub file: String,
    /// Lines that went, after '-', and lines that came, after '+', each with its number.
    pub difference: Vec<String>,
}

/// What draining needs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Draining {
    /// Why.
    pub reason: String,
    /// End the daemon when nothing runs any more; else it stays, and takes nothing.
    #[serde(default)]
    pub end: bool,
}

/// An entry of the audit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AuditEntry {
    /// Number.
    pub id: i64,
    /// When.
    #[schema(value_type = String, format = DateTime)]
    pub at: UtcTime,
    /// Who; null for the daemon itself, and for a stop that nobody put a name to, whose words say where it came from.
    pub who: Option<String>,
    /// How they came in; null for the daemon itself.
    pub way: Option<Way>,
    /// What was done, a word: submit, cancel, move, hold, unhold, stop, arm, acknowledge, resume, approve, reload, drain, and
    /// `clock` where the daemon found the machine's clock set.
    pub what: String,
    /// To what, and with which words.
    pub detail: String,
}
