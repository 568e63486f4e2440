//! Processes that are killed or stand still, a run that hangs and a link that is cut, while the armature moves: how long until
//! nothing drives it any more, whether a stop was touched, and who is left behind.

use crate::conform::SINE_PLUG_IN;
use crate::figure::Figure;
use crate::host::{is_alive, signal};
use crate::real::{Order, Running, Shop};
use anyhow::{Context, Result, bail, ensure};
use rustix::process::Signal;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// What is done.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Strike {
    Daemon(Signal),
    /// A host, by its place in the rig file.
    Host(usize, Signal),
    PlugIn(Signal),
    RunBlocked,
    AmplifierCut,
}

const HOSTS: [&str; 6] = ["generator", "power-amplifier", "mute-relay", "daq", "climate", "panel"];

/// Longest time until the armature is no longer driven, in ms.
const LIMIT_MS: f64 = 250.0;

/// One strike: time until nothing drives the armature, in ms; contacts with a stop; hosts that were left.
struct Struck {
    ms: f64,
    stops: u64,
    left: usize,
}

fn all() -> Vec<(String, Strike)> {
    let mut all = Vec::new();
    for (signal, how) in [(Signal::KILL, "killed"), (Signal::STOP, "at a standstill")] {
        all.push((format!("the daemon {how}"), Strike::Daemon(signal)));
        for (n, name) in HOSTS.iter().enumerate() {
            all.push((format!("the host of {name} {how}"), Strike::Host(n, signal)));
        }
        all.push((format!("the plug-in {how}"), Strike::PlugIn(signal)));
    }
    all.push(("the task of the run blocked".to_owned(), Strike::RunBlocked));
    all.push(("the amplifier's link cut".to_owned(), Strike::AmplifierCut));
    all
}

/// Each kind of strike, 50 times at random moments in the full form; in the small one one of each way in which a run ends.
///
/// # Errors
/// If a run does not come to move.
pub fn figures(full: bool) -> Result<Vec<Figure>> {
    if full {
        return strikes(&all(), 50, false);
    }
    let some = |s: &Strike| {
        matches!(
            s,
            Strike::Daemon(Signal::KILL)
                | Strike::Host(3, Signal::STOP)
                | Strike::RunBlocked
                | Strike::AmplifierCut
        )
    };
    let few: Vec<_> = all().into_iter().filter(|(_, s)| some(s)).collect();
    strikes(&few, 1, true)
}

/// Rigs that are struck beside each other: a rig in real time needs a part of a core, and what is timed has to be left some.
fn rigs() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from)
}

/// What came of the moments of a kind, and how many runs were over before.
#[derive(Default)]
struct Seen {
    struck: Vec<Struck>,
    idle: u32,
}

/// Strikes so often in each way, several rigs beside each other.
fn strikes(kinds: &[(String, Strike)], times: u64, patient: bool) -> Result<Vec<Figure>> {
    let work: Vec<(usize, u64)> = (0..times).flat_map(|n| (0..kinds.len()).map(move |k| (k, n))).collect();
    let (next, seen) = (AtomicUsize::new(0), Mutex::new(Vec::new()));
    seen.lock().unwrap_or_else(PoisonError::into_inner).resize_with(kinds.len(), Seen::default);
    crate::real::side_by_side(rigs());
    let hand = || -> Result<()> {
        while let Some((kind, n)) = work.get(next.fetch_add(1, Ordering::SeqCst)) {
            let (name, strike) = kinds.get(*kind).context("no such kind")?;
            let mut idle = 0;
            let one = one(*strike, *n, patient, &mut idle).with_context(|| name.clone())?;
            let mut seen = seen.lock().unwrap_or_else(PoisonError::into_inner);
            let seen = seen.get_mut(*kind).context("no such kind")?;
            seen.idle += idle;
            seen.struck.push(one);
        }
        Ok(())
    };
    let ended: Vec<Result<()>> = std::thread::scope(|scope| {
        let hands: Vec<_> = (0..rigs()).map(|_| scope.spawn(hand)).collect();
        hands.into_iter().map(|h| h.join().unwrap_or_else(|_| bail!("a hand failed"))).collect()
    });
    crate::real::side_by_side(1);
    ended.into_iter().collect::<Result<()>>()?;
    let seen = seen.into_inner().unwrap_or_else(PoisonError::into_inner);
    Ok(kinds.iter().zip(&seen).flat_map(|((name, _), seen)| told(name, &seen.struck, seen.idle)).collect())
}

/// How often a run that did not come to move is begun again: on a machine with much else to do it trips before.
const TRIES: u32 = 20;

