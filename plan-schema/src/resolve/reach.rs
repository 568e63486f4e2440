//! What transducers and their channels can take of each point: a sensor that can't is left out there, a reference has to.

use super::found::{Found, FoundReference, FoundSensor};
use super::{RangeUse, ResolvedPoint};
use crate::rig::Orientation;
use crate::units::{
    Accel, AccelDc, Fraction, Hertz, Peak, STANDARD_GRAVITY, Sensitivity, VoltsDc, engineering,
};

/// Largest amplitude of the fundamental on the way to a target, as a multiple of it.
const OVERSHOOT: f64 = 1.1;

/// A motion beyond this multiple of a sensor's range may damage it.
const DAMAGE: f64 = 2.0;

/// A reference or sensor as far as ranges are concerned.
struct Transducer {
    /// "sensor '4711'"
    name: String,
    range: Accel<Peak>,
    /// Volts on its channel for one m/s² of the reference, at most.
    sensitivity: Sensitivity,
    /// Volts on its channel at rest.
    zero_output: VoltsDc,
    /// Motion where it stands over the motion of the reference.
    moved: f64,
    /// Steady acceleration that it shows beside the motion.
    gravity: AccelDc,
    /// Number of its channel in the rig.
    channel: usize,
}

/// What keeps a transducer from a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Limit {
    /// The frequencies at which it is used.
    Band,
    /// Its measuring range.
    Range,
    /// The range of its channel.
    Channel,
}

impl Limit {
    fn in_words(self) -> &'static str {
        match self {
            Self::Band => "that is outside its band",
            Self::Range => "the motion is beyond its range",
            Self::Channel => "its output would leave the range of its channel",
        }
    }
}

/// Why a transducer can't take a point.
struct Obstacle {
    limit: Limit,
    message: String,
    remedy: String,
}

