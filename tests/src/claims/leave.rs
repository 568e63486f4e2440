//! Random sequences of what operators do, with faults in between: drive is never there without leave or with a latched trip.
//!
//! Each sequence is drawn from its seed: `arm`, `acknowledge`, `stop` of the real program, edits of the rig file, runs under
//! a leave that stands, that was kept too long or that ends on the way, with faults, stops and failures of the program in
//! them. A checker that is no part of the run (`watch`) looks at true drive, latch and leave after every block. In
//! `killed` the process that has the run is killed with drive on.

mod killed;
mod laboratory;
mod watch;

use crate::figure::Figure;
use anyhow::{Context, Result, bail, ensure};
use calibration::sequence::{Operator, Outcome};
use calwright::station::latch::Latch;
use calwright::station::leave::Leave;
use calwright::station::{Authority, StationError};
use laboratory::{During, Ended, Laboratory};
use std::collections::BTreeMap;

pub use killed::{kill_figure, worker};

/// Steps of a sequence.
const STEPS: usize = 10;

/// Numbers from a seed: splitmix64 (S. Vigna, public domain; from memory). No more than even draws are asked of it.
struct Draw(u64);

impl Draw {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `end`.
    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.next() % (end.max(1) as u64)).unwrap_or(0)
    }
}

/// What happened in all sequences, by its name, and what must not have.
#[derive(Debug, Default)]
struct Tally {
    happened: BTreeMap<&'static str, usize>,
    blocks: usize,
    driven: usize,
    wrong: Vec<String>,
}

impl Tally {
    fn count(&mut self, what: &'static str) {
        *self.happened.entry(what).or_default() += 1;
    }
}

/// One sequence from its seed.
struct Sequence {
    laboratory: Laboratory,
    draw: Draw,
    /// A leave that stood once.
    kept: Option<Leave>,
}

impl Sequence {
    fn step(&mut self, tally: &mut Tally) -> Result<()> {
        match self.draw.below(12) {
            0 | 1 => self.arm(0.5, tally),
            // Some ten seconds: it ends while a run goes on, or before one begins.
            2 => {
                let hours = 0.002 + 0.0001 * self.draw.below(20) as f64;
                self.arm(hours, tally)
            }
            3 => {
                let wrong = [("", "looked"), ("A. Person", " ")][self.draw.below(2)];
                ensure!(self.laboratory.acknowledge(wrong.0, wrong.1)? == 2, "{wrong:?} acknowledged");
                tally.count("acknowledged without name or cause");
                Ok(())
            }
            4 | 5 => {
                ensure!(
                    self.laboratory.place().exists()
                        == (self.laboratory.acknowledge("A. Person", "looked")? == 0)
                );
                tally.count("acknowledged");
                Ok(())
            }
            6 => {
                self.laboratory.edit_the_rig()?;
                tally.count("rig file edited");
                Ok(())
            }
            7 => {
                self.laboratory.say_stop()?;
                tally.count("stop without a run");
                Ok(())
            }
            _ => self.run(tally),
        }
    }

    /// Gives leave; refused while the rig is tripped.
    fn arm(&mut self, hours: f64, tally: &mut Tally) -> Result<()> {
        let clear = matches!(self.laboratory.latch(), Latch::Clear { .. });
        let status = self.laboratory.arm(hours)?;
        ensure!(status == if clear { 0 } else { 3 }, "arm ended with {status}, the latch clear: {clear}");
        tally.count(if clear { "leave given" } else { "leave refused, the rig being tripped" });
        Ok(())
    }

