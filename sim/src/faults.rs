//! Faults: what strikes, when, and what it does to the simulated rig.
//!
//! Owns: the contract below, and [`Effects`], all that the world knows of the faults that are active. When they strike is
//! `script`'s, how a loose sensor moves `rattle`'s. Must not: change the physics, which know effects only.
//!
//! # The contract: what a station has to do about each
//!
//! *moving* is from leave to drive until the armature rests; *else* is before and after that.
//!
//! | kind | what happens | moving | else |
//! |---|---|---|---|
//! | `reference_open` | the reference's line is cut: its channel shows its own noise about 0 V | must trip `reference_open`; the drive must not be raised after a signal that is gone | no leave to drive |
//! | `sensor_open` | the same on a sensor's channel; an IEPE line goes to its compliance voltage | must reject the sensor's points (`sensor_open`), other sensors unharmed | the same |
//! | `gain_jump` | the gain from source to coil is × (1 + `value`) from one sample to the next, −100 % to 10000 % | see *sizes* | settles at the next point |
//! | `amplifier_trip` | the coil is muted at once, `fault` is reported, unmuting is refused while it lasts | must trip `amplifier_fault` | must trip or fail, never drive on |
//! | `source_deaf` | every setting is acknowledged and read back, and the output stays as it was, "off" included; settings sent meanwhile are lost | must trip `source_not_following` and stop by the amplifier's mute | the same |
//! | `source_holds_last` | as `source_deaf`, and the output stops at the voltage of that instant: DC at a DC-coupled amplifier. Afterwards the last tone goes on where it would be | must trip `source_dc` or `source_not_following`, or `stroke_limit` where a displacement channel sees the armature leave first; stop by the amplifier's mute | the same |
//! | `acquisition_stall` | no blocks; the armature moves on; samples are lost and counted as a gap | must trip `blocks_missing` | must fail the run |
//! | `overload` | the channel saturates and says so | reference: must trip `overload`; sensor: must reject the point or trip (`overload`) | no point is accepted |
//! | `sensor_clipped` | a sensor's output stays within ±`value` (1 µV to 100 V pk) of what it shows at rest; nobody is told | must reject the point (`clipped`, `distortion` or `residual`; at a level near the noise `noise` or `sensor_open`) | the same |
//! | `loose_mount` | the sensor alone rattles: harmonics, and an amplitude and phase that wander (`rattle`); `value` (0.001 % to 100 %, else 5 %) is the share at 1 g pk | see *sizes* | nothing to see at rest |
//! | `hum` | `value` (1 nV to 100 V pk, else 50 mV pk) at the mains frequency is added at the channel | must reject the point (`hum`), or keep the result within its uncertainty | the same |
//! | `reference_reversed` | the reference's output changes sign | must trip `reference_reversed` if it was right before; else reject (`polarity`) | no point is accepted with a wrong sign |
//! | `coil_overheating` | so much heat gets into the coil that without any current it would settle `value` (1 K to 1000 K, else 20 K) above its limit; on the way there its guard trips the amplifier, until it is 5 K below again | must trip `amplifier_fault` or `coil_temperature` | must trip or fail, never drive on |
//! | `emergency_stop` | the contact reads as open; the hard-wired part of it is not simulated | must trip `emergency_stop` | must trip `emergency_stop` |
//! | `permissive_opens` | the contact of the permissive that `channel` names reads as what does not permit | must trip `permissive_lost` where it is needed always, and go on where it is needed before the first motion | no motion before it permits; the door of a guard that was closed must trip |
//! | `ambient_excursion` | the air, as the ambient sensor reads it, is `value` (±30 K, else 10 K) warmer at once; shaker and sensors are heavy, and keep their temperature meanwhile | beyond the plan's limits: must pause at zero drive and measure the point anew once the room is back, or end the run `failed` after the plan's longest pause; what was under way when it was read does not count | no motion before the room is back |
//! | `slow_drift` | the sensitivity of a channel, its own or the reference's, changes by `value` (±100 %, else 0.5 %) in an hour, in a straight line. The truth about the sensor stays what it was: the drift is the channel's | see *sizes* | nothing to see at rest |
//! | `cable_intermittent` | the line of a channel is cut at once, then makes contact and opens at random, open for the share `value` (0.1 % to 100 %, else 50 %) of time; a cycle takes a fifth of a second in the mean | reference: must trip (`reference_open`, `channels_disagree`); sensor: must reject the point (`sensor_open`, `residual` or `noise`, on the mains `hum`), or keep the result within its uncertainty where it opened between dwells | no leave to drive if it is the reference's |
//!
//! Every fault but `source_deaf` and `source_holds_last` leaves the source able to go to 0 V, every fault leaves the
//! amplifier able to mute. `lasts` counts from when a fault strikes; then everything is as if it had never been, but for
//! what it moved, warmed or lost, and a drift that stays where it got to. Faults on one thing add up; gains multiply.
//!
//! # Sizes: from where a fault has to be found, and what no comparison can find
//!
//! | fault | has to be found | cannot be found |
//! |---|---|---|
//! | `gain_jump` | upward beyond a ceiling of the point: must trip (`stroke_limit`, `velocity_limit`, `acceleration_limit`) before a stop is hit, as far as `check` promised. Beyond the settle band, either way, in a dwell: must settle again or reject (`not_settled`). −100 %: must trip (`source_dc`, `source_not_following`), the drive must not be raised without bound | within the settle band (1 % by default; so 0.3 %): reference and sensor follow it alike, and the result stays right |
//! | `loose_mount` | from the point's limit of distortion on; else where repeats disagree by more than their limit | a share below noise and limits: the result is off by less than that share |
//! | `slow_drift` of a sensor's channel | from what repeats or a second look at the reference frequency allow (`repeat_disagrees`, `setup_drift`) | less than that within the run: the result is off by it. 0.5 % in an hour are 0.04 % in five minutes |
//! | `slow_drift` of the reference's channel | the same: all sensors seem to drift together the other way | the same size on the reference and all sensors: their ratio shows nothing of it, ever |
//! | `hum` | from the limit on hum or noise on, where the mains frequency is not the point's | at the mains frequency itself: the fit takes it for the sensor's, unless phases are taken at several starts or at rest |
//! | `sensor_clipped` | from about 1 % of the amplitude cut off on (3rd harmonic) | a level that the point's amplitude does not reach |
//! | `cable_intermittent` | every opening within a dwell | openings between dwells |
//! | `overload`, `sensor_open`, `reference_open` | from one block on | less than a block between two dwells |

