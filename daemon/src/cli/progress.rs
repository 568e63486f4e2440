//! Live progress in the terminal, drawn by a thread of its own: the station's thread never draws.

use super::say;
use crate::station::Observer;
use calibration::sequence::{Cable, Event, Pause, PointEnd, QuietTime};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use plan_schema::resolve::ResolvedPoint;
use plan_schema::units::{Mono, engineering};
use std::io::IsTerminal;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

/// What may wait to be drawn; what comes beyond is left out, never waited for.
const DEPTH: usize = 256;

enum Line {
    /// What goes on now.
    Now(String),
    /// Something that stays.
    Stays(String),
    /// A point is over.
    Over(String),
}

/// Draws until all its lines are let go of.
pub(super) struct Painter {
    thread: JoinHandle<()>,
}

/// Looks on at a run and passes on what is worth drawing.
struct Watcher {
    lines: SyncSender<Line>,
    points: Vec<ResolvedPoint>,
}

/// A painter and the observer that feeds it.
pub(super) fn painter(points: &[ResolvedPoint]) -> (Painter, Box<dyn Observer>) {
    let (lines, drawn) = sync_channel(DEPTH);
    let total = points.len() as u64;
    let thread = std::thread::spawn(move || draw(total, &drawn));
    (Painter { thread }, Box::new(Watcher { lines, points: points.to_vec() }))
}

impl Painter {
    /// Waits until everything is drawn.
    pub(super) fn finish(self) {
        // A painter that failed is no reason to lose a result.
        let _ = self.thread.join();
    }
}

fn draw(total: u64, lines: &Receiver<Line>) {
    let terminal = std::io::stderr().is_terminal();
    let target = if terminal { ProgressDrawTarget::stderr() } else { ProgressDrawTarget::hidden() };
    let bar = ProgressBar::with_draw_target(Some(total), target);
    if let Ok(style) = ProgressStyle::with_template("{bar:24} {pos}/{len}  {wide_msg}") {
        bar.set_style(style);
    }
    for line in lines {
        let stays = match line {
            Line::Now(text) => {
                bar.set_message(text);
                continue;
            }
            Line::Stays(text) => text,
            Line::Over(text) => {
                bar.inc(1);
                text
            }
        };
        if terminal {
            bar.println(stays);
        } else {
            say::error(&stays);
        }
    }
    bar.finish_and_clear();
}

impl Watcher {
    fn pass(&self, line: Line) {
        // A painter that lags loses lines, the station never waits for it.
        let _ = self.lines.try_send(line);
    }

    fn name(&self, point: usize) -> String {
        let frequency = self.points.get(point).map_or(0.0, |p| p.frequency.si());
        format!("{:>9}", engineering(frequency, "Hz"))
    }
}

impl Observer for Watcher {
    fn event(&mut self, now: Mono, event: &Event) {
        match event {
            Event::SoakBegins(left) if left.si() > 0.0 => {
                let text = format!("waiting {} for sensors and temperature", engineering(left.si(), "s"));
                self.pass(Line::Now(text));
            }
            Event::SoakBegins(_) => {}
            Event::FirstMotionBegins(frequency) => {
                let text = format!("first motion at {}", engineering(frequency.si(), "Hz"));
                self.pass(Line::Now(text));
            }
            Event::Paused(text) => self.pass(Line::Stays(format!("PAUSED: {text}"))),
            Event::GoesOn => self.pass(Line::Stays("The record is kept; the run goes on.".to_owned())),
            Event::Noticed(text) => self.pass(Line::Stays(format!("NOTICED: {text}"))),
            Event::ClosingBegins(point) => {
                self.pass(Line::Now(format!("{} once more, to see what drifted", self.name(*point))));
            }
            Event::ChannelRatioBegins(_) => {
                self.pass(Line::Now("one voltage in all channels, the amplifier muted".to_owned()));
            }
            Event::ExchangeBegins(Cable::ReferenceToChannels) => {
                self.pass(Line::Now(
                    "the reference to the sensors' channels, the amplifier muted".to_owned(),
                ));
            }
            Event::ExchangeBegins(_) => {
                self.pass(Line::Now("the sensors to their channels, the amplifier muted".to_owned()));
            }
            Event::Asks(cable) => self.pass(Line::Stays(format!("ASKED: {}", cable.asks()))),
            Event::Confirmed(_) => self.pass(Line::Stays("Confirmed: the cables were moved.".to_owned())),
            Event::QuietBegins(QuietTime::Before) => self.pass(Line::Now("listening at rest".to_owned())),
            Event::QuietBegins(QuietTime::After) => {
                self.pass(Line::Now("listening at rest again".to_owned()))
            }
            Event::PointBegins(point) => self.pass(Line::Now(format!("{} approaching", self.name(*point)))),
            Event::Amplitude { point, amplitude, target } => self.pass(Line::Now(format!(
                "{} {} of {} pk",
                self.name(*point),
                engineering(amplitude.si(), "m/s²"),
                engineering(target.si(), "m/s²")
            ))),
            Event::DwellBegins { point, .. } => {
                self.pass(Line::Now(format!("{} measuring", self.name(*point))))
            }
            Event::Tripped(trip) => {
                self.pass(Line::Stays(format!("TRIPPED ({}): {}", trip.reason.word(), trip.message)));
            }
            Event::Pause(Pause::Begins { finding, .. }) => {
                self.pass(Line::Stays(format!("PAUSED at zero drive: {}", finding.message)));
            }
            Event::Pause(Pause::Ends { lasted }) => {
                let text = format!("The room is back; going on after {}", engineering(lasted.si(), "s"));
                self.pass(Line::Stays(text));
            }
            Event::Stopping(_) => self.pass(Line::Now("coming to rest".to_owned())),
            Event::Failure(text) => self.pass(Line::Stays(format!("FAILED: {text}"))),
        }
        let _ = now;
    }

    fn point(&mut self, now: Mono, end: &PointEnd) {
        let at = now.since(Mono(0)).si();
        let stays = match end {
            PointEnd::Measured(m) => m.closing || m.repeat > 0,
            PointEnd::Unreached { closing, .. } => *closing,
        };
        let text = match end {
            PointEnd::Measured(m) => match m.findings.first() {
                None => format!(
                    "{} measured, settled in {:.1} s (at {at:.0} s)",
                    self.name(m.point),
                    m.settle.si()
                ),
                Some(finding) => {
                    format!("{} finding: {} (at {at:.0} s)", self.name(m.point), finding.message)
                }
            },
            PointEnd::Unreached { point, finding, .. } => {
                format!("{} rejected: {} (at {at:.0} s)", self.name(*point), finding.message)
            }
        };
        self.pass(if stays { Line::Stays(text) } else { Line::Over(text) });
    }
}
