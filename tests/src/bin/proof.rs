//! `proof FIGURE [--full]`: finds out one of the claimed figures and prints it with limit, sample and seeds.
//!
//! Exit status: 0 the claim holds, 1 it does not or could not be found out, 2 there is no such figure.

#![expect(clippy::print_stdout, clippy::print_stderr, reason = "this program is there to print")]

use anyhow::Result;
use std::path::Path;
use std::process::ExitCode;
use std::time::Instant;
use tests::claims::formats::{agreement, fuzz};
use tests::claims::{
    adversity, amplitude, check_speed, common_practice, conformance, coverage, cut_off, doors, estimator,
    graded, hosts, identity, index_size, leave, main_job, night, outside, pace, pages, peers, power_cut,
    reaction, real_runs, records, release, results, rig, scheduled, sound, start, stops, struck, suites,
    trips, watched, worked,
};
use tests::program::{Built, path_of_calwright};
use tests::{Bench, Figure};

/// A figure's name, what it is about, and how it is found out; `true` for the full form.
type Entry = (&'static str, &'static str, fn(bool) -> Result<Vec<Figure>>);

const FIGURES: &[Entry] = &[
    ("A.1", "time of the README's first command", time),
    ("A.2", "identity of two runs with one seed", same_bytes),
    ("A.3", "altered bytes that go unnoticed", alterations),
    ("A.4", "agreement with an independent fit", refit),
    ("A.5", "faults that are not handled as they must be", faults),
    ("A.6", "documents against their schemas, and the golden files", documents),
    ("A.7", "the shape of the house", house),
    ("B.1", "linear rigs against their transfer functions", |_| Ok(rig::transfer()?.into())),
    ("B.2", "nonlinear rigs against an independent solver", |_| Ok(vec![rig::equations()?])),
    ("B.3", "electro-mechanical facts of the three rigs", |_| Ok(vec![rig::facts()?])),
    ("B.4", "noise, clocks and converters", |_| Ok(vec![rig::channels()?])),
    ("B.5", "speed of the simulator and of dry runs", |full| rig::speed(if full { 10 } else { 3 })),
    ("B.6", "rigs drawn at random", |full| Ok(vec![rig::drawn(full)?])),
    ("C.1", "time beside the dwells, and waits as foreseen", |full| pace::overhead(&seeds(full, 2, 50))),
    ("C.2", "time beside the dwells against the conventional loop's", against_conventional),
    ("C.3", "amplitudes when dwells begin, and overshoot of the stroke", amplitudes),
    ("C.4", "scatter, bias and coverage of the estimator", scatter),
    ("C.5", "speed of the estimator beside numpy", |_| Ok(estimator::speed()?.into())),
    ("C.6", "the golden table of the amplitude loop", golden_table),
    ("C.7", "time for the frequencies of a key comparison", |_| Ok(vec![pace::key_comparison()?])),
    ("D.1", "common practice on a portable rig", |full| common_practice::six_points(&seeds(full, 1, 10))),
    ("D.2", "stops without any fault", |full| {
        stops::stops_of_all(if full { stops::Form::FULL } else { stops::Form::SMALL }, 1)
    }),
    ("D.3", "scheduled faults, and faults of graded size", |full| {
        Ok(vec![scheduled::all(full)?, scheduled::off::held(full)?, graded::all(full)?])
    }),
    ("D.4", "the bound of the observer against the truth", |full| {
        watched::figures(if full { 10_000 } else { 60 })
    }),
    ("D.5", "reaction of the station beside a bare echo", |full| {
        reaction::beside_an_echo(if full { 5000 } else { 200 })
    }),
    ("D.6", "drive without leave or with a latched trip", under_leave),
    ("E.1", "wrong inputs that lack place, remedy or exit status", |_| {
        Ok(vec![held("wrong inputs", "wrong_inputs::")?])
    }),
    ("E.2", "schemas against readers, quantities against what is printed of them", formats),
    ("E.3", "every reader against mangled and drawn input", |full| {
        Ok(vec![fuzz::readers(if full { 10_000_000 } else { 2000 })?])
    }),
    ("E.4", "units and kinematics against a library of units", |_| Ok(vec![outside::units()?])),
    ("E.5", "time of `check` for 200 points and 16 sensors", |full| {
        Ok(vec![check_speed::speed(if full { 30 } else { 5 })?])
    }),
    ("F.1", "worked examples of uncertainty, and random models against GTC", examples_of_uncertainty),
    ("F.2", "coverage of stated intervals", |full| coverage::coverage(if full { 2000 } else { 200 })),
    ("F.3", "coverage under budgets that are wrong", |full| {
        coverage::wrong_budgets(if full { 20_000 } else { 2000 })
    }),
    ("F.4", "uncertainties of the example plan, achieved and foreseen", |full| {
        results::uncertainties(&seeds(full, 1, 20))
    }),
    ("F.5", "the pages of certificates", |_| Ok(vec![pages::pages()?])),
    ("F.6", "certificates as XML against the open schema", |full| {
        Ok(vec![release::documents(if full { 20 } else { 5 })?])
    }),
    ("F.7", "alterations of a released run that go unnoticed", |full| {
        Ok(vec![release::alterations(if full { 500 } else { 30 })?])
    }),
    ("F.8", "time of a certificate, and of deriving a run again", |full| {
        results::speed(if full { 10 } else { 3 })
    }),
    (
        "G.1",
        "the example job through sockets, lines and hosts, against the run in one process",
        real_runs::figures,
    ),
    ("G.2", "instruments swapped by lines of the rig file alone", real_runs::swapped),
    ("G.3", "processes struck and links cut while the armature moves", struck::figures),
    ("G.4", "peers that no one here wrote", foreign_peers),
    ("G.5", "what an instrument in a process of its own costs", hosts::cost),
    ("G.6", "conformance of every driver, and of broken ones", conformance::figures),
    ("G.7", "bytes from a peer, broken at random", hosts::fuzzed),
    ("H.1", "a night of jobs, and the daemon's memory", |full| night::night(if full { 40 } else { 8 })),
    ("H.2", "the daemon killed at random moments", |full| cut_off::killed(if full { 200 } else { 4 })),
    ("H.3", "power cuts under a disk that forgets", |full| Ok(vec![power_cut::figure(full)?])),
    ("H.4", "disk, database and clock go wrong", |full| Ok(vec![adversity::figure(full)?])),
    ("H.5", "the API against its description, and who gets in", doors::description),
    ("H.6", "the page in a browser", doors::page),
    ("H.7", "a crowd at the port", doors::crowd),
    ("H.8", "lists and histories with many runs in the index", |full| {
        index_size::speed(if full { 100_000 } else { 2000 }, if full { 20 } else { 3 })
    }),
    ("H.9", "how soon it is there, and what it takes while idle", start::figures),
];

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [word, folder, seed] = arguments.as_slice()
        && word == "worker"
    {
        return work(folder, seed);
    }
    let (options, names): (Vec<_>, Vec<_>) = arguments.iter().partition(|a| a.starts_with("--"));
    let full = !options.is_empty();
    let entry = match names.as_slice() {
        [name] if options.iter().all(|o| *o == "--full") => FIGURES.iter().find(|(n, ..)| n == name),
        _ => None,
    };
    let Some((name, about, find_out)) = entry else {
        eprintln!("usage: proof FIGURE [--full], where FIGURE is one of");
        FIGURES.iter().for_each(|(name, about, _)| eprintln!("  {name}  {about}"));
        return ExitCode::from(2);
    };
    println!("{name}: {about}{}", if full { ", full form" } else { "" });
    match path_of_calwright().and_then(|_| find_out(full)) {
        Ok(figures) => {
            figures.iter().for_each(|figure| println!("{figure}"));
            ExitCode::from(u8::from(!figures.iter().all(Figure::met)))
        }
        Err(error) => {
            println!("{name} could not be found out: {error:#}");
            ExitCode::from(1)
        }
    }
}

