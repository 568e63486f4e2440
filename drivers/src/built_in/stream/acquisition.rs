//! A continuous acquisition whose box sends frames of samples over TCP.
//!
//! Owns: commands and their answers, and the task that reads frames for as long as the connection stands. A frame that is
//! broken ends the connection: what follows it is not looked at.

use super::frame::{CHANNELS_MAX, Frame};
use crate::block::Block;
use crate::built_in::feed::{Inlet, Outlet, Stretch, feed};
use crate::built_in::link::number::shorten;
use crate::built_in::link::talk::of_io;
use crate::built_in::link::{Link, Wire};
use crate::built_in::settings::{WantedIdentity, check, identity, read_or_refuse};
use crate::built_in::{Harmless, opened};
use crate::error::{DriverError, ErrorKind};
use crate::registry::DriverFactory;
use crate::roles::{Acquisition, AcquisitionRequest, Continuity};
use crate::safe::Opened;
use async_trait::async_trait;
use plan_schema::rig::Instrument;
use plan_schema::units::Seconds;
use plan_schema::written_table;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncWriteExt, ReadHalf, WriteHalf, split};
use tokio::sync::mpsc::{Receiver, Sender, channel};
use tokio::task::JoinHandle;
use tokio::time::timeout;

written_table! {
    /// A continuous acquisition over TCP.
    pub struct StreamSettings {
        /// How it is reached: by tcp.
        pub link: Link,
        /// Who it has to be.
        pub identity: WantedIdentity = WantedIdentity::default(),
    }
}

impl StreamSettings {
    fn problems(&self) -> Vec<String> {
        let mut found = self.link.problems();
        if self.link.tcp.is_none() {
            found.push("settings.link: frames of samples come over TCP; write such as link = { tcp = \"192.0.2.7:5026\" }".into());
        }
        found
    }
}

/// Opens streaming acquisitions.
pub struct Factory;

#[async_trait]
impl DriverFactory for Factory {
    fn kind(&self) -> &str {
        "stream-acquisition"
    }

    fn describe(&self) -> &str {
        "continuous acquisition over TCP, for a box with a small agent; FRAMES.md describes its frames"
    }

    fn check(&self, instrument: &Instrument) -> Vec<String> {
        check(instrument, StreamSettings::problems)
    }

    async fn open(&self, instrument: &Instrument) -> Result<Opened, DriverError> {
        let settings = read_or_refuse(instrument, StreamSettings::problems)?;
        let mut line = Line::connect(&instrument.name, &settings).await?;
        let answer = line.command("open", "IDENTIFY").await?;
        let found = identity(&answer);
        settings.identity.compare(&found, &instrument.name)?;
        let stream = Stream {
            instrument: instrument.name.clone(),
            settings,
            known_as: answer,
            line: Some(line),
            outlet: None,
            request: None,
        };
        let mut opened = opened(found, Arc::new(Harmless), Seconds::ZERO);
        opened.acquisition = Some(Box::new(stream));
        Ok(opened)
    }
}

/// A connection: where commands go, and where answers come from.
struct Line {
    instrument: String,
    address: String,
    wire: WriteHalf<Box<dyn Wire>>,
    answers: Receiver<String>,
    /// Where blocks go while it samples.
    inlet: Arc<Mutex<Option<Inlet>>>,
    reader: JoinHandle<()>,
    within: Duration,
    unfinished: bool,
}

impl Drop for Line {
    fn drop(&mut self) {
        self.reader.abort();
    }
}

impl Line {
    async fn connect(instrument: &str, settings: &StreamSettings) -> Result<Self, DriverError> {
        let link = &settings.link;
        let wire = link.connect(Duration::MAX).await.map_err(|e| {
            let (kind, detail) = of_io(&e);
            DriverError::new(kind, instrument, "open", format!("{detail} (at {})", link.address()))
        })?;
        let (from, wire) = split(wire);
        let (sender, answers) = channel(4);
        let inlet = Arc::new(Mutex::new(None));
        let reader = tokio::spawn(read_on(instrument.to_owned(), from, sender, inlet.clone()));
        Ok(Self {
            instrument: instrument.to_owned(),
            address: link.address().to_owned(),
            wire,
            answers,
            inlet,
            reader,
            within: link.transfer(),
            unfinished: false,
        })
    }

