//! The coil: its current and its temperature, from the motion that is seen and the plant that is known.
//!
//! Owns: the thermal model of the coil, `C dT/dt = ½ i² R (1 + α (T − 23 °C)) − (T − T₀)/R_th` (first-order balance of
//! heat), and the two limits. An amplifier that reports current or temperature itself is asked beside; this holds where it
//! does not. Must not: know why a motion is what it is.

use super::told::Coil;
use super::trip::{Trip, TripReason};
use plan_schema::units::{Amperes, Peak, Seconds, engineering};

/// A point may be run at the limit of the current itself (common practice, no source).
const ABOVE: f64 = 1.1;

/// Temperature of a room, and that to which a coil's resistance refers, °C.
const ROOM: f64 = 23.0;

/// What is known of the coil.
#[derive(Debug, Clone)]
pub(super) struct Thermal {
    coil: Coil,
    room: f64,
    temperature: f64,
    current: f64,
}

impl Thermal {
    pub(super) fn new(coil: Coil) -> Self {
        Self { coil, room: ROOM, temperature: ROOM, current: 0.0 }
    }

    /// The current that flows from now on; a trip where it is too large.
    pub(super) fn current(&mut self, current: Amperes<Peak>) -> Option<Trip> {
        // What is no number is no current; the monitors of the reference judge it.
        self.current = if current.si().is_finite() { current.si() } else { self.current };
        let limit = self.coil.current_limit.si() * ABOVE;
        (self.current > limit).then(|| {
            let message = format!(
                "the motion needs a coil current of {} pk where {} pk is the limit. The payload, the suspension or the \
                 reference may have changed. Check them, then acknowledge.",
                engineering(self.current, "A"),
                engineering(limit, "A")
            );
            Trip::beyond(TripReason::CurrentLimit, self.current, limit, "a", message)
        })
    }

    /// Time passed; a trip where the coil became too hot.
    pub(super) fn passed(&mut self, time: Seconds) -> Option<Trip> {
        let heat = self.coil.heat?;
        let warmer = 1.0 + heat.coefficient * (self.temperature - ROOM);
        let power = 0.5 * self.current * self.current * self.coil.resistance.si() * warmer.max(0.1);
        let settles = self.room + power * heat.to_room;
        let share = -(-time.si() / heat.time_constant().si()).exp_m1();
        self.temperature += (settles - self.temperature) * share;
        let (seen, limit) = (self.temperature, heat.limit.si());
        (seen > limit).then(|| {
            let message = format!(
                "the coil is at {seen:.0} °C by its current so far, {limit:.0} °C is the limit. Let it cool, see to its \
                 cooling, ask less of it, then acknowledge."
            );
            Trip::beyond(TripReason::CoilTemperature, seen, limit, "degc", message)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::told::CoilHeat;
    use super::*;
    use plan_schema::units::{Celsius, Ohms};

    fn coil(limit: f64) -> Thermal {
        let heat = CoilHeat { capacity: 100.0, to_room: 2.0, coefficient: 0.0, limit: Celsius::new(limit) };
        let (current_limit, resistance) = (Amperes::new(5.0), Ohms::new(4.0));
        Thermal::new(Coil { current_limit, resistance, heat: Some(heat) })
    }

    #[test]
    fn a_current_trips_beyond_its_limit() {
        assert_eq!(coil(100.0).current(Amperes::new(5.49)), None);
        assert_eq!(coil(100.0).current(Amperes::new(5.51)).map(|t| t.reason), Some(TripReason::CurrentLimit));
    }

    /// 4 A pk in 4 Ω are 32 W, 64 K above the room in the end; after one time constant of 200 s it is 40.46 K (closed
    /// form of a first-order system).
    #[test]
    fn a_coil_warms_as_a_first_order_system_and_trips_at_its_limit() {
        for (limit, trips) in [(23.0 + 40.5, false), (23.0 + 40.4, true)] {
            let mut coil = coil(limit);
            assert_eq!(coil.current(Amperes::new(4.0)), None);
            let trip = (0..2000).find_map(|_| coil.passed(Seconds::new(0.1)));
            assert_eq!(trip.map(|t| t.reason), trips.then_some(TripReason::CoilTemperature), "{limit}");
        }
        let mut cooling = coil(60.0);
        assert_eq!(cooling.current(Amperes::new(4.0)), None);
        assert_eq!(cooling.passed(Seconds::new(100.0)), None);
        assert_eq!(cooling.current(Amperes::new(0.0)), None);
        assert_eq!(cooling.passed(Seconds::new(2e4)), None);
        assert!((cooling.temperature - 23.0).abs() < 0.01);
    }
}