fn foreign_peers(full: bool) -> Result<Vec<Figure>> {
    let mut figures = vec![peers::drivers_on_a_foreign_unit()?, peers::foreign_clients_on_our_panels()?];
    figures.extend(sound::figures(full)?);
    Ok(figures)
}

/// A run under leave in a process of its own, for D.6, to be killed.
fn work(folder: &str, seed: &str) -> ExitCode {
    let done = seed.parse().map_err(Into::into).and_then(|seed| leave::worker(Path::new(folder), seed));
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::from(1)
        }
    }
}

/// As many seeds as the form wants.
fn seeds(full: bool, few: u64, many: u64) -> Vec<u64> {
    (1..=if full { many } else { few }).collect()
}

#[expect(clippy::disallowed_methods, reason = "how long a person waits is what is claimed")]
fn time(full: bool) -> Result<Vec<Figure>> {
    let profile = Built::here()?.profile;
    let limit = if profile == "dev" { 6.0 } else { 3.0 };
    let runs = if full { 10 } else { 3 };
    let mut slowest: f64 = 0.0;
    let mut sample = String::new();
    for _ in 0..runs {
        let bench = Bench::new()?;
        let begun = Instant::now();
        let (_, run) = main_job::first_command(&bench)?;
        slowest = slowest.max(begun.elapsed().as_secs_f64());
        let size = main_job::complete(&run)?;
        sample =
            format!("{runs} runs of {} sensors and {} points, profile {profile}", size.sensors, size.points);
    }
    let what = "slowest run of the README's first command".to_owned();
    Ok(vec![Figure { what, value: slowest, limit, unit: "s", sample, seeds: vec![1] }])
}