impl Found<'_> {
    /// The reference and its channel have to take a point.
    pub(super) fn reference_range(&mut self, point: &ResolvedPoint, found: &FoundReference) {
        let transducer = self.of_reference(point, found);
        if let Some(obstacle) = self.obstacle(point.target, point.distortion_limit, &transducer) {
            self.refuse(point, obstacle);
        }
    }

    fn of_reference(&self, point: &ResolvedPoint, found: &FoundReference) -> Transducer {
        let most = |most: Sensitivity, next: Sensitivity| most.max(next);
        let of_points = found.calibration.points.iter().map(|p| found.in_volts(p));
        let input = self.files.rig.value.channels.get(found.channel);
        let at = found.chain.at(point.frequency);
        Transducer {
            name: format!("reference '{}'", found.reference.serial),
            range: found.reference.range,
            sensitivity: of_points.fold(Sensitivity::ZERO, most) * at.map_or(1.0, |t| t.magnitude),
            zero_output: found.reference.zero_output * found.chain.gain(),
            moved: 1.0,
            gravity: self.gravity(input.is_some_and(|c| c.ac_corner.is_some())),
            channel: found.channel,
        }
    }

    /// How much of its ranges the reference uses at a point.
    pub(super) fn used_by_reference(&self, point: &ResolvedPoint, found: &FoundReference) -> RangeUse {
        self.used(point, &self.of_reference(point, found))
    }

    /// The same of a sensor.
    pub(super) fn used_by_sensor(&self, point: &ResolvedPoint, found: &FoundSensor) -> Option<RangeUse> {
        Some(self.used(point, &self.of_sensor(point, found)?))
    }

    /// With gravity, and at the channel with offset, overshoot and harmonics.
    fn used(&self, point: &ResolvedPoint, transducer: &Transducer) -> RangeUse {
        let gravity = transducer.gravity.si();
        let felt = point.target.si() * transducer.moved + gravity;
        let peak = OVERSHOOT * (1.0 + point.distortion_limit.si()) * point.target.si();
        let output = transducer.zero_output.si().abs() + (peak + gravity) * transducer.sensitivity.si().abs();
        let channel = self.files.rig.value.channels.get(transducer.channel);
        RangeUse {
            of_range: Fraction::new(felt / transducer.range.si()),
            of_channel: Fraction::new(channel.map_or(0.0, |c| output / c.range.si())),
        }
    }

    /// What speaks against the reference's output on another channel, in the place of its sensor.
    pub(super) fn reference_beyond(
        &self,
        point: &ResolvedPoint,
        found: &FoundReference,
        channel: usize,
    ) -> Option<String> {
        let channels = &self.files.rig.value.channels;
        let gain = |n: usize| channels.get(n)?.gain_in_use().map(|g| g.gain.si().abs());
        let other = gain(channel).unwrap_or(1.0) / gain(found.channel).unwrap_or(1.0).max(f64::MIN_POSITIVE);
        let own = self.of_reference(point, found);
        let transducer = Transducer {
            sensitivity: own.sensitivity * other,
            zero_output: own.zero_output * other,
            channel,
            ..own
        };
        let obstacle = self.obstacle(point.target, point.distortion_limit, &transducer)?;
        (obstacle.limit == Limit::Channel).then(|| format!("in the place of its sensor {}", obstacle.message))
    }

    /// The largest target that the reference and its channel take, and which of the two limits it.
    pub(super) fn admitted_by_reference(
        &self,
        point: &ResolvedPoint,
        found: &FoundReference,
    ) -> (Accel<Peak>, String) {
        self.admitted(point.distortion_limit, &self.of_reference(point, found))
    }

    /// The same of a sensor.
    pub(super) fn admitted_by_sensor(
        &self,
        point: &ResolvedPoint,
        found: &FoundSensor,
    ) -> Option<(Accel<Peak>, String)> {
        Some(self.admitted(point.distortion_limit, &self.of_sensor(point, found)?))
    }

    /// The largest target that [`Self::obstacle`] lets pass, a hair less so that rounding can't make it one.
    fn admitted(&self, distortion: Fraction, transducer: &Transducer) -> (Accel<Peak>, String) {
        let gravity = transducer.gravity.si();
        let of_range = (transducer.range.si() - gravity) / transducer.moved * (1.0 - 1e-12);
        let channel = self.files.rig.value.channels.get(transducer.channel);
        let of_channel = channel.map(|channel| {
            let swing = channel.range.si() - transducer.zero_output.si().abs();
            let shown = swing / transducer.sensitivity.si().abs() - gravity;
            (shown / (OVERSHOOT * (1.0 + distortion.si())) * (1.0 - 1e-12), &channel.name)
        });
        match of_channel {
            Some((shown, name)) if shown < of_range => {
                (Accel::new(shown), format!("range of channel '{name}' with {}", transducer.name))
            }
            _ => (Accel::new(of_range), format!("range of {}", transducer.name)),
        }
    }

    /// Leaves out each sensor where it alone can't take a point, and says so. What no sensor can take is an error, and so
    /// is what a check standard can't, and a motion that may damage a sensor.
    pub(super) fn reach(&mut self, sensors: &mut [FoundSensor]) {
        let mut left_out: Vec<Vec<(Limit, Hertz, String)>> = sensors.iter().map(|_| Vec::new()).collect();
        for (n, point) in self.points.clone().iter().enumerate() {
            let target = point.target;
            let mut obstacles: Vec<Option<Obstacle>> = sensors
                .iter()
                .map(|s| band(point.frequency, s).or_else(|| self.sensor_range(point, s)))
                .collect();
            for sensor in sensors.iter().filter(|s| target > s.sensor.range * DAMAGE) {
                self.damage(point, sensor);
            }
            let mut tested = sensors.iter().zip(&obstacles).filter(|(s, _)| s.is_under_test());
            let nobody = tested.all(|(_, obstacle)| obstacle.is_some());
            for ((sensor, obstacle), left_out) in sensors.iter_mut().zip(&mut obstacles).zip(&mut left_out) {
                let Some(obstacle) = obstacle.take() else { continue };
                if target > sensor.sensor.range * DAMAGE && obstacle.limit == Limit::Range {
                    // That was said already, and louder.
                    continue;
                }
                if nobody || !sensor.is_under_test() {
                    self.refuse(point, obstacle);
                    continue;
                }
                if let Some(skip) = sensor.skips.get_mut(n) {
                    *skip = Some(format!("{}; {}", obstacle.message, obstacle.remedy));
                }
                left_out.push((obstacle.limit, point.frequency, obstacle.remedy));
            }
        }
        for (sensor, left_out) in sensors.iter().zip(&left_out) {
            self.tell(sensor, left_out);
        }
    }

    fn refuse(&mut self, point: &ResolvedPoint, obstacle: Obstacle) {
        let key = if obstacle.limit == Limit::Band { "frequency" } else { "amplitude" };
        let path = point.origin.path(key);
        self.noted.push(self.files.plan.error(&path, obstacle.message, obstacle.remedy));
    }

    fn damage(&mut self, point: &ResolvedPoint, sensor: &FoundSensor) {
        let target = point.target;
        self.noted.push(self.files.plan.error(
            &point.origin.path("amplitude"),
            format!(
                "{} is more than twice the range of sensor '{}' and may damage it",
                acceleration(target),
                sensor.sensor.serial
            ),
            format!(
                "its range is {}; lower the amplitude, or take the sensor off",
                acceleration(sensor.sensor.range)
            ),
        ));
    }

    /// Says at its entry in the job where a sensor is left out.
    fn tell(&mut self, found: &FoundSensor, left_out: &[(Limit, Hertz, String)]) {
        let job = &self.files.job;
        let plan = &self.files.plan.value;
        let path = format!("mounted[{}].sensor", found.entry);
        let serial = &found.sensor.serial;
        if !found.skips.is_empty() && found.skips.iter().all(Option::is_some) {
            let (why, remedy) =
                left_out.first().map_or(("", ""), |(limit, _, remedy)| (limit.in_words(), remedy.as_str()));
            let message = format!("sensor '{serial}' can take none of the points: {why}");
            self.noted.push(job.error(&path, message, format!("{remedy}; take it off, or change the plan")));
            return;
        }
        for limit in [Limit::Band, Limit::Range, Limit::Channel] {
            let mut points = left_out.iter().filter(|(l, ..)| *l == limit).peekable();
            let Some((_, _, remedy)) = points.peek() else { continue };
            let remedy = format!("{remedy}; the other sensors are measured there");
            let frequencies: Vec<String> = points.map(|(_, f, _)| engineering(f.si(), "Hz")).collect();
            let why = limit.in_words();
            let message = format!("sensor '{serial}' is left out at {}: {why}", frequencies.join(", "));
            self.noted.push(job.warning(&path, message, remedy));
        }
        let refers = plan.decision.deviation_from == crate::plan::DeviationFrom::ReferenceFrequency;
        let reference = plan.reference_frequency.filter(|_| refers);
        if let Some((_, frequency, _)) = left_out.iter().find(|(_, f, _)| Some(*f) == reference) {
            let at = engineering(frequency.si(), "Hz");
            self.noted.push(job.warning(
                &path,
                format!(
                    "deviations refer to {at}, where sensor '{serial}' is left out: none of it can be judged"
                ),
                "choose a reference frequency that all sensors take, or write deviation_from = \"nominal\"",
            ));
        }
    }

    fn sensor_range(&self, point: &ResolvedPoint, found: &FoundSensor) -> Option<Obstacle> {
        self.obstacle(point.target, point.distortion_limit, &self.of_sensor(point, found)?)
    }

    fn of_sensor(&self, point: &ResolvedPoint, found: &FoundSensor) -> Option<Transducer> {
        let input = self.files.rig.value.channels.get(found.channel)?;
        let (zero_output, share) = found.sensor.seen_by(input);
        Some(Transducer {
            name: format!("sensor '{}'", found.sensor.serial),
            range: found.sensor.range,
            sensitivity: found.sensor.nominal_sensitivity.in_volts(found.volts)
                * share
                * found.chain.at(point.frequency).map_or(1.0, |t| t.magnitude),
            zero_output,
            moved: found.chain.motion(point.frequency).0,
            gravity: self.gravity(input.ac_corner.is_some() || found.sensor.corner().is_some()),
            channel: found.channel,
        })
    }

    /// What a transducer of an upright rig shows of gravity: 1 g, unless a coupling keeps it away.
    fn gravity(&self, coupled: bool) -> AccelDc {
        let upright = self.files.rig.value.orientation == Orientation::Vertical;
        AccelDc::new(if upright && !coupled { STANDARD_GRAVITY } else { 0.0 })
    }

    /// The range of a transducer and of its channel against one target: gravity, offset, overshoot and the harmonics that the
    /// plan allows all count.
    fn obstacle(
        &self,
        target: Accel<Peak>,
        distortion: Fraction,
        transducer: &Transducer,
    ) -> Option<Obstacle> {
        let largest = Accel::new(target.si() * transducer.moved + transducer.gravity.si());
        if largest > transducer.range {
            let beside = if transducer.gravity > AccelDc::ZERO { " with gravity" } else { "" };
            return Some(Obstacle {
                limit: Limit::Range,
                message: format!(
                    "{}{beside} is beyond the range of {}",
                    acceleration(largest),
                    transducer.name
                ),
                remedy: format!("its range is {}", acceleration(transducer.range)),
            });
        }
        let channel = self.files.rig.value.channels.get(transducer.channel)?;
        let peak = OVERSHOOT * (1.0 + distortion.si()) * target.si();
        let swing = (peak + transducer.gravity.si()) * transducer.sensitivity.si().abs();
        let output = transducer.zero_output.si().abs() + swing;
        (output > channel.range.si()).then(|| Obstacle {
            limit: Limit::Channel,
            message: format!(
                "{} would put out {} with its offset, overshoot and harmonics, more than channel '{}' takes",
                transducer.name,
                engineering(output, "V pk"),
                channel.name
            ),
            remedy: format!("the range of the channel is {}", engineering(channel.range.si(), "V pk")),
        })
    }
}

/// A sensor is used within its band only.
fn band(frequency: Hertz, found: &FoundSensor) -> Option<Obstacle> {
    let sensor = &found.sensor;
    let hertz = |f: Hertz| engineering(f.si(), "Hz");
    let reach = match (sensor.frequency_min, sensor.frequency_max) {
        (Some(lowest), Some(highest)) => format!("from {} to {}", hertz(lowest), hertz(highest)),
        (Some(lowest), None) => format!("from {} on", hertz(lowest)),
        (None, Some(highest)) => format!("up to {}", hertz(highest)),
        (None, None) => return None,
    };
    (!found.is_within_band(frequency)).then(|| Obstacle {
        limit: Limit::Band,
        message: format!("{} lies outside the band of sensor '{}'", hertz(frequency), sensor.serial),
        remedy: format!("it is used {reach}"),
    })
}

/// In m/s² and in g, since data sheets have either.
fn acceleration(value: Accel<Peak>) -> String {
    let g = value.si() / STANDARD_GRAVITY;
    format!("{} pk ({})", engineering(value.si(), "m/s²"), engineering(g, "g pk"))
}
