//! The plan: which frequencies and amplitudes, how long, and how the result is judged.

mod channel_ratio;
mod points;
mod series;

pub use channel_ratio::{ChannelRatio, OutsideRatio, RATIO_TONES_MIN};
pub use points::Origin;
pub(crate) use points::Planned;
pub(crate) use series::MOST_POINTS;
pub use series::{PreferredValues, Series, SeriesAmplitude, Spacing};

use crate::read::{Node, Notes, Written};
use crate::units::{Amplitude, Celsius, Fraction, Hertz, Kelvins, Seconds};
use crate::{written_table, written_words};

/// The format that this version reads and writes.
pub const FORMAT: u32 = 1;

/// The `format = 1` line of a file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(transparent)]
pub struct Format(pub u32);

impl Written for Format {
    fn read(node: Node<'_>, notes: &Notes) -> Option<Self> {
        let format = u32::read(node.clone(), notes)?;
        if format == FORMAT {
            return Some(Self(format));
        }
        let remedy = if format > FORMAT {
            format!("this program reads format {FORMAT}: use a newer calwright")
        } else {
            format!("bring it to format {FORMAT} with: calwright migrate {}", notes.name())
        };
        notes.overriding_error(node.span, format!("format {format} can't be read"), remedy);
        None
    }

    fn schema() -> serde_json::Value {
        serde_json::json!({ "type": "integer", "const": FORMAT })
    }
}

written_table! {
    /// A calibration plan: the points, in order, and how they are judged.
    pub struct Plan file "plan" {
        /// Format of the file; 1.
        pub format: Format,
        /// What the plan is called on the certificate.
        pub name: String,
        /// Frequency whose sensitivity the deviations refer to where the rule says so.
        pub reference_frequency: Option<Hertz>,
        /// In which order the points are run.
        pub order: Order = Order::Fastest,
        /// The amplitude counts as settled within this share of the target.
        pub settle_band: Fraction = Fraction::new(0.01),
        /// A point that has not settled within this time is recorded as rejected and the run goes on.
        pub settle_limit: Seconds = Seconds::new(120.0),
        /// A measurement ends early, once its cycles are measured and the sensitivity scatters by less than this: expanded
        /// uncertainty (type A, k = 2) of its mean. The cycles of a point are measured in any case.
        pub scatter_limit: Fraction = Fraction::new(0.002),
        /// A measurement is never drawn out beyond this time; the cycles of a point are measured whatever they take.
        pub dwell_limit: Seconds = Seconds::new(300.0),
        /// Whether the point that was run first is measured once more at the end, to see whether the setup drifted.
        pub closing_point: bool = true,
        /// Largest change of a sensitivity from the first measurement of that point to the closing one.
        pub drift_limit: Fraction = Fraction::new(0.005),
        /// Largest difference of two measurements of one point with the same mounting.
        pub repeat_limit: Fraction = Fraction::new(0.005),
        /// How sensors are compared with the reference.
        pub method: Method = Method::Comparison,
        /// Largest hum at the measuring frequency itself, as a share of the signal, where the two can't be told apart: it is
        /// measured at rest.
        pub hum_limit: Fraction = Fraction::new(0.01),
        /// Waiting for a steady temperature before the first point; absent: no waiting.
        pub soak: Option<Soak>,
        /// Measuring the ratio of channels with the run: one voltage into all of them; absent: it is taken from the rig file.
        pub channel_ratio: Option<ChannelRatio>,
        /// Harmonics that are fitted beside the fundamental.
        pub harmonics: u32 = 5,
        /// How deviations are judged.
        pub decision: Decision = Decision::default(),
        /// Tolerance on the deviation of points that state none.
        pub tolerance: Option<Fraction>,
        /// Largest distortion of acceleration of points that state none.
        pub distortion_limit: Fraction = Fraction::new(0.1),
        /// Ambient conditions within which results count.
        pub ambient: Option<AmbientLimits>,
        /// Points that are listed. They stand in this order in every result, in whatever order they are run.
        pub points key "point": Vec<Point> = Vec::new(),
        /// Points that follow from a rule; they stand after those that are listed.
        pub series: Vec<Series> = Vec::new(),
    }
}

written_table! {
    /// One point of a plan.
    pub struct Point {
        /// Frequency of the sine.
        pub frequency: Hertz,
        /// Amplitude of the motion: acceleration, velocity or displacement, with its kind.
        pub amplitude: Amplitude,
        /// Cycles measured, at least; the defaults are 5 below 1 Hz, 10 up to 10 Hz, 1 s above.
        pub dwell_cycles: Option<u32>,
        /// Measurements of this point with the same mounting.
        pub repeats: u32 = 1,
        /// Largest deviation that passes.
        pub tolerance: Option<Fraction>,
        /// Largest distortion of acceleration.
        pub distortion_limit: Option<Fraction>,
    }
}

