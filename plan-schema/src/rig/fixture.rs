//! Fixtures: what sensors stand on that does not move quite as the reference does.

use super::place::Place;
use crate::units::{Fraction, Hertz, Kilograms, Metres, Radians};
use crate::written_table;

written_table! {
    /// A fixture between table and sensors, with its measured motion.
    pub struct Fixture {
        /// Name by which jobs refer to it.
        pub name: String,
        /// Number of the certificate or the report of the measurement of its motion.
        pub certificate: Option<String>,
        /// Its mass; it counts once, however many sensors stand on it.
        pub mass: Kilograms,
        /// Distance from the axis of motion to its own centre of mass.
        pub offset: Option<Metres>,
        /// Direction of that distance about the axis, as of a place.
        pub direction: Option<Radians>,
        /// Its places, and how far off the axis of motion lies what stands there.
        pub places key "place": Vec<Place> = Vec::new(),
        /// Motion at each of its positions, by frequency.
        pub points key "point": Vec<FixturePoint>,
    }
}

written_table! {
    /// Measured motion of a fixture at one position and frequency.
    pub struct FixturePoint {
        /// Position, as jobs name it.
        pub position: String,
        /// Frequency; those of one position ascend.
        pub frequency: Hertz,
        /// Motion at the position over the motion of the reference.
        pub ratio: Fraction,
        /// Expanded uncertainty (k = 2) of that ratio.
        pub u: Fraction,
    }
}

impl Fixture {
    /// What is measured at one position.
    pub fn at<'a>(&'a self, position: &'a str) -> impl Iterator<Item = &'a FixturePoint> + 'a {
        self.points.iter().filter(move |p| p.position == position)
    }
}