    /// Sends a command; returns what its answer says behind OK.
    async fn command(&mut self, op: &'static str, command: &str) -> Result<String, DriverError> {
        let instrument = self.instrument.clone();
        let wrong = |kind, detail: String| DriverError::new(kind, &instrument, op, detail);
        if self.unfinished {
            let detail = "a command before this one was not answered; the connection is given up".to_owned();
            return Err(wrong(ErrorKind::Disconnected, detail));
        }
        self.unfinished = true;
        // What waits here already answers nothing that is asked now.
        if let Ok(answer) = self.answers.try_recv() {
            let detail = format!(
                "'{}' came though nothing was asked; the connection is given up (at {})",
                shorten(&answer),
                self.address
            );
            return Err(wrong(ErrorKind::Protocol, detail));
        }
        let asked = async {
            self.wire.write_all(format!("{command}\n").as_bytes()).await?;
            self.wire.flush().await?;
            Ok::<_, std::io::Error>(self.answers.recv().await)
        };
        let answer = match timeout(self.within, asked).await {
            Err(_) => {
                let detail = format!(
                    "no answer to '{command}' within {} ms (at {})",
                    self.within.as_millis(),
                    self.address
                );
                return Err(wrong(ErrorKind::Timeout, detail));
            }
            Ok(Err(error)) => {
                let (kind, detail) = of_io(&error);
                return Err(wrong(kind, detail));
            }
            Ok(Ok(None)) => {
                return Err(wrong(
                    ErrorKind::Disconnected,
                    format!("the connection to {} ended", self.address),
                ));
            }
            Ok(Ok(Some(answer))) => answer,
        };
        self.unfinished = false;
        if answer == "OK" {
            return Ok(String::new());
        }
        match answer.split_once(' ') {
            Some(("OK", rest)) => Ok(rest.to_owned()),
            Some(("ERROR", rest)) => {
                Err(wrong(ErrorKind::OutOfRange, format!("it refuses '{command}': {}", shorten(rest))))
            }
            _ => {
                self.unfinished = true;
                Err(wrong(ErrorKind::Protocol, format!("'{}' is no answer", shorten(&answer))))
            }
        }
    }
}

/// Reads frames until the connection ends or one is broken.
async fn read_on(
    instrument: String,
    mut from: ReadHalf<Box<dyn Wire>>,
    answers: Sender<String>,
    inlet: Arc<Mutex<Option<Inlet>>>,
) {
    let current = || inlet.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let (kind, why) = loop {
        match Frame::read(&mut from).await {
            Ok(Some(Frame::Answer(answer))) => {
                // More answers than commands: nobody could tell which is whose.
                if answers.try_send(answer).is_err() {
                    break (ErrorKind::Protocol, "answers came that nobody asked for".to_owned());
                }
            }
            Ok(Some(Frame::Block { first, samples, overload })) => {
                if let Some(inlet) = current() {
                    inlet.put(Stretch { first, samples, overload });
                }
            }
            Ok(Some(Frame::Ended(why))) => {
                break (ErrorKind::Disconnected, format!("sampling ended: {}", shorten(&why)));
            }
            Ok(None) => break (ErrorKind::Disconnected, "the other end closed the connection".to_owned()),
            Err(error) => break of_io(&error),
        }
    };
    drop(answers);
    if let Some(inlet) = current() {
        inlet.end(DriverError::new(kind, &instrument, "next_block", why)).await;
    }
}

struct Stream {
    instrument: String,
    settings: StreamSettings,
    /// Answer by which the box is known again.
    known_as: String,
    line: Option<Line>,
    outlet: Option<Outlet>,
    request: Option<AcquisitionRequest>,
}