mod rattle;
mod script;
#[cfg(test)]
mod tests;

pub(crate) use rattle::Rattle;
pub(crate) use script::Script;

/// Largest factor on the gain from source to coil that several jumps make together.
const GAIN_MAX: f64 = 1e6;

/// What the active faults do to an input.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Disturbance {
    pub(crate) open: bool,
    pub(crate) shorted: bool,
    pub(crate) overload: bool,
    pub(crate) reversed: bool,
    /// Amplitude in V.
    pub(crate) hum: f64,
    /// Distance in V from what is shown at rest at which the output stays.
    pub(crate) clip: Option<f64>,
    /// Share of the motion at 1 g pk that is rattle, and the angle in rad by which the drive turns from sample to sample.
    pub(crate) rattle: (f64, f64),
    /// Relative change of the sensitivity at the first sample at hand, and its rise from sample to sample.
    pub(crate) drift: (f64, f64),
}

/// What the active faults do to the rig.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Effects {
    /// Factor on the gain from source to coil.
    pub(crate) gain: f64,
    pub(crate) tripped: bool,
    pub(crate) deaf: bool,
    pub(crate) held: bool,
    pub(crate) stalled: bool,
    pub(crate) emergency_stop: bool,
    /// Permissives that do not permit, by their place in the rig file's list.
    pub(crate) withheld: Vec<usize>,
    /// How far above its limit the coil settles without any current, in K; 0 where nothing heats it.
    pub(crate) overheating: f64,
    /// How much warmer the air is, in K.
    pub(crate) air: f64,
    /// Angle in rad by which the drive turns from sample to sample, as the world says.
    pub(crate) turn: f64,
    /// The drift in here is that at the start of the world.
    inputs: Vec<Disturbance>,
}

