//! How warm the coil is. Pure.
//!
//! Owns: the temperature of the coil as a heat capacity that `i² R` warms and a heat resistance cools to the room, and the
//! resistance that follows from it. Temperatures are slow: they are worked out at fixed samples, a twentieth of a second
//! apart, from the mean power since the time before, so that nothing depends on how time is cut into blocks.

use crate::error::SimError;
use crate::sensor::STATED_AT;
use plan_schema::rig::Rig;

/// Time between two looks at the coil, in s.
const LOOK: f64 = 0.05;

/// A coil's guard lets go this far below where it acts, in K.
const RELEASE: f64 = 5.0;

/// The coil's temperature and what it does.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct CoilHeat {
    /// Resistance at the temperature at which it is stated, in ohm.
    resistance: f64,
    /// Relative rise of the resistance per kelvin.
    coefficient: f64,
    /// Heat resistance in K/W and time constant in s; without them the coil is as warm as the room.
    path: Option<(f64, f64)>,
    limit: f64,
    guarded: bool,
    /// How far above its limit a fault would bring the coil without any current, in K; 0 for none.
    overheating: f64,
    room: f64,
    /// Rise of the room's temperature from one look to the next.
    room_rise: f64,
    /// Samples from one look to the next, and since the last one.
    every: u32,
    passed: u32,
    /// Sum of squares of the current since the last look, in A².
    squares: f64,
    temperature: f64,
    /// Highest temperature so far, in °C.
    pub(crate) highest: f64,
}

impl CoilHeat {
    /// The coil of the rig file at the temperature of the room, or `None` where temperature does nothing to it;
    /// `resistance` is the true one at 23 °C in ohm.
    ///
    /// # Errors
    /// A value with which nothing can be worked out.
    pub(crate) fn read(rig: &Rig, resistance: f64, rate: f64) -> Result<Option<Self>, SimError> {
        let shaker = &rig.shaker;
        let coefficient = SimError::not_negative(
            shaker.resistance_coefficient.si(),
            "the temperature coefficient of the coil",
            "shaker.resistance_coefficient",
        )?;
        let positive = |value: Option<f64>, what: &str, key: &str| {
            value.map(|v| SimError::positive(v, what, &format!("shaker.{key}"))).transpose()
        };
        let capacity = positive(
            shaker.coil_heat_capacity.map(|c| c.si()),
            "the heat capacity in J/K",
            "coil_heat_capacity",
        )?;
        let heat_resistance = positive(
            shaker.coil_heat_resistance.map(|r| r.si()),
            "the heat resistance in K/W",
            "coil_heat_resistance",
        )?;
        let path = match (heat_resistance, capacity) {
            (Some(r), Some(c)) => Some((r, r * c)),
            (None, None) => None,
            _ => {
                return Err(SimError::new(
                    "the coil has a heat capacity without a heat resistance, or the other way round",
                    "write both shaker.coil_heat_capacity and shaker.coil_heat_resistance",
                ));
            }
        };
        if path.is_none() && coefficient == 0.0 {
            return Ok(None);
        }
        let room = rig.simulation.room.temperature.si();
        let every = (LOOK * rate).round().clamp(1.0, 1e9);
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within 1 to 1e9")]
        let samples = every as u32;
        Ok(Some(Self {
            resistance,
            coefficient,
            path,
            limit: shaker.coil_temperature_limit.map_or(f64::INFINITY, |t| t.si()),
            guarded: false,
            overheating: 0.0,
            room,
            room_rise: rig.simulation.room.drift_per_hour.si() / 3600.0 * every / rate,
            every: samples,
            passed: 0,
            squares: 0.0,
            temperature: room,
            highest: room,
        }))
    }

    /// Resistance now, in ohm.
    pub(crate) fn resistance(&self) -> f64 {
        self.resistance * (1.0 + self.coefficient * (self.temperature - STATED_AT))
    }

    /// How much the resistance has to rise with each sample to reach [`Self::resistance`] from `now` at the next look, so
    /// that it never jumps.
    pub(crate) fn rise_from(&self, now: f64) -> f64 {
        (self.resistance() - now) / f64::from(self.every)
    }

    /// Heats the coil from outside so that without any current it would settle `above` its limit, in K; 0 ends that.
    pub(crate) fn overheat(&mut self, above: f64) {
        self.overheating = above;
    }

    /// True from when the coil was warmer than it may be until it has cooled down by 5 K.
    pub(crate) fn is_too_warm(&self) -> bool {
        self.guarded
    }

    /// Notes the current of a sample; true when the temperature was worked out anew.
    #[inline]
    pub(crate) fn note(&mut self, current: f64, period: f64) -> bool {
        self.squares += current * current;
        self.passed += 1;
        if self.passed < self.every {
            return false;
        }
        self.look(period);
        true
    }

    fn look(&mut self, period: f64) {
        let samples = f64::from(self.passed);
        let power = self.squares / samples * self.resistance();
        self.room += self.room_rise;
        self.temperature = match self.path {
            Some((per_watt, time)) => {
                let outside = if self.overheating > 0.0 && self.limit.is_finite() {
                    (self.limit + self.overheating - self.room).max(0.0)
                } else {
                    0.0
                };
                let towards = self.room + per_watt * power + outside;
                towards + (self.temperature - towards) * (-samples * period / time).exp()
            }
            None => self.room,
        };
        self.highest = self.highest.max(self.temperature);
        let threshold = self.limit - if self.guarded { RELEASE } else { 0.0 };
        self.guarded = self.temperature > threshold;
        (self.passed, self.squares) = (0, 0.0);
    }
}
