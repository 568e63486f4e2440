//! What a run does about its points: begin one, follow what it wants, end it.

use super::{Run, State, carry_out};
use crate::interlock::Watch;
use crate::sequence::input::{Action, Event, Outcome};
use crate::sequence::measure::{Finding, FindingKind, Measurement, PointEnd, measure};
use crate::sequence::point::{PointRun, Wish};
use plan_schema::units::{Accel, Hertz, Peak, Volts, engineering};

impl Run {
    pub(super) fn wish(&mut self, wish: Wish, out: &mut Vec<Action>) {
        let State::Point(point) = &mut self.state else {
            return;
        };
        let number = point.point;
        match wish {
            Wish::Wait => {}
            Wish::Seen(amplitude) => self.seen(number, amplitude, out),
            Wish::Drive(drive) => {
                let (frequency, last) = (point.frequency, point.last());
                self.seen(number, last, out);
                self.command(frequency, drive, out);
            }
            Wish::Dwell => {
                let settle = point.settle_time(&self.setup, point.dwell_from);
                let foreseen = self.setup.plant.acceleration_per_volt(point.frequency).norm();
                if point.drive().si() > 0.0 {
                    self.correction = Some(point.last().si() / point.drive().si() / foreseen);
                }
                let (amplitude, frequency) = (point.last(), point.frequency);
                self.seen(number, amplitude, out);
                out.push(Action::Tell(Event::DwellBegins { point: number, frequency, settle }));
            }
            Wish::Complete((first_sample, samples)) => {
                let Some(wanted) = self.setup.job.points.get(number) else {
                    return;
                };
                let (estimate, mut findings) = measure(&self.setup.job, wanted, point.frequency, &samples);
                findings.extend(self.setup.ambient_finding(self.temperature));
                let measurement = Measurement {
                    point: number,
                    repeat: point.repeat,
                    first_sample,
                    length: samples.first().map_or(0, Vec::len),
                    samples,
                    applied_frequency: point.frequency,
                    drive: point.drive(),
                    settle: point.settle_time(&self.setup, point.dwell_from),
                    temperature: self.temperature,
                    estimate,
                    findings,
                };
                let again = point.repeat + 1 < wanted.repeats;
                self.end_point(PointEnd::Measured(measurement), again, out);
            }
            Wish::GaveUp(last) => {
                let finding = self.not_settled(number, last);
                self.unreached(finding, out);
            }
        }
    }

    pub(super) fn seen(&self, point: usize, amplitude: Accel<Peak>, out: &mut Vec<Action>) {
        let target = self.setup.job.points.get(point).map_or(Accel::ZERO, |p| p.target);
        out.push(Action::Tell(Event::Amplitude { point, amplitude, target }));
    }

    pub(super) fn not_settled(&self, number: usize, last: Accel<Peak>) -> Finding {
        let target = self.setup.job.points.get(number).map_or(0.0, |p| p.target.si());
        Finding {
            kind: FindingKind::NotSettled,
            message: format!(
                "the amplitude reached {} of {} pk within {} but did not settle. The amplifier may be at its limit, its \
                 gain low, or the reference noisy.",
                engineering(last.si(), "m/s²"),
                engineering(target, "m/s²"),
                engineering(self.setup.job.plan.settle_limit.si(), "s")
            ),
            value: Some(last.si()),
            limit: Some(target),
            unit: Some("mps2"),
            column: None,
        }
    }

    /// Ends the current point without a measurement and goes on.
    pub(super) fn unreached(&mut self, finding: Finding, out: &mut Vec<Action>) {
        let State::Point(point) = &self.state else { return };
        let end = PointEnd::Unreached {
            point: point.point,
            repeat: point.repeat,
            settle: point.settle_time(&self.setup, self.end),
            finding,
        };
        self.end_point(end, false, out);
    }

    pub(super) fn end_point(&mut self, end: PointEnd, again: bool, out: &mut Vec<Action>) {
        if let State::Point(point) = std::mem::replace(&mut self.state, State::Idle) {
            self.state = State::StoringPoint(point, again);
            out.push(Action::StorePoint(Box::new(end)));
        }
    }

    pub(super) fn begin_point(&mut self, number: usize, out: &mut Vec<Action>) {
        let setup = &self.setup;
        let sensitivity = setup.job.points.get(number).and_then(|p| setup.reference_at(p.frequency));
        let Some((sensitivity, _)) = sensitivity else {
            out.push(Action::Tell(Event::Failure(format!(
                "point {} has no reference sensitivity",
                number + 1
            ))));
            return self.stop(Outcome::Failed, out);
        };
        let point = PointRun::new(setup, number, self.end, self.correction, sensitivity.si(), self.noise);
        let (Some(point), Some(forecast)) = (point, setup.forecasts.get(number)) else {
            return self.stop(Outcome::Done, out);
        };
        let ceiling = forecast.ceiling;
        let (frequency, drive) = (point.frequency, point.drive());
        let watch = Watch { frequency, sensitivity, zero: self.zero };
        self.state = State::Point(Box::new(point));
        out.push(Action::Tell(Event::PointBegins(number)));
        if self.leave(ceiling, out) {
            self.interlock.watch(Some(watch));
            self.command(frequency, drive, out);
        }
    }

    pub(super) fn command(&mut self, frequency: Hertz, drive: Volts<Peak>, out: &mut Vec<Action>) {
        let mut orders = Vec::new();
        let allowed = self.interlock.drive(drive, &mut orders);
        carry_out(orders, out);
        if allowed {
            let over = self.setup.plant.transition(frequency);
            out.push(Action::SetTone { frequency, amplitude: drive, over });
        } else if let Some(trip) = self.trip().cloned() {
            self.tripped(trip, out);
        }
    }
}
