//! What viewers are told of a run's points and of what it waits for.

use super::*;
use crate::execution::ready;
use calibration::sequence::{Cable, FindingKind};
use std::path::Path;
use tokio::sync::mpsc::{Receiver, channel};

/// A watcher of an example's run, and what it tells.
fn watcher() -> (Watcher, Receiver<Happening>) {
    let job = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/common-practice.toml");
    let loaded = crate::load::job(&job).unwrap();
    let day = "2000-01-01T12:00:00Z".parse().unwrap();
    let setup = ready(&loaded, day).unwrap().setup;
    let (line, told) = channel(64);
    (Watcher::new("one", &setup, line), told)
}

fn end(point: usize, repeat: u32) -> PointEnd {
    let finding = Finding::plain(FindingKind::NotSettled, None, "m");
    PointEnd::Unreached { point, repeat, closing: false, settle: Seconds::ZERO, finding }
}

#[test]
fn a_point_that_is_repeated_counts_once_and_is_over_when_another_begins() {
    let (mut watcher, mut told) = watcher();
    let forecast = |watcher: &Watcher, point: usize| watcher.setup.forecasts[point].time.si();
    let whole = watcher.remaining(Part::Dwell, 0.0);
    watcher.event(Mono(0), &Event::PointBegins(3));
    for repeat in 0..2 {
        watcher.point(Mono(0), &end(3, repeat));
        let Some(Happening::Point(news)) = told.blocking_recv() else { panic!("no point") };
        assert_eq!((news.point, news.done), (4, 1));
        assert_eq!(watcher.remaining(Part::Dwell, 0.0).to_bits(), whole.to_bits(), "repeats may come");
    }
    watcher.event(Mono(0), &Event::PointBegins(2));
    let left = watcher.remaining(Part::Dwell, 0.0);
    assert!((whole - left - forecast(&watcher, 3)).abs() < 1e-9, "{whole} {left}");
    watcher.point(Mono(0), &end(2, 0));
    let Some(Happening::Point(news)) = told.blocking_recv() else { panic!("no point") };
    assert_eq!((news.point, news.done), (3, 2));
}

#[test]
fn points_that_a_resumed_run_took_over_are_done() {
    let (mut watcher, mut told) = watcher();
    for point in 0..2 {
        (watcher.measured[point], watcher.ended[point]) = (true, true);
    }
    watcher.point(Mono(0), &end(5, 0));
    let Some(Happening::Point(news)) = told.blocking_recv() else { panic!("no point") };
    assert_eq!(news.done, 3);
}

#[test]
fn a_moment_says_what_is_waited_for_until_it_is_there() {
    let (mut watcher, _told) = watcher();
    for (begins, ends) in [
        (Event::Asks(Cable::ToAmplifier), Event::Confirmed(Cable::ToAmplifier)),
        (Event::Paused("the disk is full".to_owned()), Event::GoesOn),
    ] {
        watcher.event(Mono(0), &begins);
        assert!(watcher.moment.waits_for.is_some(), "{begins:?}");
        watcher.event(Mono(0), &ends);
        assert_eq!(watcher.moment.waits_for, None, "{ends:?}");
    }
}
