//! Faults of graded size that begin in mid-run: what is found, by size, and that nothing wrong is accepted.
//!
//! Owns: the sizes from far below to far above detection, and the table of what came of them. A point that is accepted
//! although it is off by more than twice its expanded uncertainty and by more than 1 % is wrong, whatever struck. What one
//! reference can't show (a fault that was there from the start, or strikes reference and sensors alike) is not asked here.

use super::scheduled::{self, Place, in_parallel, worst_error};
use crate::bench::Bench;
use crate::figure::Figure;
use crate::quick::Ran;
use anyhow::Result;
use calibration::sequence::Setup;
use calwright::load;
use calwright::record::words::PointStatus;
use plan_schema::faults::{Fault, FaultKind, Faults, Moment, Size};
use plan_schema::units::Seconds;
use std::fmt::Write as _;

/// How the sizes of a kind are meant.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Scale {
    /// In percent, as written.
    Percent,
    /// A share of what the sensor shows at the point, to be written in V pk.
    OfAmplitude,
}

/// A kind, what its sizes are, and the sizes, the least one first.
type Ladder = (FaultKind, Scale, &'static [f64]);

const LADDERS: [Ladder; 6] = [
    (FaultKind::GainJump, Scale::Percent, &[0.1, 0.3, 1.0, 2.0, 3.0, 5.0, 10.0, 30.0, 100.0, 300.0]),
    (FaultKind::LooseMount, Scale::Percent, &[0.01, 0.1, 0.3, 1.0, 2.0, 5.0, 10.0, 30.0, 100.0]),
    (FaultKind::Hum, Scale::OfAmplitude, &[0.0001, 0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0]),
    // The share that is cut off.
    (FaultKind::SensorClipped, Scale::OfAmplitude, &[-0.1, 0.0, 0.003, 0.01, 0.02, 0.05, 0.1, 0.3, 0.7]),
    (FaultKind::SlowDrift, Scale::Percent, &[0.1, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 100.0]),
    (FaultKind::CableIntermittent, Scale::Percent, &[0.1, 1.0, 5.0, 20.0, 50.0, 100.0]),
];

/// What came of one size.
#[derive(Debug, Clone, Copy, Default)]
struct Row {
    ran: usize,
    found: usize,
    wrong: usize,
    worst: f64,
}

/// The size of a fault as it is written, and as it is shown.
fn written(place: &Place, kind: FaultKind, scale: Scale, size: f64, channel: &str) -> Option<Size> {
    Some(Size(match (scale, kind) {
        (Scale::Percent, _) => format!("{size} %"),
        (Scale::OfAmplitude, FaultKind::SensorClipped) => {
            format!("{} V pk", (1.0 - size) * place.amplitude(channel)?)
        }
        (Scale::OfAmplitude, _) => format!("{} V pk", size * place.amplitude(channel)?),
    }))
}

fn is_found(ran: &Ran) -> bool {
    let odd = |p: &calwright::record::result::PointRecord| {
        !p.findings.is_empty() || !matches!(p.status, PointStatus::Accepted | PointStatus::Skipped)
    };
    ran.trip().is_some() || ran.result.sensors.iter().flat_map(|s| &s.points).any(odd)
}

/// Counts accepted points that are wrong, and prints the table of what is found.
///
/// # Errors
/// If an example can't be read, or a point can't be run without a fault.
#[expect(clippy::print_stderr, reason = "progress of many minutes")]
pub fn all(full: bool) -> Result<Figure> {
    let seed = 1;
    let places = scheduled::places(full, seed)?;
    let phases = if full { 4 } else { 1 };
    let mut table = String::new();
    let (mut ran, mut wrong) = (0, 0);
    for (kind, scale, sizes) in LADDERS {
        let rows = if kind == FaultKind::SlowDrift {
            drifts(full, seed, sizes)?
        } else {
            struck(&places, kind, scale, sizes, phases, seed)?
        };
        ran += rows.iter().map(|r| r.ran).sum::<usize>();
        wrong += rows.iter().map(|r| r.wrong).sum::<usize>();
        let part = shown(kind, scale, sizes, &rows);
        if full {
            eprintln!("faults of graded size: {ran} runs, {wrong} wrong so far{part}");
        }
        table.push_str(&part);
    }
    Ok(Figure {
        what: "points accepted with an error beyond 2 U and 1 % although a fault struck".to_owned(),
        value: wrong as f64,
        limit: 0.0,
        unit: "",
        sample: format!("{ran} runs with a fault of graded size{table}"),
        seeds: vec![seed],
    })
}

fn struck(
    places: &[Place],
    kind: FaultKind,
    scale: Scale,
    sizes: &[f64],
    phases: u32,
    seed: u64,
) -> Result<Vec<Row>> {
    let outcomes = in_parallel(places.len(), |n| -> Result<Vec<(usize, Ran)>> {
        let Some(place) = places.get(n) else { return Ok(Vec::new()) };
        let cases = (0..sizes.len()).flat_map(|size| (0..phases).map(move |phase| (size, phase)));
        let (sized, faults): (Vec<usize>, Vec<Fault>) = cases
            .filter_map(|(size, phase)| {
                let channel = place.sensor_channel(phase as usize);
                let share = sizes.get(size).copied()?;
                let value = Some(written(place, kind, scale, share, &channel)?);
                let channel = (kind != FaultKind::GainJump).then_some(channel);
                let at = place.in_dwell(phase, phases);
                Some((size, Fault { kind, at, channel, value, lasts: None }))
            })
            .unzip();
        let mut found = Vec::with_capacity(sized.len());
        place.with_each(seed, &faults, |number, ran| {
            found.extend(sized.get(number).map(|size| ran.map(|ran| (*size, ran))));
        })?;
        found.into_iter().collect()
    });
    let mut rows = vec![Row::default(); sizes.len()];
    for outcome in outcomes {
        for (size, ran) in outcome? {
            if let Some(row) = rows.get_mut(size) {
                row.take(&ran);
            }
        }
    }
    Ok(rows)
}

/// A drift needs a whole run to show: that of the portable example, from its second point on.
fn drifts(full: bool, seed: u64, sizes: &[f64]) -> Result<Vec<Row>> {
    let bench = Bench::new()?;
    let loaded = load::job(&bench.path("examples/portable.toml")).map_err(|e| anyhow::anyhow!("{e:?}"))?;
    let setup = Setup::new(loaded.job);
    let channels: Vec<String> = setup
        .job
        .sensors
        .iter()
        .filter_map(|s| setup.job.columns.get(s.column).map(|c| c.name.clone()))
        .take(if full { usize::MAX } else { 1 })
        .collect();
    let some = if full { sizes.len() } else { 2 };
    let cases: Vec<(usize, &String)> = (0..some)
        .map(|n| n * (sizes.len() - 1) / (some - 1))
        .flat_map(|n| channels.iter().map(move |c| (n, c)))
        .collect();
    let outcomes = in_parallel(cases.len(), |n| -> Result<Option<(usize, Ran)>> {
        let Some((size, channel)) = cases.get(n) else { return Ok(None) };
        let value = sizes.get(*size).map(|s| Size(format!("{s} %")));
        let at = Moment::Time(Seconds::new(20.0));
        let fault =
            Fault { kind: FaultKind::SlowDrift, at, channel: Some((*channel).clone()), value, lasts: None };
        let faults = Faults { format: setup.job.plan.format, faults: vec![fault] };
        let folder = tempfile::tempdir()?;
        Ok(Some((*size, crate::quick::run(&setup, seed, &faults, folder.path())?)))
    });
    let mut rows = vec![Row::default(); sizes.len()];
    for outcome in outcomes {
        if let Some((size, ran)) = outcome?
            && let Some(row) = rows.get_mut(size)
        {
            row.take(&ran);
        }
    }
    Ok(rows)
}

impl Row {
    fn take(&mut self, ran: &Ran) {
        self.ran += 1;
        self.found += usize::from(is_found(ran));
        if let Some(error) = worst_error(ran) {
            self.wrong += usize::from(error.excess > 0.0);
            self.worst = self.worst.max(error.percent);
        }
    }
}

fn shown(kind: FaultKind, scale: Scale, sizes: &[f64], rows: &[Row]) -> String {
    let unit = match (scale, kind) {
        (Scale::Percent, FaultKind::SlowDrift) => "in an hour",
        (Scale::Percent, _) => "",
        (Scale::OfAmplitude, FaultKind::SensorClipped) => "of the amplitude cut off",
        (Scale::OfAmplitude, _) => "of the amplitude",
    };
    let percent = |size: f64| if scale == Scale::Percent { size } else { size * 100.0 };
    let mut text = format!("\n{} ({unit})", kind.word());
    for (size, row) in sizes.iter().zip(rows).filter(|(_, r)| r.ran > 0) {
        let _ = write!(
            text,
            "\n  {:>7} %   found in {:>4} of {:>4}   worst error accepted {:.3} %   wrong {}",
            (percent(*size) * 1e6).round() / 1e6,
            row.found,
            row.ran,
            row.worst,
            row.wrong
        );
    }
    let tried: Vec<_> = sizes.iter().zip(rows).filter(|(_, r)| r.ran > 0).collect();
    let missed = tried.iter().rposition(|(_, r)| r.found < r.ran);
    let from = missed.map_or(0, |n| n + 1);
    let least =
        tried.get(from).map_or("at no size".to_owned(), |(s, _)| format!("from {} % on", percent(**s)));
    let _ = write!(text, "\n  always found: {least}");
    text
}
