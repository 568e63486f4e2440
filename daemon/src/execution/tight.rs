//! Tolerances that the foreseen uncertainty leaves no room in, each at the place where it is written.

use crate::load::Loaded;
use crate::record::assemble::circumstances;
use crate::record::time::UtcTime;
use calibration::evaluate::{Foreseen, foreseen};
use calibration::sequence::Setup;
use plan_schema::plan::Origin;
use plan_schema::read::Diagnostics;
use plan_schema::units::engineering;

/// Where the plan's rule lets nothing pass, an error: the work would be for nothing. Where it judges without the
/// uncertainty, a warning. Each place is named once, with the point at which it is worst.
pub fn found(loaded: &Loaded, setup: &Setup, day: UtcTime) -> Diagnostics {
    let circumstances = circumstances(setup, day);
    let mut worst: Vec<Tight> = Vec::new();
    for number in 0..setup.job.points.len() {
        for sensor in 0..setup.job.sensors.len() {
            let Some(foreseen) = foreseen(setup, sensor, number, &circumstances).ok().flatten() else {
                continue;
            };
            let Some(tight) = Tight::of(loaded, setup, (sensor, number), &foreseen) else { continue };
            match worst
                .iter_mut()
                .find(|known| known.path == tight.path && known.of_sensor == tight.of_sensor)
            {
                Some(known) if known.u - known.tolerance >= tight.u - tight.tolerance => known.more += 1,
                Some(known) => *known = Tight { more: known.more + 1, ..tight },
                None => worst.push(tight),
            }
        }
    }
    Diagnostics(worst.iter().map(|tight| tight.told(loaded)).collect())
}

/// A tolerance that is too tight.
struct Tight {
    /// Where it is written: in the register of sensors, else in the plan.
    path: String,
    of_sensor: bool,
    u: f64,
    tolerance: f64,
    at: String,
    serial: String,
    /// Whether nothing could pass.
    impossible: bool,
    /// At how many more points or sensors.
    more: usize,
}

impl Tight {
    fn of(
        loaded: &Loaded,
        setup: &Setup,
        (sensor, number): (usize, usize),
        foreseen: &Foreseen,
    ) -> Option<Self> {
        let (u, tolerance) = foreseen.too_tight()?;
        let (mounted, point) = (setup.job.sensors.get(sensor)?, setup.job.points.get(number)?);
        let serial = &mounted.sensor.serial;
        let entry = loaded.sensors.value.sensors.iter().position(|s| s.serial == *serial);
        let plan = &loaded.plan.value;
        let own = match point.origin {
            Origin::Listed(n) => plan.points.get(n).is_some_and(|p| p.tolerance.is_some()),
            Origin::Series { series, .. } => plan.series.get(series).is_some_and(|s| s.tolerance.is_some()),
        };
        let of_sensor = mounted.sensor.tolerance_at(point.frequency).is_some();
        let band = mounted.sensor.tolerance_bands.iter().position(|band| band.holds(point.frequency));
        let path = match (entry.filter(|_| of_sensor), band) {
            (Some(entry), Some(band)) => format!("sensor[{entry}].tolerance_bands[{band}].tolerance"),
            (Some(entry), None) => format!("sensor[{entry}].tolerance"),
            (None, _) if own => point.origin.path("tolerance"),
            (None, _) => "tolerance".to_owned(),
        };
        let at = engineering(point.frequency.si(), "Hz");
        let serial = serial.clone();
        Some(Self {
            path,
            of_sensor,
            u,
            tolerance,
            at,
            serial,
            impossible: foreseen.can_pass() == Some(false),
            more: 0,
        })
    }

    fn told(&self, loaded: &Loaded) -> plan_schema::read::Diagnostic {
        let percent = |share: f64| format!("{:.2} %", share * 100.0);
        let more = if self.more > 0 { format!(" ({} more like it)", self.more) } else { String::new() };
        let (u, tolerance) = (percent(self.u), percent(self.tolerance));
        let (at, serial) = (&self.at, &self.serial);
        let impossible = self.impossible;
        let what = if impossible { "nothing can pass" } else { "U takes all of it" };
        let message =
            format!("at {at} U foreseen {u}, tolerance {tolerance}: {what} with sensor '{serial}'{more}");
        let widen = "widen the tolerance, lower what U is made of (see check --point), or have the reference calibrated better";
        let remedy = if impossible {
            format!("{widen}; or judge by rule = \"simple_acceptance\"")
        } else {
            widen.to_owned()
        };
        match (self.of_sensor, impossible) {
            (true, true) => loaded.sensors.error(&self.path, message, remedy),
            (true, false) => loaded.sensors.warning(&self.path, message, remedy),
            (false, true) => loaded.plan.error(&self.path, message, remedy),
            (false, false) => loaded.plan.warning(&self.path, message, remedy),
        }
    }
}
