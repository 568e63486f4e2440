//! A bench for the run machine: carries out what a run asks for as the shell would, replies with latency, and refuses what no
//! shell would do. Owns: the shell's part. What the channels show is in [`wires`].

pub(crate) mod wires;

use crate::block::BlockView;
use crate::evaluate::RunFacts;
use crate::sequence::*;
use plan_schema::read::Document;
use plan_schema::resolve::{JobFiles, ResolvedJob};
use plan_schema::units::*;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use wires::{Tone, Wire};

/// Columns of the bench's rig.
pub(crate) const REFERENCE: usize = 0;
pub(crate) const ONE: usize = 1;
pub(crate) const TWO: usize = 2;
pub(crate) const THREE: usize = 3;
pub(crate) const STANDARD: usize = 4;
pub(crate) const SECOND: usize = 5;
pub(crate) const SUPPLY: usize = 6;

/// Samples in a block.
pub(crate) const FRAMES: u64 = 40;
/// Samples per second.
pub(crate) const RATE: f64 = 2000.0;
/// Longest time from a reply until the output follows, in samples; it really takes half of it.
const LATENCY: u64 = 20;

/// A plan's points, each as frequency, amplitude and what else it says.
pub(crate) fn plan(head: &str, points: &[(&str, &str, &str)]) -> String {
    let mut text = format!("format = 1\nname = \"bench\"\nsettle_limit = \"20 s\"\n{head}\n");
    for (frequency, amplitude, more) in points {
        text.push_str(&format!(
            "[[point]]\nfrequency = \"{frequency}\"\namplitude = \"{amplitude}\"\n{more}\n"
        ));
    }
    text
}

/// 16 Hz is measured first, 8 Hz after it, then 16 Hz once more.
pub(crate) fn two_points() -> String {
    plan("", &[("8 Hz", "1 g pk", ""), ("16 Hz", "1 g pk", "")])
}

pub(crate) fn job(plan: &str) -> ResolvedJob {
    job_on(plan, RIG)
}

/// The bench's rig as it is written.
pub(crate) const RIG: &str = include_str!("fixture/rig.toml");

pub(crate) fn job_on(plan: &str, rig: &str) -> ResolvedJob {
    let files = JobFiles {
        job: Document::read("job", include_str!("fixture/job.toml")).unwrap(),
        plan: Document::read("plan", plan).unwrap(),
        rig: Document::read("rig", rig).unwrap(),
        sensors: Document::read("sensors", include_str!("fixture/sensors.toml")).unwrap(),
        references: Document::read("references", include_str!("fixture/references.toml")).unwrap(),
    };
    ResolvedJob::resolve(&files).unwrap_or_else(|report| panic!("{report:?}")).0
}

/// The bench.
pub(crate) struct Bench {
    pub(crate) run: Run,
    /// Index of the next sample.
    pub(crate) now: u64,
    pub(crate) wires: Vec<Wire>,
    pub(crate) tone: Tone,
    /// What the shaker does over what its file says.
    pub(crate) response: f64,
    /// The source says that it starts at phase zero, which it does.
    pub(crate) starts_at_zero: bool,
    /// Frequency as applied over that asked for.
    pub(crate) source_clock: f64,
    /// What the source declares as its latency, in samples.
    pub(crate) latency: u64,
    /// How long the source really takes, in samples.
    pub(crate) delay: u64,
    pub(crate) temperature: Option<f64>,
    /// State of the contact inputs.
    pub(crate) inputs: Vec<bool>,
    /// The record of a quiet part gets no receipt.
    pub(crate) keeps_waiting: bool,
    /// Instruments do not prove that they are safe.
    pub(crate) stubborn: bool,
    /// The disk takes no record; receipts are owed until it does.
    pub(crate) full: bool,
    pub(crate) owed: Option<Input<'static>>,
    /// Replies and receipts are kept back in `pending`.
    pub(crate) slow: bool,
    pub(crate) pending: Vec<Input<'static>>,
    /// Nanoseconds that passed without samples.
    pub(crate) idle: u64,
    pub(crate) permit: Option<f64>,
    pub(crate) muted: bool,
    /// The source is connected to the channels in place of the amplifier.
    pub(crate) routed: bool,
    /// The reference is connected to the channels of the sensors under test in place of these.
    pub(crate) exchanged: bool,
    /// A switch that does not do what it says.
    pub(crate) stuck: bool,
    /// A person who is asked for something does it and says so.
    pub(crate) answers: bool,
    /// What was carried out, in words, with the block at which it was.
    pub(crate) log: Vec<(&'static str, u64)>,
    /// Every tone: sample, frequency, amplitude.
    pub(crate) tones: Vec<(u64, f64, f64)>,
    pub(crate) events: Vec<Event>,
    pub(crate) facts: RunFacts,
    pub(crate) outcome: Option<Outcome>,
    seed: ChaCha8Rng,
}

impl Bench {
    pub(crate) fn new(plan: &str) -> Self {
        Self::with(plan, |_| {})
    }

