//! What has to be so before the armature may move, and what a person answers for when giving leave.
//!
//! Owns: contact inputs that permit motion ([`Permissive`]) and the lines of the check-list. Must not: read a contact or
//! judge one; the calibration core does.

use super::Rig;
use crate::{written_table, written_words};

written_words! {
    /// State of a contact.
    pub enum ContactState {
        /// It conducts.
        Closed = "closed",
        /// It does not conduct.
        Open = "open",
    }
}

written_words! {
    /// When a permissive is needed.
    pub enum Needed {
        /// Before the first motion of a run.
        Before = "before",
        /// Before the first motion, and as long as there is leave to drive.
        Always = "always",
    }
}

written_table! {
    /// A contact that has to be in one state for the armature to move.
    pub struct Permissive {
        /// What it is called in messages: "guard door", "air supply".
        pub name: String,
        /// Number of the contact input, from 0.
        pub input: u32,
        /// The state that permits. A closed contact also shows a wire that is cut.
        pub state: ContactState = ContactState::Closed,
        /// When it is needed.
        pub when: Needed = Needed::Always,
        /// True for the door of a guard: who opens it makes safe and takes the leave to move away.
        pub guard: bool = false,
    }
}

written_table! {
    /// A line of the check-list that a person answers when giving leave to move.
    pub struct ChecklistEntry {
        /// What has to be so: "transport lock out", "payload secured", "hands clear".
        pub text: String,
    }
}

/// Name of the permissive that the rig's enable input is.
pub const ENABLE: &str = "enable";

impl Rig {
    /// All contacts that permit motion: those of the list, and the enable input, which is needed always.
    #[must_use]
    pub fn permissives_in_force(&self) -> Vec<Permissive> {
        let enable = self.enable_input.map(|input| Permissive {
            name: ENABLE.to_owned(),
            input,
            state: ContactState::Closed,
            when: Needed::Always,
            guard: false,
        });
        self.permissives.iter().cloned().chain(enable).collect()
    }
}