/// One strike; counts runs that did not come to move.
fn one(strike: Strike, draw: u64, patient: bool, idle: &mut u32) -> Result<Struck> {
    let mut last = None;
    for _ in 0..TRIES {
        match struck(strike, draw, patient)? {
            Ok(done) => return Ok(done),
            Err(error) => last = Some(error),
        }
        *idle += 1;
    }
    Err(last.context("it was never tried")?)
}

fn told(name: &str, seen: &[Struck], idle: u32) -> [Figure; 2] {
    let mut times: Vec<f64> = seen.iter().map(|s| s.ms).collect();
    times.sort_by(f64::total_cmp);
    let at = |tenths: usize| times.get((times.len() - 1) * tenths / 10).copied().unwrap_or(f64::NAN);
    let spread = format!(
        "{} times: least {:.0} ms, median {:.0} ms, 9 of 10 within {:.0} ms, longest {:.0} ms; {idle} runs ended before they \
         were struck",
        times.len(),
        at(0),
        at(5),
        at(9),
        at(10)
    );
    let bad = seen.iter().map(|s| s.stops + s.left as u64).sum::<u64>();
    let figure = |what: &str, value, limit, unit| Figure {
        what: format!("{name}: {what}"),
        value,
        limit,
        unit,
        sample: spread.clone(),
        seeds: vec![1],
    };
    [
        figure("longest time until nothing drives the armature", at(10), LIMIT_MS, "ms"),
        figure("contacts with a stop, and hosts left behind", bad as f64, 0.0, ""),
    ]
}

/// Waits while the run goes on until the armature is driven, and then for a moment drawn by chance.
fn moving(shop: &Shop, running: &Running, draw: u64) -> Result<()> {
    running.wait_for(&["DwellBegins"])?;
    // SplitMix64 (Steele, Lea, Flood 2014): somewhere within the next three seconds.
    let z = (draw + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    let z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    std::thread::sleep(Duration::from_millis((z ^ (z >> 27)) % 3000));
    for _ in 0..5000 {
        if shop.is_driven() {
            return Ok(());
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    bail!("the armature is not driven")
}

#[expect(clippy::disallowed_methods, reason = "real time is what is measured")]
fn struck(strike: Strike, draw: u64, patient: bool) -> Result<Result<Struck>> {
    let plugged = matches!(strike, Strike::PlugIn(_));
    let mut order = Order::from(10.0, patient);
    if plugged {
        order.change = |rig| crate::conform::with_instrument(&rig, "generator", SINE_PLUG_IN);
    }
    let shop = Shop::open(&order)?;
    let mut running = shop.begin()?;
    if let Err(error) = moving(&shop, &running, draw) {
        return Ok(Err(error));
    }
    let hosts = running.hosts();
    ensure!(hosts.len() == HOSTS.len(), "{} hosts, not {}", hosts.len(), HOSTS.len());
    let host = |n: usize| hosts.get(n).copied().context("no such host");
    let begun = Instant::now();
    match strike {
        Strike::Daemon(kind) => signal(running.process(), kind)?,
        Strike::Host(n, kind) => signal(host(n)?, kind)?,
        Strike::PlugIn(kind) => signal(host(0)?, kind)?,
        Strike::RunBlocked => running.block()?,
        Strike::AmplifierCut => shop.amplifier.cut(),
    }
    let mut ms = f64::INFINITY;
    let (mut looked, patience) = (begun, Duration::from_secs(20));
    while begun.elapsed() < patience {
        if !shop.is_driven() {
            ms = begun.elapsed().as_secs_f64() * 1e3;
            break;
        }
        if looked.elapsed() > Duration::from_millis(50) {
            running.hosts();
            looked = Instant::now();
        }
        std::thread::sleep(Duration::from_millis(1));
    }
    // It has to stay so, and the armature to come to rest off its stops.
    for _ in 0..20 {
        std::thread::sleep(Duration::from_millis(50));
        running.hosts();
        ensure!(!shop.is_driven() || ms.is_infinite(), "it was driven again");
    }
    // A daemon that stands still or hangs is ended by a person; its hosts end by themselves.
    if matches!(strike, Strike::Daemon(_) | Strike::RunBlocked) {
        running.kill();
    }
    let ends = Instant::now();
    let over = |running: &mut Running| !is_alive(running.process()) && running.left().is_empty();
    while ends.elapsed() < patience && !over(&mut running) {
        running.hosts();
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(Ok(Struck { ms, stops: u64::from(shop.rig.truth().stop_hits), left: running.left().len() }))
}