written_words! {
    /// How sensors are compared with the reference.
    pub enum Method {
        /// At the same time, each through its own channel.
        Comparison = "comparison",
        /// One after the other through the same channel, while the reference's own channel stands for the motion.
        Substitution = "substitution",
    }
}

written_words! {
    /// In which order the points of a plan are run.
    pub enum Order {
        /// So that the whole takes least time: from point to point with the least waiting.
        Fastest = "fastest",
        /// As they stand in the plan.
        AsWritten = "as_written",
    }
}

written_table! {
    /// Waiting until the temperature is steady.
    pub struct Soak {
        /// Largest change of temperature over the time below.
        pub steady: Kelvins,
        /// Time over which the change is looked at.
        pub over: Seconds = Seconds::new(60.0),
        /// Longest waiting; if it is not steady then, the run is held.
        pub longest: Seconds = Seconds::new(1800.0),
    }
}

written_words! {
    /// How a deviation is judged against its tolerance.
    pub enum Rule {
        /// Accept where the value lies within the tolerance, whatever its uncertainty.
        SimpleAcceptance = "simple_acceptance",
        /// Accept where the value lies within the tolerance less a guard band as wide as the expanded uncertainty.
        GuardBand = "guard_band",
        /// Accept where the value lies within the tolerance less a guard band as wide as the chosen risk asks for.
        ChosenRisk = "chosen_risk",
    }
}

written_words! {
    /// What the deviation is a deviation from.
    pub enum DeviationFrom {
        /// The nominal sensitivity in the register.
        Nominal = "nominal",
        /// The sensitivity measured at the reference frequency.
        ReferenceFrequency = "reference_frequency",
    }
}

written_table! {
    /// The decision rule.
    pub struct Decision: Default {
        /// Which rule a deviation is judged by.
        pub rule: Rule = Rule::GuardBand,
        /// What the deviation refers to.
        pub deviation_from: DeviationFrom = DeviationFrom::Nominal,
        /// Largest probability of a wrong pass, for the rule `chosen_risk`; at most 50 %.
        pub risk: Option<Fraction> = None,
        /// Bands of frequency that are judged otherwise; where several hold a frequency, the first counts.
        pub bands: Vec<DecisionBand> = Vec::new(),
    }
}

written_table! {
    /// A band of frequency with a decision rule of its own. What it does not state is as for the others.
    pub struct DecisionBand {
        /// Lowest frequency, which belongs to it.
        pub from: Hertz,
        /// Highest frequency, which belongs to it.
        pub to: Hertz,
        /// Which rule a deviation is judged by.
        pub rule: Option<Rule>,
        /// Largest probability of a wrong pass, for the rule `chosen_risk`.
        pub risk: Option<Fraction>,
        /// Tolerance of points that state none.
        pub tolerance: Option<Fraction>,
    }
}

/// The rule that holds at a frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JudgedBy {
    /// The rule.
    pub rule: Rule,
    /// Largest probability of a wrong pass; counts for a chosen risk alone, for which 0 stands where none was written.
    pub risk: Fraction,
}

impl Decision {
    /// The band that holds a frequency.
    #[must_use]
    pub fn band(&self, frequency: Hertz) -> Option<&DecisionBand> {
        self.bands.iter().find(|band| band.from <= frequency && frequency <= band.to)
    }

    /// The rule that holds at a frequency.
    #[must_use]
    pub fn at(&self, frequency: Hertz) -> JudgedBy {
        let band = self.band(frequency);
        JudgedBy {
            rule: band.and_then(|b| b.rule).unwrap_or(self.rule),
            risk: band.and_then(|b| b.risk).or(self.risk).unwrap_or(Fraction::ZERO),
        }
    }
}

written_table! {
    /// Ambient conditions within which results count.
    pub struct AmbientLimits {
        /// Lowest temperature.
        pub temperature_min: Celsius,
        /// Highest temperature.
        pub temperature_max: Celsius,
        /// Highest relative humidity.
        pub humidity_max: Option<Fraction>,
        /// Longest pause for the room to come back within the limits; if it is not back then, the run ends and the queue holds.
        pub pause_limit: Seconds = Seconds::new(1800.0),
    }
}
