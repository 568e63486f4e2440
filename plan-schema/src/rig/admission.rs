//! What admits points that could end at a mechanical stop: a limiter, or a person who takes that on.

use crate::{written_table, written_words};

written_words! {
    /// How a limiter works.
    pub enum LimiterKind {
        /// It catches the armature: buffers that take its energy.
        Mechanical = "mechanical",
        /// It cuts the drive without this program: a circuit that watches the stroke.
        Hardware = "hardware",
    }
}

written_table! {
    /// What keeps the armature off its stops whatever the drive.
    pub struct Limiter {
        /// What it is called.
        pub name: String,
        /// How it works.
        pub kind: LimiterKind,
        /// What else is to be known of it.
        pub remark: Option<String>,
    }
}

written_table! {
    /// A person takes on the hazards of a rig.
    pub struct Waiver {
        /// Name of the person.
        pub name: String,
        /// Why that can be answered for.
        pub reason: String,
    }
}
