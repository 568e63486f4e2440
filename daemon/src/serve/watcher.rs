//! Looks on at a run from the station's thread, and passes on what viewers want to know.
//!
//! Invariant: never waits. What does not fit into the line is lost to viewers, and only to them.

use super::words::{Happening, Moment, PointNews, SensorNews};
use crate::station::Observer;
use calibration::evaluate::provisional;
use calibration::sequence::{Event, Finding, Measurement, Part, Pause, PointEnd, Seen, Setup};
use drivers::AmbientReading;
use plan_schema::units::{Mono, Seconds};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::Sender;

/// Moments follow each other no faster, in real time.
const PACE: Duration = Duration::from_millis(200);

/// Observer of a run for viewers.
pub struct Watcher {
    line: Sender<Happening>,
    setup: Setup,
    moment: Moment,
    begun: Option<Mono>,
    last: Option<Instant>,
    /// Largest displacement since, for a whole cycle: a block is often shorter than one.
    peak: Peak,
    /// Points of which something was measured, those taken over included.
    measured: Vec<bool>,
    /// Those of them that come no more: a point is told of for each of its repeats.
    ended: Vec<bool>,
}

/// The larger of the last two stretches of a cycle each.
#[derive(Debug, Clone, Copy, Default)]
struct Peak {
    since: Mono,
    before: f64,
    now: f64,
}

impl Peak {
    fn take(&mut self, at: Mono, value: f64, cycle: Seconds) -> f64 {
        if at.since(self.since) >= cycle {
            (self.before, self.now, self.since) = (self.now, 0.0, at);
        }
        self.now = self.now.max(value);
        self.now.max(self.before)
    }
}

impl Watcher {
    /// A watcher of the run of this name.
    #[must_use]
    pub fn new(run: &str, setup: &Setup, line: Sender<Happening>) -> Self {
        let points = u32::try_from(setup.job.points.len()).unwrap_or(u32::MAX);
        let taken_over: Vec<bool> = (0..setup.job.points.len())
            .map(|n| setup.resumed.as_ref().is_some_and(|r| r.done.contains(&n)))
            .collect();
        Self {
            line,
            moment: Moment { run: run.to_owned(), points, ..Moment::default() },
            begun: None,
            last: None,
            peak: Peak::default(),
            measured: taken_over.clone(),
            ended: taken_over,
            setup: setup.clone(),
        }
    }

    fn pass(&self, what: Happening) {
        let _ = self.line.try_send(what);
    }

    /// Time that the rest will take: what is foreseen of points that did not end, and of the waits that are left.
    fn remaining(&self, part: Part, elapsed: f64) -> f64 {
        let forecasts = self.setup.forecasts.iter().zip(&self.ended);
        let points: f64 = forecasts.filter(|(_, ended)| !**ended).map(|(f, _)| f.time.si()).sum();
        let waits = self.setup.waits();
        match part {
            Part::Soak | Part::Channels | Part::Quiet | Part::FirstMotion
                if self.ended.iter().all(|ended| !ended) =>
            {
                (waits.total().si() + points - elapsed).max(points)
            }
            Part::Stopping => 0.0,
            _ => points + (waits.closing + waits.quiet * 0.5).si(),
        }
    }

    fn measured(&self, m: &Measurement) -> PointNews {
        let job = &self.setup.job;
        let taking = job.sensors.iter().enumerate().filter(|(_, s)| s.takes(m.point));
        let sensors = taking.map(|(n, mounted)| {
            let said = provisional(&self.setup, m, n);
            let concerns =
                |f: &&Finding| f.column.is_none_or(|c| c == mounted.column || c == job.reference.column);
            let findings = m.findings.iter().filter(concerns).map(|f| f.kind.word().to_owned()).collect();
            SensorNews {
                serial: mounted.sensor.serial.clone(),
                deviation_percent: said.and_then(|s| s.deviation).map(|d| d * 100.0),
                phase_deg: said.and_then(|s| s.phase).map(|p| p.degrees()),
                accepted: said.is_some_and(|s| s.valid),
                findings,
            }
        });
        self.news(m.point, sensors.collect())
    }

    fn news(&self, point: usize, sensors: Vec<SensorNews>) -> PointNews {
        PointNews {
            run: self.moment.run.clone(),
            point: number(point),
            done: u32::try_from(self.measured.iter().filter(|m| **m).count()).unwrap_or(u32::MAX),
            frequency_hz: self.setup.job.points.get(point).map_or(0.0, |p| p.frequency.si()),
            sensors,
        }
    }
}

