//! What stands on the table: whether the shaker carries it, and how far it sags under it.

use super::ResolvedPoint;
use super::found::{Found, FoundSensor};
use crate::job::Mounted;
use crate::rig::{Orientation, Rig};
use crate::units::{Kilograms, Metres, STANDARD_GRAVITY, engineering};

/// Mass of the fixtures that any of these stand on; each counts once.
pub(super) fn fixtures<'a>(rig: &Rig, mounted: impl Iterator<Item = &'a Mounted> + Clone) -> Kilograms {
    let used = |name: &str| mounted.clone().any(|m| m.fixture.as_deref() == Some(name));
    rig.fixtures.iter().filter(|f| used(&f.name)).fold(Kilograms::ZERO, |sum, f| sum + f.mass)
}

/// How far the armature of an upright rig sags under a payload; zero where it lies level, or was centred with the payload on.
/// The armature's own weight is held by its suspension.
#[must_use]
pub(super) fn sag(rig: &Rig, payload: Kilograms) -> Metres {
    let stiffness = rig.shaker.stiffness.si();
    if rig.orientation == Orientation::Horizontal || rig.shaker.centring.is_some() || stiffness <= 0.0 {
        return Metres::ZERO;
    }
    Metres::new(payload.si() * STANDARD_GRAVITY / stiffness)
}

impl Found<'_> {
    /// The shaker has to carry what is mounted.
    pub(super) fn payload(&mut self, sensors: &[FoundSensor], points: &[ResolvedPoint]) {
        self.eccentric(sensors);
        let rig = &self.files.rig.value;
        let own = sensors.iter().fold(Kilograms::ZERO, |sum, s| sum + s.sensor.mass + s.mounted.adapter_mass);
        let payload = own + fixtures(rig, sensors.iter().map(|s| &s.mounted));
        let grams = |mass: Kilograms| engineering(mass.si() * 1e3, "g");
        if let Some(limit) = rig.shaker.payload_limit
            && payload > limit
        {
            self.noted.push(self.files.job.error(
                "mounted",
                format!(
                    "sensors, adapters and fixtures weigh {}, more than the shaker carries",
                    grams(payload)
                ),
                format!("its payload_limit is {}; mount less", grams(limit)),
            ));
        }
        let sag = sag(rig, payload);
        let allowed = rig.shaker.static_allowance.si();
        if sag.si() > allowed * (1.0 + 1e-9) && !points.is_empty() {
            self.noted.push(self.files.rig.error(
                "shaker.static_allowance",
                format!(
                    "upright, the armature sags by {} under {}; {} are allowed for",
                    engineering(sag.si(), "m"),
                    grams(payload),
                    engineering(allowed, "m")
                ),
                "centre it with the payload on and write what remains as shaker.centring, or allow for the sag",
            ));
        }
    }
}
