//! Every scheduled fault at every point of the example plans: the right trip, or the right finding, and no stop touched.
//!
//! Owns: the moments at which a fault strikes, and the count of what is answered wrongly. Single points of the examples' jobs
//! are `place`'s, what is wanted `contract`'s; how large a fault has to be is `graded`'s.
//!
//! A place is run by itself: quiet part, first motion, the small motion that identifies, then the point. Dwells are cut to
//! `CYCLES` cycles, soak and warning are left out; neither has to do with what is looked for. Up to where faults strike
//! they share one run, which is forked there.

mod contract;
mod judge;
pub mod off;
mod place;

use crate::bench::Bench;
use crate::figure::Figure;
use anyhow::Result;
use calwright::load;
use contract::{CONTRACT, fault_at};
use plan_schema::faults::Fault;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;

pub use judge::{PointError, worst_error};
pub use place::Place;

/// The jobs whose plans are gone through.
pub const JOBS: [&str; 6] =
    ["portable", "workshop", "mid-size", "portable-night", "portable-current", "low-frequency"];

/// Cycles of a dwell.
const CYCLES: u32 = 6;

/// Phases of the tone at which a fault strikes, and moments on the way to it, in the full form and in the small one.
const FULL: (u32, u32) = (32, 8);
const SMALL: (u32, u32) = (2, 4);

/// All places of the examples, or one of the first job; the slowest first, since they take longest.
///
/// # Errors
/// If an example can't be read, or a place can't be run.
pub fn places(full: bool, seed: u64) -> Result<Vec<Place>> {
    if full {
        let all: Vec<_> = JOBS.iter().map(|name| (*name, 0..usize::MAX)).collect();
        places_of(&all, seed)
    } else {
        places_of(&[(JOBS[0], 3..4)], seed)
    }
}

/// Places of some examples, those of these numbers of points.
fn places_of(wanted: &[(&'static str, std::ops::Range<usize>)], seed: u64) -> Result<Vec<Place>> {
    let bench = Bench::new()?;
    let mut alone = Vec::new();
    for (name, numbers) in wanted {
        let path = bench.path(&format!("examples/{name}.toml"));
        let loaded = load::job(&path).map_err(|e| anyhow::anyhow!("{name}: {e:?}"))?;
        let numbers = numbers.start..numbers.end.min(loaded.job.points.len());
        alone.extend(numbers.map(|number| (*name, loaded.job.clone(), number)));
    }
    let made = in_parallel(alone.len(), |n| {
        alone.get(n).map_or(Ok(None), |(name, job, number)| Place::new(name, job, *number, seed))
    });
    let mut places: Vec<Place> = made.into_iter().filter_map(Result::transpose).collect::<Result<_>>()?;
    places.sort_by(|a, b| a.frequency().total_cmp(&b.frequency()));
    Ok(places)
}

/// Works through so many pieces on all processors; the answers in their order.
pub fn in_parallel<T: Send>(pieces: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(pieces));
    let threads = thread::available_parallelism().map_or(1, usize::from);
    thread::scope(|scope| {
        for _ in 0..threads.min(pieces) {
            scope.spawn(|| {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    if n >= pieces {
                        return;
                    }
                    let answer = work(n);
                    done.lock().unwrap_or_else(PoisonError::into_inner).push((n, answer));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
    done.sort_by_key(|(n, _)| *n);
    done.into_iter().map(|(_, answer)| answer).collect()
}

/// Counts faults that are not answered as they must be.
///
/// # Errors
/// If an example can't be read, or a point can't be run without a fault.
pub fn all(full: bool) -> Result<Figure> {
    let seed = 1;
    let places = places(full, seed)?;
    let (in_dwell, on_the_way) = if full { FULL } else { SMALL };
    let progress = Progress::new("scheduled faults", places.len());
    let answers = in_parallel(places.len(), |n| {
        let place = places.get(n)?;
        let answers = at_place(place, seed, (in_dwell, on_the_way));
        if full {
            progress.tell(&place.name, &answers);
        }
        Some(answers)
    });
    let answers: Vec<Answer> = answers.into_iter().flatten().flatten().collect();
    let failed: Vec<&String> = answers.iter().filter_map(|a| a.as_ref().err()).collect();
    let shown: String = failed.iter().take(100).map(|text| text.as_str()).collect();
    Ok(Figure {
        what: "scheduled faults that are not answered as they must be".to_owned(),
        value: failed.len() as f64,
        limit: 0.0,
        unit: "",
        sample: format!(
            "{} faults at {} points, {in_dwell} phases of the tone and {on_the_way} moments before{shown}",
            answers.len(),
            places.len()
        ),
        seeds: vec![seed],
    })
}

/// Whether a fault was answered as it must be, or what was wrong.
type Answer = std::result::Result<(), String>;

/// Every fault of the contract at one place.
fn at_place(place: &Place, seed: u64, (in_dwell, on_the_way): (u32, u32)) -> Vec<Answer> {
    let dwelling = (0..in_dwell).map(|n| (n, place.in_dwell(n, in_dwell)));
    let before = (0..on_the_way).map(|n| (n, place.on_the_way(n, on_the_way)));
    let moments: Vec<_> = dwelling.chain(before).collect();
    let rows = (0..CONTRACT.len()).flat_map(|row| moments.iter().map(move |moment| (row, moment)));
    let cases: Vec<(usize, Fault)> = rows
        .filter_map(|(row, (phase, at))| Some((row, fault_at(place, row, at.clone(), *phase)?)))
        .collect();
    let faults: Vec<Fault> = cases.iter().map(|(_, fault)| fault.clone()).collect();
    let mut answers = Vec::with_capacity(cases.len());
    let told = place.with_each(seed, &faults, |number, ran| {
        let Some((row, fault)) = cases.get(number) else { return };
        let says = match ran {
            Ok(ran) => judge::wrong(place, *row, fault, &ran),
            Err(error) => Some(format!("{error:#}")),
        };
        let name = || {
            let value = fault.value.as_ref().map_or("", |v| v.0.as_str());
            format!("\n{} {} {value} at {:?}", place.name, fault.kind.word(), fault.at)
        };
        answers.push(says.map_or(Ok(()), |says| Err(format!("{}: {says}", name()))));
    });
    if let Err(error) = told {
        answers.push(Err(format!("\n{}: {error:#}", place.name)));
    }
    answers
}

/// Tells how far hours of trials are, so that one that is stopped has said something.
struct Progress {
    what: &'static str,
    places: usize,
    /// Places, trials and what was wrong so far.
    done: Mutex<(usize, usize, usize)>,
}

impl Progress {
    fn new(what: &'static str, places: usize) -> Self {
        Self { what, places, done: Mutex::new((0, 0, 0)) }
    }

    #[expect(clippy::print_stderr, reason = "progress of many minutes")]
    fn tell(&self, place: &str, answers: &[Answer]) {
        let wrong: Vec<&String> = answers.iter().filter_map(|a| a.as_ref().err()).collect();
        let mut done = self.done.lock().unwrap_or_else(PoisonError::into_inner);
        *done = (done.0 + 1, done.1 + answers.len(), done.2 + wrong.len());
        let (places, trials, all) = *done;
        let shown: String = wrong.iter().take(20).map(|text| text.as_str()).collect();
        eprintln!(
            "{}: {place} done, {} of {} wrong; {places} of {} points, {all} of {trials} wrong so far{shown}",
            self.what,
            wrong.len(),
            answers.len(),
            self.places
        );
    }
}