fn number(point: usize) -> u32 {
    u32::try_from(point).unwrap_or(u32::MAX).saturating_add(1)
}

const fn phase(part: Part) -> &'static str {
    match part {
        Part::Soak => "soak",
        Part::Channels => "channels",
        Part::Quiet => "quiet",
        Part::FirstMotion => "first_motion",
        Part::Settle => "settle",
        Part::Dwell => "dwell",
        Part::Paused => "paused",
        Part::Closing => "closing",
        Part::Stopping => "stopping",
    }
}

impl Observer for Watcher {
    fn event(&mut self, _now: Mono, event: &Event) {
        match event {
            Event::Pause(Pause::Begins { finding, .. }) => {
                self.moment.waits_for = Some(finding.message.clone());
            }
            Event::PointBegins(_) | Event::ClosingBegins(_) => self.ended.clone_from(&self.measured),
            Event::Paused(why) => self.moment.waits_for = Some(why.clone()),
            Event::Asks(cable) => self.moment.waits_for = Some(cable.asks().to_owned()),
            Event::Pause(Pause::Ends { .. })
            | Event::GoesOn
            | Event::Confirmed(_)
            | Event::Tripped(_)
            | Event::Stopping(_) => self.moment.waits_for = None,
            _ => {}
        }
    }

    fn point(&mut self, _now: Mono, end: &PointEnd) {
        let (point, closing) = match end {
            PointEnd::Measured(m) => (m.point, m.closing),
            PointEnd::Unreached { point, closing, .. } => (*point, *closing),
        };
        if closing {
            return;
        }
        if let Some(measured) = self.measured.get_mut(point) {
            *measured = true;
        }
        let news = match end {
            PointEnd::Measured(m) => self.measured(m),
            PointEnd::Unreached { finding, .. } => {
                let taking = self.setup.job.sensors.iter().filter(|s| s.takes(point));
                let sensors = taking.map(|mounted| SensorNews {
                    serial: mounted.sensor.serial.clone(),
                    deviation_percent: None,
                    phase_deg: None,
                    accepted: false,
                    findings: vec![finding.kind.word().to_owned()],
                });
                self.news(point, sensors.collect())
            }
        };
        self.pass(Happening::Point(news));
    }

    #[expect(clippy::disallowed_methods, reason = "how often viewers are told; nothing is judged by it")]
    fn seen(&mut self, now: Mono, seen: &Seen) {
        let elapsed = now.since(*self.begun.get_or_insert(now)).si();
        let cycle = seen.frequency.map_or(Seconds::ZERO, |f| Seconds::new(1.0 / f.si().max(1e-3)));
        let peak = seen.displacement.map(|d| self.peak.take(now, d.si(), cycle));
        let at = Instant::now();
        if self.last.is_some_and(|last| at.duration_since(last) < PACE) {
            return;
        }
        self.last = Some(at);
        self.moment = Moment {
            run: std::mem::take(&mut self.moment.run),
            points: self.moment.points,
            temperature_degc: self.moment.temperature_degc,
            humidity_percent: self.moment.humidity_percent,
            waits_for: self.moment.waits_for.take(),
            phase: phase(seen.part).to_owned(),
            point: seen.point.map(number),
            frequency_hz: seen.frequency.map(|f| f.si()),
            target_mps2_peak: seen.target.map(|a| a.si()),
            acceleration_mps2_peak: seen.amplitude.map(|a| a.si()),
            displacement_m_peak: peak,
            displacement_ceiling_m_peak: Some(seen.displacement_ceiling.si()),
            drive_v_peak: Some(seen.drive.si()),
            drive_ceiling_v_peak: seen.drive_ceiling.map(|v| v.si()),
            elapsed_s: elapsed,
            remaining_s: self.remaining(seen.part, elapsed),
        };
        self.pass(Happening::Moment(self.moment.clone()));
    }

    fn ambient(&mut self, _now: Mono, reading: &AmbientReading) {
        self.moment.temperature_degc = Some(reading.temperature.si());
        self.moment.humidity_percent = reading.humidity.map(|h| h.percent());
    }
}

#[cfg(test)]
mod tests;
