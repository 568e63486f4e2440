//! Places on the table and on fixtures: how far off the axis of motion lies what stands there.

use crate::units::{Metres, Radians};
use crate::written_table;

written_table! {
    /// A place on the table or on a fixture.
    pub struct Place {
        /// Its name, as jobs write it under `position`.
        pub position: String,
        /// Distance from the axis of motion to the centre of mass of what stands there.
        pub offset: Metres,
        /// Direction of that distance about the axis, from any line that the whole rig file keeps to; absent: not known, and
        /// what stands there is balanced by nothing.
        pub direction: Option<Radians>,
    }
}