    fn run(&mut self, tally: &mut Tally) -> Result<()> {
        let standing = self.laboratory.leave()?;
        let clear = matches!(self.laboratory.latch(), Latch::Clear { .. });
        // Now and then with a leave that was kept from before, whatever became of it.
        let kept = self.kept.clone().filter(|_| standing.is_none() || self.draw.below(4) == 0);
        let Some(leave) = kept.or_else(|| standing.clone()) else {
            tally.count("no leave, no run");
            return Ok(());
        };
        let good = standing.as_ref().is_some_and(|s| s.generation == leave.generation);
        self.kept = Some(leave.clone());
        let during = self.during();
        let Ended { how, seen } = self.laboratory.run(Authority::Leave(Box::new(leave)), &during, |_| ())?;
        tally.blocks += seen.blocks;
        tally.driven += seen.driven;
        tally.wrong.extend(seen.wrong.iter().take(3).map(|w| format!("{during:?}: {w}")));
        tally.count(match how {
            Ok(Outcome::Done) => "run done",
            Ok(Outcome::Cancelled) => "run ended by a person or by the leave's time",
            Ok(Outcome::Tripped) => "run tripped",
            Ok(Outcome::Failed) => "run failed",
            Err(StationError::NotArmed(_)) => "run refused, the leave not standing",
            Err(StationError::Tripped { .. }) => "run refused, the rig being tripped",
            Err(StationError::Program(_)) => "program failed",
            Err(ref other) => bail!("{during:?}: {other}"),
        });
        let began = !matches!(how, Err(StationError::NotArmed(_) | StationError::Tripped { .. }));
        if began && !(good && clear) {
            tally.wrong.push(format!("a run began though leave stood: {good}, latch clear: {clear}"));
        }
        if !began && seen.blocks > 0 {
            tally.wrong.push("a run that was refused sampled".to_owned());
        }
        let latched = matches!(how, Ok(Outcome::Tripped) | Err(StationError::Program(_)));
        if latched && matches!(self.laboratory.latch(), Latch::Clear { .. }) {
            tally.wrong.push(format!("{during:?}: a trip that is not latched"));
        }
        Ok(())
    }

    fn during(&mut self) -> During {
        let block = 1 + self.draw.below(1800);
        let at = format!("at = \"{:.3} s\"", 0.2 + 0.01 * self.draw.below(900) as f64);
        let fault =
            |kind: &str, more: &str| During::Fault(format!("[[fault]]\nkind = \"{kind}\"\n{more}\n{at}\n"));
        match self.draw.below(12) {
            0 => During::Said(Operator::Cancel, block),
            1 => During::Said(Operator::Stop, block),
            2 | 3 => During::Stop(block),
            4 => During::Panic(block),
            5 => fault("emergency_stop", ""),
            6 => fault("permissive_opens", "channel = \"guard door\""),
            7 => fault("amplifier_trip", ""),
            8 => fault("acquisition_stall", ""),
            9 => fault("gain_jump", "value = \"400 %\""),
            10 => fault("overload", "channel = \"s1\""),
            _ => During::Nothing,
        }
    }
}

/// The checker sees a run that nobody gave leave for: here the station is told that it is a dry run.
fn canary() -> Result<usize> {
    let mut laboratory = Laboratory::new(1)?;
    let ended = laboratory.run(Authority::DryRun, &During::Nothing, |_| ())?;
    ensure!(matches!(ended.how, Ok(Outcome::Done)), "the run that the checker is to see did not go through");
    ensure!(!ended.seen.wrong.is_empty(), "the checker does not see a run without leave");
    Ok(ended.seen.wrong.len())
}

/// Counts drive without leave or with a latched trip over as many sequences as there are seeds.
///
/// # Errors
/// A command of the program that does not end as it has to, or a checker that sees nothing.
pub fn sequences(seeds: &[u64]) -> Result<Figure> {
    let caught = canary()?;
    let mut tally = Tally::default();
    for seed in seeds {
        let laboratory = Laboratory::new(seed * 1000)?;
        let mut sequence = Sequence { laboratory, draw: Draw(*seed), kept: None };
        for step in 0..STEPS {
            sequence.step(&mut tally).with_context(|| format!("sequence {seed}, step {}", step + 1))?;
        }
        if !tally.wrong.is_empty() && tally.wrong.len() < 10 {
            let last = tally.wrong.len();
            tally.wrong.push(format!("(up to here by sequence {seed}: {last})"));
        }
    }
    let happened: String = tally.happened.iter().map(|(what, n)| format!("\n  {n} × {what}")).collect();
    let wrong: String = tally.wrong.iter().take(20).map(|w| format!("\n  WRONG {w}")).collect();
    Ok(Figure {
        what: "times at which there was drive without leave or with a latched trip".to_owned(),
        value: tally.wrong.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{} sequences of {STEPS} steps; {} blocks looked at, {} of them driven; a run without leave was caught {caught} \
             times by the checker{happened}{wrong}",
            seeds.len(),
            tally.blocks,
            tally.driven,
        ),
        seeds: seeds.iter().copied().take(1).chain(seeds.last().copied()).collect(),
    })
}