impl Effects {
    /// No effect on a rig with so many inputs.
    fn none(inputs: usize) -> Self {
        Self {
            gain: 1.0,
            tripped: false,
            deaf: false,
            held: false,
            stalled: false,
            emergency_stop: false,
            withheld: Vec::new(),
            overheating: 0.0,
            air: 0.0,
            turn: 0.0,
            inputs: vec![Disturbance::default(); inputs],
        }
    }

    /// What is done to the input of this number in the rig file's list, `sample` samples after the world's start.
    #[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
    pub(crate) fn on(&self, input: usize, sample: u64) -> Disturbance {
        let mut disturbance = self.inputs.get(input).copied().unwrap_or_default();
        disturbance.drift.0 += disturbance.drift.1 * sample as f64;
        disturbance.rattle.1 = self.turn;
        disturbance
    }

    fn at(&mut self, input: usize) -> Option<&mut Disturbance> {
        self.inputs.get_mut(input)
    }
}

/// What a fault does, its size and place resolved.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Effect {
    Open(usize),
    Gain(f64),
    Trip,
    Deaf,
    Held,
    Stall,
    Overload(usize),
    EmergencyStop,
    Withhold(usize),
    Reversed(usize),
    Hum(usize, f64),
    Clip(usize, f64),
    Rattle(usize, f64),
    Overheat(f64),
    Air(f64),
    /// Relative change of a sensitivity from sample to sample.
    Drift(usize, f64),
}

impl Effect {
    /// Adds what it does. It struck at sample `since`, and drifts until `until` if it has stopped.
    fn add_to(self, effects: &mut Effects, since: u64, until: Option<u64>) {
        match self {
            Self::Gain(factor) => effects.gain = (effects.gain * factor).min(GAIN_MAX),
            Self::Trip => effects.tripped = true,
            Self::Deaf => effects.deaf = true,
            Self::Held => effects.held = true,
            Self::Stall => effects.stalled = true,
            Self::EmergencyStop => effects.emergency_stop = true,
            Self::Withhold(permissive) => effects.withheld.push(permissive),
            Self::Overheat(kelvins) => effects.overheating += kelvins,
            Self::Air(kelvins) => effects.air += kelvins,
            Self::Open(input)
            | Self::Overload(input)
            | Self::Reversed(input)
            | Self::Hum(input, _)
            | Self::Clip(input, _)
            | Self::Rattle(input, _)
            | Self::Drift(input, _) => {
                if let Some(disturbance) = effects.at(input) {
                    self.disturb(disturbance, since, until);
                }
            }
        }
    }

    fn disturb(self, to: &mut Disturbance, since: u64, until: Option<u64>) {
        match self {
            Self::Open(_) => to.open = true,
            Self::Overload(_) => to.overload = true,
            // Reversed twice is as it was.
            Self::Reversed(_) => to.reversed = !to.reversed,
            Self::Hum(_, volts) => to.hum += volts,
            Self::Clip(_, volts) => to.clip = Some(to.clip.map_or(volts, |other| other.min(volts))),
            Self::Rattle(_, share) => to.rattle.0 += share,
            Self::Drift(_, rise) => drift(to, rise, since, until),
            Self::Gain(_)
            | Self::Trip
            | Self::Deaf
            | Self::Held
            | Self::Stall
            | Self::EmergencyStop
            | Self::Withhold(_)
            | Self::Overheat(_)
            | Self::Air(_) => {}
        }
    }
}

/// Adds a drift that began at sample `since` and goes on, or stopped at `until`.
#[expect(clippy::cast_precision_loss, reason = "exact below 2^53 samples")]
fn drift(to: &mut Disturbance, rise: f64, since: u64, until: Option<u64>) {
    match until {
        Some(until) => to.drift.0 += rise * until.saturating_sub(since) as f64,
        None => {
            to.drift.0 -= rise * since as f64;
            to.drift.1 += rise;
        }
    }
}