fn same_bytes(full: bool) -> Result<Vec<Figure>> {
    Ok(vec![identity::bytes(&seeds(full, 3, 20))?])
}

fn alterations(full: bool) -> Result<Vec<Figure>> {
    Ok(vec![records::alterations(&seeds(full, 1, 3), if full { 24 } else { 6 })?])
}

fn refit(full: bool) -> Result<Vec<Figure>> {
    Ok(outside::refit(&seeds(full, 2, 20))?.into())
}

fn faults(full: bool) -> Result<Vec<Figure>> {
    Ok(vec![trips::all(&seeds(full, 1, 20))?])
}

fn under_leave(full: bool) -> Result<Vec<Figure>> {
    Ok(vec![leave::sequences(&seeds(full, 4, 200))?, leave::kill_figure(&seeds(full, 3, 50))?])
}

fn against_conventional(full: bool) -> Result<Vec<Figure>> {
    pace::against_conventional(&seeds(full, 2, 50))
}

fn amplitudes(full: bool) -> Result<Vec<Figure>> {
    amplitude::settled(&seeds(full, 2, 50))
}

fn scatter(full: bool) -> Result<Vec<Figure>> {
    estimator::bound(estimator::Form { trials: if full { 40_000 } else { 1000 }, shown: full })
}

fn examples_of_uncertainty(_full: bool) -> Result<Vec<Figure>> {
    Ok(vec![worked::examples()?, worked::against_gtc(50)?])
}

fn golden_table(_full: bool) -> Result<Vec<Figure>> {
    let passed = suites::unit("calibration", "golden")?;
    Ok(vec![none_broken("cells of the golden table", passed)])
}

fn formats(full: bool) -> Result<Vec<Figure>> {
    let exact = suites::unit("plan-schema", "reading_back_is_exact")?;
    let agree = agreement::documents(if full { 10_000 } else { 600 })?;
    Ok(vec![agree, none_broken("quantities printed and read back", exact)])
}

fn documents(_full: bool) -> Result<Vec<Figure>> {
    Ok(vec![outside::schemas()?, held("golden files", "golden::")?])
}

fn house(_full: bool) -> Result<Vec<Figure>> {
    Ok(vec![held("rules of the house", "tidy::")?])
}

/// A module of the system tests as a figure: a test that fails makes an error, so none is left to count.
fn held(what: &str, module: &str) -> Result<Figure> {
    Ok(none_broken(what, suites::system(module)?))
}

fn none_broken(what: &str, passed: usize) -> Figure {
    Figure {
        what: format!("{what} that are broken"),
        value: 0.0,
        limit: 0.0,
        unit: "",
        sample: format!("{passed} tests passed"),
        seeds: vec![],
    }
}