impl Stream {
    fn wrong(&self, kind: ErrorKind, op: &'static str, detail: impl Into<String>) -> DriverError {
        DriverError::new(kind, &self.instrument, op, detail)
    }

    /// The connection; opened anew where it ended.
    async fn line(&mut self) -> Result<&mut Line, DriverError> {
        if self.line.as_ref().is_none_or(|l| l.unfinished || l.reader.is_finished()) {
            self.outlet = None;
            self.line = None;
            let mut line = Line::connect(&self.instrument, &self.settings).await?;
            let answer = line.command("open", "IDENTIFY").await?;
            if answer != self.known_as {
                let detail =
                    format!("'{}' answers in place of '{}'", shorten(&answer), shorten(&self.known_as));
                return Err(self.wrong(ErrorKind::BadData, "open", detail));
            }
            self.line = Some(line);
        }
        self.line.as_mut().ok_or_else(|| {
            DriverError::new(
                ErrorKind::Bug,
                &self.instrument,
                "open",
                "a connection was opened and is not there",
            )
        })
    }
}

/// How a request is written, and how the answer repeats it.
fn written(want: &AcquisitionRequest) -> String {
    let channels: Vec<String> =
        want.channels.iter().map(|c| format!("{}:{}", c.input, c.range.si())).collect();
    format!("rate={} frames={} channels={}", want.rate.si(), want.frames, channels.join(","))
}

#[async_trait]
impl Acquisition for Stream {
    fn continuity(&self) -> Continuity {
        Continuity::Continuous
    }

    async fn configure(&mut self, want: &AcquisitionRequest) -> Result<AcquisitionRequest, DriverError> {
        if want.channels.is_empty() || want.channels.len() > CHANNELS_MAX || want.frames == 0 {
            let detail = format!("a frame holds 1 to {CHANNELS_MAX} channels of at least one sample");
            return Err(self.wrong(ErrorKind::OutOfRange, "configure", detail));
        }
        if self.outlet.is_some() {
            return Err(self.wrong(ErrorKind::Busy, "configure", "it is sampling; stop it first"));
        }
        let written = written(want);
        let answer = self.line().await?.command("configure", &format!("CONFIGURE {written}")).await?;
        if answer != written {
            let detail = format!(
                "asked for '{written}', it can do '{}'; write that into the rig file",
                shorten(&answer)
            );
            return Err(self.wrong(ErrorKind::OutOfRange, "configure", detail));
        }
        self.request = Some(want.clone());
        Ok(want.clone())
    }

    async fn start(&mut self) -> Result<(), DriverError> {
        if self.outlet.is_some() {
            return Err(self.wrong(ErrorKind::Busy, "start", "it is sampling already"));
        }
        let Some(request) = &self.request else {
            return Err(self.wrong(
                ErrorKind::Protocol,
                "start",
                "it was not configured; configure it first",
            ));
        };
        let (inlet, outlet) = feed(&self.instrument, request);
        // A connection that was opened anew knows nothing of its configuration, and says so.
        let line = self.line().await?;
        *line.inlet.lock().unwrap_or_else(PoisonError::into_inner) = Some(inlet);
        line.command("start", "START").await?;
        self.outlet = Some(outlet);
        Ok(())
    }

    async fn next_block(&mut self, within: Seconds) -> Result<Option<Block>, DriverError> {
        match self.outlet.as_mut() {
            Some(outlet) => outlet.next(within).await,
            None => Err(self.wrong(ErrorKind::Protocol, "next_block", "it is not sampling; start it first")),
        }
    }

    async fn stop(&mut self) -> Result<(), DriverError> {
        if self.outlet.take().is_none() {
            return Ok(());
        }
        let line = self.line().await?;
        let stopped = line.command("stop", "STOP").await;
        *line.inlet.lock().unwrap_or_else(PoisonError::into_inner) = None;
        stopped.map(|_| ())
    }
}

#[cfg(test)]
mod tests;
