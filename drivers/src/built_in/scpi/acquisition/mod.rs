//! A gated acquisition by templates: it is triggered, asked until its block is ready, and the block fetched (IEEE 488.2,
//! definite length).
//!
//! Owns: the task that does so again and again while sampling. Blocks are contiguous inside, with gaps between; how large a
//! gap is the instrument says where it can, else it is estimated from the time that passed.

mod settings;

pub use settings::AcquisitionSettings;

use super::errors;
use crate::block::Block;
use crate::built_in::feed::{Inlet, Outlet, Stretch, feed};
use crate::built_in::link::number::parse;
use crate::built_in::link::talk::Talk;
use crate::built_in::link::template::{Given, Template};
use crate::built_in::settings::{check, read_or_refuse};
use crate::built_in::{Harmless, opened};
use crate::error::{DriverError, ErrorKind};
use crate::registry::DriverFactory;
use crate::roles::{Acquisition, AcquisitionRequest, Continuity};
use crate::safe::Opened;
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, timeout};

/// Opens gated acquisitions by templates.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "scpi-acquisition"
    }

    fn describe(&self) -> &str {
        "gated acquisition that takes lines of text (SCPI) and answers with IEEE 488.2 blocks, over TCP, serial or USBTMC"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, AcquisitionSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, AcquisitionSettings::problems)?;
        let mut talk = Talk::new(&instrument.name, &settings.link);
        if settings.identify.is_empty() {
            talk.reach("open").await?;
        }
        let found = settings.identity.ask(&mut talk, &settings.identify, &instrument.name).await?;
        if let Some(queue) = settings.queue() {
            errors::clear(&mut talk, "open", queue).await?;
        }
        let gated = Gated {
            instrument: instrument.name.clone(),
            settings: Arc::new(settings),
            talk: Some(talk),
            request: None,
            running: None,
        };
        let mut opened = opened(found, Arc::new(Harmless), Seconds::ZERO);
        opened.acquisition = Some(Box::new(gated));
        Ok(opened)
    }
}

struct Gated {
    instrument: String,
    settings: Arc<AcquisitionSettings>,
    /// The conversation, while no task has it.
    talk: Option<Talk>,
    request: Option<AcquisitionRequest>,
    running: Option<Running>,
}

/// A task that fetches blocks.
struct Running {
    task: JoinHandle<Talk>,
    over: Arc<AtomicBool>,
    outlet: Outlet,
}

impl Drop for Running {
    fn drop(&mut self) {
        self.over.store(true, Ordering::SeqCst);
    }
}

impl Gated {
    fn wrong(&self, kind: ErrorKind, op: &'static str, detail: impl Into<String>) -> DriverError {
        DriverError::new(kind, &self.instrument, op, detail)
    }

    fn talk(&mut self, op: &'static str) -> Result<&mut Talk, DriverError> {
        self.talk.as_mut().ok_or_else(|| {
            DriverError::new(ErrorKind::Busy, &self.instrument, op, "it is sampling; stop it first")
        })
    }

    /// Asks for a number.
    async fn number(&mut self, question: &str) -> Result<f64, DriverError> {
        let talk = self.talk("configure")?;
        let answer = talk.ask("configure", question).await?;
        parse(&answer).map_err(|d| talk.wrong(ErrorKind::BadData, "configure", d))
    }

    /// Sends a template with its numbers.
    async fn send(&mut self, template: &Template, given: &[Given]) -> Result<(), DriverError> {
        let settings = self.settings.clone();
        let talk = self.talk("configure")?;
        let (command, _) =
            template.render(given).map_err(|d| talk.wrong(ErrorKind::OutOfRange, "configure", d))?;
        errors::set(talk, "configure", &command, settings.queue()).await
    }
}

