//! The job: a plan on a rig, with sensors mounted on its channels, for a customer.

use crate::plan::Format;
use crate::registers::Date;
use crate::units::{Kilograms, Metres, Quantity, Seconds, Torque};
use crate::{written_table, written_words};

written_table! {
    /// A job: which plan is run on which rig, with which sensors mounted where.
    pub struct Job file "job" {
        /// Format of the file; 1.
        pub format: Format,
        /// Path of the plan, relative to this file.
        pub plan: String,
        /// Path of the rig, relative to this file.
        pub rig: String,
        /// Path of the sensor register, relative to this file.
        pub sensors: String,
        /// Path of the register of references, relative to this file.
        pub references: String,
        /// Who does the work.
        pub operator: String,
        /// For whom.
        pub customer: Option<Customer>,
        /// Order or request number.
        pub order: Option<String>,
        /// Day on which the sensors came in.
        pub received: Option<Date>,
        /// State of the sensors: before or after an adjustment.
        pub condition: Condition = Condition::AsFound,
        /// How long the sensors have been mounted and switched on already when the job is handed in; what is left of their
        /// soak time is waited for.
        pub soaked: Seconds = Seconds::ZERO,
        /// The sensors and where they sit.
        pub mounted: Vec<Mounted>,
    }
}

written_table! {
    /// A customer.
    pub struct Customer {
        /// Name as printed on the certificate.
        pub name: String,
        /// Address, one line after the other.
        pub address: Vec<String> = Vec::new(),
    }
}

written_words! {
    /// State of a sensor when it is calibrated.
    pub enum Condition {
        /// As it came, before any adjustment.
        AsFound = "as_found",
        /// After adjustment or repair.
        AsLeft = "as_left",
    }
}

written_words! {
    /// How a sensor is fixed to the armature.
    pub enum Mounting {
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

written_words! {
    /// Which way a sensor's arrow points.
    pub enum Arrow {
        /// Along the motion that the reference counts as positive.
        WithMotion = "with_motion",
        /// Against it: the sensor stands on its head, or back to back with the reference.
        AgainstMotion = "against_motion",
    }
}

written_words! {
    /// What a sensor is mounted for.
    pub enum MountedRole {
        /// It is to be calibrated.
        Sensor = "sensor",
        /// It is well known and stays in the laboratory: it shows with every job whether the rig still measures right, and
        /// gets no certificate.
        CheckStandard = "check standard",
    }
}

written_table! {
    /// A sensor on a channel.
    pub struct Mounted {
        /// Serial number in the sensor register.
        pub sensor: String,
        /// What it is mounted for.
        pub role: MountedRole = MountedRole::Sensor,
        /// Channel of the rig.
        pub channel: String,
        /// Channel of the rig that reads this sensor's supply voltage; absent where none does.
        pub supply_channel: Option<String>,
        /// Fixture of the rig that it stands on; absent: on the table itself.
        pub fixture: Option<String>,
        /// Place on the table or on the fixture: of a fixture one of those at which its motion was measured.
        pub position: Option<String>,
        /// Which way its arrow points; the phase that is stated is that along the arrow.
        pub arrow: Arrow = Arrow::WithMotion,
        /// How it is fixed.
        pub mounting: Mounting,
        /// Mounting torque, where there is one.
        pub torque: Option<Quantity<Torque>>,
        /// Serial number of the wrench that the torque was set with.
        pub torque_wrench: Option<String>,
        /// Serial number of the adapter under the sensor, where there is one.
        pub adapter: Option<String>,
        /// Mass of the adapter of this sensor; write "0 g" where there is none.
        pub adapter_mass: Kilograms,
        /// Length of cable from the sensor to where it is first tied down.
        pub cable_tied_at: Option<Metres>,
        /// Anything worth printing.
        pub remark: Option<String>,
    }
}