    /// A bench for a job that is changed before anything begins.
    pub(crate) fn with(plan: &str, change: impl FnOnce(&mut ResolvedJob)) -> Self {
        let mut job = job(plan);
        change(&mut job);
        Self::of(job)
    }

    pub(crate) fn of(job: ResolvedJob) -> Self {
        let setup = Setup::new(job);
        assert!(setup.feasible(), "{:?}", setup.forecasts);
        Self {
            wires: wires::of(&setup),
            run: Run::new(setup),
            now: 0,
            tone: Tone::NONE,
            response: 1.0,
            starts_at_zero: true,
            source_clock: 1.0,
            latency: LATENCY,
            delay: LATENCY / 2,
            temperature: None,
            inputs: Vec::new(),
            keeps_waiting: false,
            stubborn: false,
            full: false,
            owed: None,
            slow: false,
            pending: Vec::new(),
            idle: 0,
            permit: None,
            muted: true,
            routed: false,
            exchanged: false,
            stuck: false,
            answers: true,
            log: Vec::new(),
            tones: Vec::new(),
            events: Vec::new(),
            facts: RunFacts::default(),
            outcome: None,
            seed: ChaCha8Rng::seed_from_u64(7),
        }
    }

    pub(crate) fn mono(&self) -> Mono {
        Mono(self.now * 500_000 + self.idle)
    }

    /// Hands an input in and carries out what follows from it.
    pub(crate) fn feed(&mut self, input: Input<'_>) {
        let mut actions = Vec::new();
        self.run.step(self.mono(), input, &mut actions);
        let inputs: Vec<Input<'static>> = actions.into_iter().filter_map(|a| self.carry_out(a)).collect();
        if self.slow {
            return self.pending.extend(inputs);
        }
        for input in inputs {
            self.feed(input);
        }
    }