#[async_trait]
impl Acquisition for Gated {
    fn continuity(&self) -> Continuity {
        Continuity::Gated
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        let settings = self.settings.clone();
        let (rate, frames) = (want.rate.si(), f64::from(want.frames));
        // Written so that what is no number is refused.
        if want.channels.is_empty() || want.frames == 0 || !(rate > 0.0 && rate.is_finite()) {
            let detail = "a block needs a rate, samples and channels";
            return Err(self.wrong(ErrorKind::OutOfRange, "configure", detail));
        }
        self.request = None;
        let plain = |name, value| Given { name, value, limit: false };
        let all = [plain("rate", rate), plain("frames", frames)];
        for template in settings.prepare.iter().chain([&settings.rate, &settings.frames]) {
            self.send(template, &all).await?;
        }
        for channel in &want.channels {
            let given = [plain("input", f64::from(channel.input)), plain("v_peak", channel.range.si())];
            self.send(&settings.channel, &given).await?;
            if let Some(question) = &settings.range_query {
                let (input, range) = (channel.input, channel.range.si());
                let (question, _) = question
                    .render(&[plain("input", f64::from(input))])
                    .map_err(|d| self.wrong(ErrorKind::OutOfRange, "configure", d))?;
                let found = self.number(&question).await?;
                // An instrument may write it with few digits.
                if (found - range).abs() > 1e-6 * range {
                    let detail = format!(
                        "input {input} has a range of {found} V pk, not of {range} V pk; write that into the rig file"
                    );
                    return Err(self.wrong(ErrorKind::OutOfRange, "configure", detail));
                }
            }
        }
        if let Some(question) = &settings.rate_query {
            let found = self.number(question).await?;
            if (found - rate).abs() > 1e-9 * rate {
                let detail =
                    format!("it samples at {found} S/s, not at {rate} S/s; write that into the rig file");
                return Err(self.wrong(ErrorKind::OutOfRange, "configure", detail));
            }
        }
        self.request = Some(want.clone());
        Ok(want.clone())
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        let Some(request) = self.request.clone() else {
            return Err(self.wrong(
                ErrorKind::Protocol,
                "start",
                "it was not configured; configure it first",
            ));
        };
        let settings = self.settings.clone();
        self.talk("start")?;
        let Some(mut talk) = self.talk.take() else {
            return Err(self.wrong(ErrorKind::Busy, "start", "it is sampling already"));
        };
        for command in &settings.start {
            if let Err(error) = errors::set(&mut talk, "start", command, settings.queue()).await {
                self.talk = Some(talk);
                return Err(error);
            }
        }
        let (inlet, outlet) = feed(&self.instrument, &request);
        let over = Arc::new(AtomicBool::new(false));
        let fetching = Fetching { settings, request, talk, over: over.clone() };
        self.running = Some(Running { task: tokio::spawn(fetching.run(inlet)), over, outlet });
        Ok(())
    }

    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        match self.running.as_mut() {
            Some(running) => running.outlet.next(within).await,
            None => Err(self.wrong(ErrorKind::Protocol, "next_block", "it is not sampling; start it first")),
        }
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        let Some(mut running) = self.running.take() else {
            return Ok(());
        };
        running.over.store(true, Ordering::SeqCst);
        let within = self.settings.link.transfer() * 4 + Duration::from_millis(100);
        let instrument = self.instrument.clone();
        self.talk = Some(match timeout(within, &mut running.task).await {
            Ok(Ok(talk)) => talk,
            _ => {
                running.task.abort();
                Talk::new(&instrument, &self.settings.link)
            }
        });
        let settings = self.settings.clone();
        match &settings.stop {
            Some(command) => errors::set(self.talk("stop")?, "stop", command, settings.queue()).await,
            None => Ok(()),
        }
    }
}

/// What the task has.
struct Fetching {
    settings: Arc<AcquisitionSettings>,
    request: AcquisitionRequest,
    talk: Talk,
    over: Arc<AtomicBool>,
}

impl Fetching {
    /// Fetches block after block until it is told to end, or one can't be fetched; gives the conversation back.
    async fn run(mut self, inlet: Inlet) -> Talk {
        let (begun, mut expected) = (Instant::now(), 0);
        loop {
            match self.block(begun, expected).await {
                Ok(None) => return self.talk,
                Ok(Some(stretch)) => {
                    expected = stretch.first + u64::from(self.request.frames);
                    if !inlet.put(stretch) {
                        return self.talk;
                    }
                }
                Err(error) => {
                    inlet.end(error).await;
                    return self.talk;
                }
            }
        }
    }

    /// The next block; `None` when it was told to end.
    async fn block(&mut self, begun: Instant, expected: u64) -> Result<Option<Stretch>, DriverError> {
        let (op, settings) = ("next_block", self.settings.clone());
        if let Some(command) = &settings.trigger {
            errors::set(&mut self.talk, op, command, settings.queue()).await?;
        }
        if let Some(ready) = &settings.ready {
            while !ready.ask(&mut self.talk, op).await? {
                if self.over.load(Ordering::SeqCst) {
                    return Ok(None);
                }
                sleep(Duration::from_millis(2)).await;
            }
        }
        if self.over.load(Ordering::SeqCst) {
            return Ok(None);
        }
        let frames = self.request.frames as usize;
        let ranges: Vec<f64> = self.request.channels.iter().map(|c| c.range.si()).collect();
        let most = settings.samples.length(ranges.len(), frames);
        let bytes = self.talk.ask_block(op, &settings.fetch, most).await?;
        let wrong = |talk: &Talk, detail: String| talk.wrong(ErrorKind::BadData, op, detail);
        let (samples, overload) =
            settings.samples.decode(&bytes, &ranges, frames).map_err(|d| wrong(&self.talk, d))?;
        let first = match &settings.index_query {
            Some(question) => {
                let answer = self.talk.ask(op, question).await?;
                index(&answer)
                    .ok_or_else(|| wrong(&self.talk, format!("'{answer}' is no index of a sample")))?
            }
            None => {
                let passed =
                    begun.elapsed().as_secs_f64() * self.request.rate.si() - f64::from(self.request.frames);
                #[expect(
                    clippy::cast_possible_truncation,
                    clippy::cast_sign_loss,
                    reason = "a float saturates"
                )]
                let estimate = passed.max(0.0) as u64;
                estimate.max(expected)
            }
        };
        Ok(Some(Stretch { first, samples, overload }))
    }
}

/// A whole number from 0 to 2⁵³.
fn index(answer: &str) -> Option<u64> {
    let value = parse(answer).ok().filter(|v| (0.0..9e15).contains(v) && v.fract().abs() <= 0.0)?;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "whole and in range, as was just seen"
    )]
    Some(value as u64)
}

#[cfg(test)]
mod tests;
