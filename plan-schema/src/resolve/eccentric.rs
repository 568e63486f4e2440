//! What stands beside the axis of motion: the moment that its weight and its acceleration make about the middle of the table.
//!
//! Owns: the sum of mass times distance over everything on the table. Must not: know what a shaker bears of it; the calibration
//! core compares. Masses whose direction is known may balance each other, the others count in full.

use super::found::{Found, FoundSensor};
use super::{ResolvedJob, list};
use crate::job::Mounted;
use crate::rig::{Fixture, Place, Rig};
use crate::units::{AccelDc, Kilograms, Metres, Quantity, Radians, Torque};

/// What stands on the table, and where its centre of mass lies.
struct Beside {
    mass: Kilograms,
    offset: Metres,
    direction: Option<Radians>,
}

/// Mass times distance from the axis, of everything together: at most so much. `None` where the place of anything is not known.
fn eccentricity(beside: impl Iterator<Item = Option<Beside>>) -> Option<f64> {
    let (mut known, mut others) = ((0.0, 0.0), 0.0);
    for one in beside {
        let one = one?;
        let size = one.mass.si() * one.offset.si();
        match one.direction {
            Some(direction) => {
                let (sin, cos) = direction.si().sin_cos();
                known = (known.0 + size * cos, known.1 + size * sin);
            }
            None => others += size,
        }
    }
    Some(known.0.hypot(known.1) + others)
}

/// Where something stands; `None` where no table of places says.
fn place<'a>(rig: &'a Rig, mounted: &Mounted) -> Option<&'a Place> {
    let position = mounted.position.as_deref();
    places(rig, mounted).iter().find(|p| Some(p.position.as_str()) == position)
}

/// The places among which one is named: those of the fixture, or those of the table.
fn places<'a>(rig: &'a Rig, mounted: &Mounted) -> &'a [Place] {
    match &mounted.fixture {
        Some(name) => rig.fixtures.iter().find(|f| &f.name == name).map_or(&[], |f| &f.places),
        None => &rig.places,
    }
}

fn of_fixture(fixture: &Fixture) -> Option<Beside> {
    Some(Beside { mass: fixture.mass, offset: fixture.offset?, direction: fixture.direction })
}

impl ResolvedJob {
    /// Moment of the payload about the middle of the table at an acceleration along the axis; `None` where the place of
    /// anything on it is not known.
    ///
    /// `M = |Σ m r| (a + g)`: the weight counts however the axis lies. Upright, gravity acts along the axis and adds to the
    /// acceleration; level, it acts across and turns the table about the axis, so that the sum is on the safe side
    /// (elementary).
    #[must_use]
    pub fn eccentric_moment(&self, acceleration: AccelDc) -> Option<Quantity<Torque>> {
        let rig = &self.rig;
        let on_place = self.mounted().map(|s| {
            let place = place(rig, &s.mounted)?;
            let mass = s.sensor.mass + s.mounted.adapter_mass;
            Some(Beside { mass, offset: place.offset, direction: place.direction })
        });
        let used = |f: &&Fixture| self.mounted().any(|s| s.mounted.fixture.as_ref() == Some(&f.name));
        let eccentricity = eccentricity(on_place.chain(rig.fixtures.iter().filter(used).map(of_fixture)))?;
        Some(Quantity::new(eccentricity * acceleration.si()))
    }
}

impl Found<'_> {
    /// Where the shaker states how much it bears, the place of everything has to be known.
    pub(super) fn eccentric(&mut self, sensors: &[FoundSensor]) {
        let (job, document) = (&self.files.job, &self.files.rig);
        let rig = &document.value;
        let stated = rig.shaker.eccentric_moment_limit.is_some();
        for sensor in sensors {
            let (mounted, there) = (&sensor.mounted, places(rig, &sensor.mounted));
            if place(rig, mounted).is_some() || (!stated && (there.is_empty() || mounted.position.is_none()))
            {
                continue;
            }
            let on = mounted.fixture.as_ref().map_or("the table".to_owned(), |f| format!("fixture '{f}'"));
            let names = list(there.iter().map(|p| p.position.as_str()));
            let (key, message) = match &mounted.position {
                Some(position) => (
                    "position",
                    format!("nothing says how far '{position}' on {on} lies off the axis of motion"),
                ),
                None => ("sensor", format!("nothing says where on {on} sensor '{}' stands", mounted.sensor)),
            };
            let file = &document.source.name;
            let remedy = if there.is_empty() && mounted.fixture.is_some() {
                format!("add place = [{{ position = …, offset = … }}] to {on} in {file}, and name it here")
            } else if there.is_empty() {
                format!(
                    "add a table [[place]] with position and offset to {file}, and name it here as position"
                )
            } else {
                format!("write position = … with one of {names}, or add the place to {file}")
            };
            self.noted.push(job.error(&format!("mounted[{}].{key}", sensor.entry), message, remedy));
        }
        let used = |f: &Fixture| sensors.iter().any(|s| s.mounted.fixture.as_ref() == Some(&f.name));
        for (n, fixture) in rig.fixtures.iter().enumerate().filter(|(_, f)| stated && used(f)) {
            if fixture.offset.is_none() {
                self.noted.push(document.error(
                    &format!("fixture[{n}].name"),
                    format!(
                        "nothing says how far the mass of fixture '{}' lies off the axis of motion",
                        fixture.name
                    ),
                    "add offset = \"0 mm\" or what it is to the fixture",
                ));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beside(grams: f64, millimetres: f64, degrees: Option<f64>) -> Option<Beside> {
        Some(Beside {
            mass: Kilograms::new(grams * 1e-3),
            offset: Metres::new(millimetres * 1e-3),
            direction: degrees.map(|d| Radians::new(d.to_radians())),
        })
    }

    /// Elementary statics: two equal masses opposite each other balance, at right angles they make √2 of one; one whose
    /// direction nobody knows is balanced by nothing.
    #[test]
    fn masses_balance_where_their_directions_are_known() {
        let sum = |all: Vec<Option<Beside>>| eccentricity(all.into_iter());
        let near = |a: Option<f64>, b: f64| (a.unwrap() - b).abs() < 1e-15;
        assert!(near(sum(vec![beside(50.0, 20.0, None)]), 1e-3));
        assert!(near(sum(vec![beside(50.0, 20.0, Some(10.0)), beside(50.0, 20.0, Some(190.0))]), 0.0));
        let corner = sum(vec![beside(50.0, 20.0, Some(0.0)), beside(50.0, 20.0, Some(90.0))]);
        assert!(near(corner, 1e-3 * 2f64.sqrt()));
        assert!(near(sum(vec![beside(50.0, 20.0, Some(0.0)), beside(50.0, 20.0, None)]), 2e-3));
        assert_eq!(sum(vec![beside(50.0, 20.0, None), None]), None);
    }
}