    fn carry_out(&mut self, action: Action) -> Option<Input<'static>> {
        let at = self.now / FRAMES;
        let (word, input) = match action {
            Action::Grant(ceiling) => {
                self.permit = Some(ceiling.si());
                ("grant", None)
            }
            Action::Withdraw => {
                self.permit = None;
                ("withdraw", None)
            }
            Action::Warn(true) => ("warn", Some(Input::Replied(Reply::Warned, self.effective(0)))),
            Action::Warn(false) => ("warn no more", None),
            Action::Route(on) => {
                assert!(self.tone.wanted() == 0.0 && self.muted, "the switch goes under drive");
                match self.run.setup().substitution() {
                    None => self.routed = on,
                    Some(_) => {
                        assert!(self.permit.is_none(), "sensors are exchanged under leave");
                        self.exchanged = on && !self.stuck;
                    }
                }
                (
                    if on { "route" } else { "route back" },
                    Some(Input::Replied(Reply::Routed, self.effective(0))),
                )
            }
            Action::Unmute => {
                assert!(self.permit.is_some(), "unmuted without leave");
                self.muted = false;
                ("unmute", Some(Input::Replied(Reply::Unmuted, self.effective(0))))
            }
            Action::SetTone { frequency, amplitude, over } => {
                assert!(self.routed == self.muted, "a tone where it does not belong");
                assert!(amplitude.si() <= self.permit.unwrap_or(-1.0), "drive beyond leave");
                ("tone", Some(self.set_tone(frequency * self.source_clock, amplitude, over)))
            }
            Action::SourceOff { over } => {
                let effective = self.go(0.0, over);
                ("off", Some(Input::Replied(Reply::SourceOff, effective)))
            }
            Action::MakeSafe(target) => self.make_safe(target),
            Action::StoreQuiet(record) => {
                let when = record.when;
                self.facts.quiet.push(*record);
                let receipt = self.receipt(Stored::Quiet(when));
                ("store quiet", (!self.keeps_waiting).then_some(receipt))
            }
            Action::StoreFirstMotion(motion) => {
                self.facts.first_motion = Some(*motion);
                ("store first motion", Some(self.receipt(Stored::FirstMotion)))
            }
            Action::StorePoint(end) => {
                self.facts.ends.push(*end);
                ("store point", Some(self.receipt(Stored::Point)))
            }
            Action::StoreRatioTone(tone) => {
                self.facts.channels.push(*tone);
                ("store ratio", Some(Input::Stored(Stored::RatioTone)))
            }
            Action::StoreConfirmation(cable, name) => {
                self.facts.confirmed.push((cable, name, String::new()));
                ("store confirmation", Some(Input::Stored(Stored::Confirmation)))
            }
            Action::StoreTrip(_) => ("store trip", None),
            Action::Tell(event) => {
                let answer = match event {
                    Event::Asks(cable) if self.answers => {
                        assert!(self.permit.is_none(), "a cable is moved under leave");
                        self.routed = cable == Cable::ToChannels;
                        self.exchanged = cable == Cable::ReferenceToChannels;
                        Some(Input::Confirmed { name: "B. Bench".to_owned() })
                    }
                    _ => None,
                };
                self.events.push(event);
                return answer;
            }
            Action::Finish(outcome) => {
                self.outcome = Some(outcome);
                ("finish", None)
            }
        };
        self.log.push((word, at));
        input
    }

