//! The job: a plan on a rig, with sensors mounted on its channels, for a customer.

use crate::plan::Format;
use crate::units::{Kilograms, Quantity, Torque};
use crate::{written_table, written_words};

written_table! {
    /// A job: which plan is run on which rig, with which sensors mounted where.
    pub struct Job {
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
        /// State of the sensors: before or after an adjustment.
        pub condition: Condition = Condition::AsFound,
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

written_table! {
    /// A sensor on a channel.
    pub struct Mounted {
        /// Serial number in the sensor register.
        pub sensor: String,
        /// Channel of the rig.
        pub channel: String,
        /// How it is fixed.
        pub mounting: Mounting,
        /// Mounting torque, where there is one.
        pub torque: Option<Quantity<Torque>>,
        /// Mass of adapter and fixture of this sensor; write "0 g" where there is none.
        pub adapter_mass: Kilograms,
        /// Anything worth printing.
        pub remark: Option<String>,
    }
}