    fn receipt(&mut self, what: Stored) -> Input<'static> {
        if self.full {
            self.owed = Some(Input::Stored(what));
            return Input::StoreWaits("no space left".into());
        }
        Input::Stored(what)
    }

    fn make_safe(&mut self, target: Target) -> (&'static str, Option<Input<'static>>) {
        let word = match target {
            Target::Source => {
                self.tone = self.tone.to(0.0, self.now as f64, 0.0);
                "safe source"
            }
            Target::Amplifier => {
                self.muted = true;
                "safe amplifier"
            }
        };
        let done = Input::Replied(Reply::MadeSafe(target), self.effective(0));
        let failed = Input::MakeSafeFailed { target, detail: "no proof".into() };
        (word, Some(if self.stubborn { failed } else { done }))
    }

    fn set_tone(&mut self, frequency: Hertz, amplitude: Volts<Peak>, over: Seconds) -> Input<'static> {
        self.tones.push((self.now, frequency.si(), amplitude.si()));
        let begun = self.now + self.delay;
        self.tone = self.tone.go(frequency.si(), amplitude.si(), begun as f64, over.si() * RATE);
        let effective = self.effective(samples(over));
        Input::Replied(Reply::Tone { frequency, amplitude, way: over }, effective)
    }

    fn go(&mut self, amplitude: f64, over: Seconds) -> Effective {
        let begun = (self.now + self.delay) as f64;
        self.tone = self.tone.to(amplitude, begun, over.si() * RATE);
        self.effective(samples(over))
    }

    fn effective(&self, over: u64) -> Effective {
        Effective {
            not_before: SampleIndex(self.now),
            not_after: SampleIndex(self.now + self.latency + over),
        }
    }

    /// One block, the state of the contacts before it, and the temperature once a second.
    pub(crate) fn block(&mut self) {
        self.feed(Input::Contacts { emergency_stop_closed: true, inputs: self.inputs.clone() });
        if let Some(temperature) = self.temperature.filter(|_| self.now.is_multiple_of(50 * FRAMES)) {
            self.feed(Input::Ambient { temperature: Celsius::new(temperature), humidity: None });
        }
        self.frames(FRAMES, 0);
    }

    /// Some samples, after some that were lost.
    pub(crate) fn frames(&mut self, frames: u64, lost: u64) {
        self.now += lost;
        let response = if self.muted { 0.0 } else { self.response };
        let shaker = (&self.run.setup().plant, &self.tone, response);
        let at = (self.now, frames, RATE);
        let exchanged = if self.exchanged {
            self.run.setup().job.sensors.iter().map(|s| s.column).collect()
        } else {
            vec![]
        };
        let (columns, overload) =
            wires::block(&self.wires, shaker, at, (self.routed, &exchanged), &mut self.seed);
        let first_sample = SampleIndex(self.now);
        self.now += frames;
        let channels: Vec<&[f32]> = columns.iter().map(Vec::as_slice).collect();
        self.feed(Input::Block(BlockView {
            first_sample,
            gap_before: SampleCount(lost),
            channels: &channels,
            overload: &overload,
        }));
    }

    /// Runs to the end. Before each block `mischief` may change the bench or hand an input in.
    pub(crate) fn run(self, mut mischief: impl FnMut(&mut Self, usize) -> Option<Input<'static>>) -> Self {
        let mut bench = self;
        let starts_at_zero = bench.starts_at_zero;
        bench.feed(Input::Started { starts_at_zero });
        for n in 0..40_000 {
            if let Some(input) = mischief(&mut bench, n) {
                bench.feed(input);
            }
            if bench.run.is_done() {
                return bench;
            }
            bench.block();
        }
        panic!("the run never ended: {:?}", bench.log);
    }

    /// Runs to the end without mischief.
    pub(crate) fn finish(self) -> Self {
        self.run(|_, _| None)
    }

    /// Runs to the end; whatever `mischief` changes, it hands in nothing.
    pub(crate) fn while_it_runs(self, mut mischief: impl FnMut(&mut Self)) -> Self {
        self.run(|bench, _| {
            mischief(bench);
            None
        })
    }

    pub(crate) fn at_rest(&self) {
        assert!(self.tone.wanted() == 0.0 && self.muted && self.permit.is_none(), "{:?}", self.log);
    }

    /// True once something was carried out.
    pub(crate) fn did(&self, word: &str) -> bool {
        self.log.iter().any(|(w, _)| *w == word)
    }

    /// Points that ended so far, repeats included.
    pub(crate) fn ended(&self) -> usize {
        self.facts.ends.len()
    }

    /// True while a dwell is recorded.
    pub(crate) fn measuring(&self) -> bool {
        self.run.motion() == Some(true)
    }

    /// Every dwell that was recorded.
    pub(crate) fn dwells(&self) -> Vec<&Measurement> {
        let of = |end: &'_ PointEnd| matches!(end, PointEnd::Measured(_));
        assert!(self.facts.ends.iter().all(of), "{:?}", self.events);
        self.facts
            .ends
            .iter()
            .filter_map(|e| match e {
                PointEnd::Measured(m) => Some(m),
                PointEnd::Unreached { .. } => None,
            })
            .collect()
    }
}

fn samples(time: Seconds) -> u64 {
    SampleCount::at_least(time, SamplesPerSecond::new(RATE)).0
}
