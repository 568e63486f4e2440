//! Questions and answers as lines of text, and answers as blocks of bytes (IEEE 488.2).
//!
//! Owns: time-outs, what becomes of an answer that comes too late, and who answers after a link was opened anew.
//! Invariant: an answer is taken only if it came after its question on an unbroken sequence of finished transfers. A
//! transfer that did not end well (time-out, nonsense, a caller that gave up) closes the link; the next one opens it
//! anew, throws away what still comes in, and asks who is there before it asks anything else.

use super::lane::{GIVES_WAY, MAKE_SAFE, Wanted};
use super::number::shorten;
use super::{Link, Wire};
use crate::error::{DriverError, ErrorKind};
use std::io;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::{Instant, timeout};

/// Longest line that is taken for an answer.
const LINE_MAX: usize = 64 * 1024;
/// Lines that may come before the identity after a line was opened anew.
const LATE_LINES: usize = 8;

/// A conversation with one instrument.
#[derive(Debug)]
pub(crate) struct Talk {
    instrument: String,
    link: Link,
    wire: Option<Box<dyn Wire>>,
    input: Vec<u8>,
    /// The last bytes of the input are the end of a message, of a link that carries messages.
    message_ended: bool,
    /// A transfer was begun and not ended.
    unfinished: bool,
    /// Question and answer by which the instrument is known again.
    known_as: Option<(String, String)>,
    opened: bool,
    reopened: bool,
    /// What transfers give way to.
    wanted: Wanted,
}

/// What is waited for.
#[derive(Debug, Clone, Copy)]
enum Answer {
    Nothing,
    Line,
    /// A block of at most so many bytes.
    Block(usize),
}

/// Why a transfer did not end well.
type Failure = (ErrorKind, String);

impl Talk {
    /// A conversation that opens its link when it is first used.
    pub(crate) fn new(instrument: &str, link: &Link) -> Self {
        Self {
            instrument: instrument.to_owned(),
            link: link.clone(),
            wire: None,
            input: Vec::new(),
            message_ended: false,
            unfinished: false,
            known_as: None,
            opened: false,
            reopened: false,
            wanted: Wanted::default(),
        }
    }

    /// What transfers give way to: for the lane that this conversation lies in.
    pub(crate) fn wanted(&self) -> Wanted {
        self.wanted.clone()
    }

    /// Asks who is there, and from now on expects this answer whenever the link was opened anew.
    ///
    /// # Errors
    /// Where nobody answers.
    pub(crate) async fn identify(&mut self, question: &str) -> Result<String, DriverError> {
        let answer = self.ask("open", question).await?;
        self.known_as = Some((question.to_owned(), answer.clone()));
        Ok(answer)
    }

    /// True once after the link was opened anew: what the instrument was told before may be forgotten.
    pub(crate) fn take_reopened(&mut self) -> bool {
        std::mem::take(&mut self.reopened)
    }

    /// Opens the link where it is closed.
    ///
    /// # Errors
    /// Where it can't be opened, or another instrument answers.
    pub(crate) async fn reach(&mut self, op: &'static str) -> Result<(), DriverError> {
        if self.unfinished {
            self.hang_up();
        }
        self.ready(op).await.map_err(|f| self.error(op, f))
    }

    /// Sends a command that has no answer.
    ///
    /// # Errors
    /// Where it could not be sent within the time-out. It is not sent again.
    pub(crate) async fn tell(&mut self, op: &'static str, command: &str) -> Result<(), DriverError> {
        self.exchange(op, &[command], Answer::Nothing).await.map(|_| ())
    }

    /// Sends a command, then a question, and reads the answer of the latter.
    ///
    /// # Errors
    /// As [`Self::tell`], and where no answer came in time. Neither is sent again.
    pub(crate) async fn tell_and_ask(
        &mut self,
        op: &'static str,
        command: &str,
        question: &str,
    ) -> Result<String, DriverError> {
        let line = self.exchange(op, &[command, question], Answer::Line).await?;
        self.text(op, line)
    }

    /// Sends a command that is answered by a line; neither is sent again.
    ///
    /// # Errors
    /// As [`Self::ask`].
    pub(crate) async fn command(&mut self, op: &'static str, command: &str) -> Result<String, DriverError> {
        self.command_within(op, command, self.link.transfer()).await
    }

    /// The same, for a command whose answer takes longer than others.
    ///
    /// # Errors
    /// As [`Self::ask`].
    pub(crate) async fn command_within(
        &mut self,
        op: &'static str,
        command: &str,
        within: Duration,
    ) -> Result<String, DriverError> {
        let line = self.exchange_within(op, &[command], Answer::Line, within).await?;
        self.text(op, line)
    }

    /// Asks a question; asks again, as often as the settings say, where no answer comes, but not to make safe.
    ///
    /// # Errors
    /// `timeout`, `disconnected`, or `bad_data` for an answer that is no line of text.
    pub(crate) async fn ask(&mut self, op: &'static str, question: &str) -> Result<String, DriverError> {
        let line = self.exchange_again(op, question, Answer::Line).await?;
        self.text(op, line)
    }

    /// Asks a question that is answered by a definite-length block of at most `most` bytes.
    ///
    /// # Errors
    /// As [`Self::ask`], and `protocol` for an answer that is no such block. The question is not asked again: what an
    /// instrument hands out once may be gone.
    pub(crate) async fn ask_block(
        &mut self,
        op: &'static str,
        question: &str,
        most: usize,
    ) -> Result<Vec<u8>, DriverError> {
        self.exchange(op, &[question], Answer::Block(most)).await
    }

    async fn exchange_again(
        &mut self,
        op: &'static str,
        question: &str,
        answer: Answer,
    ) -> Result<Vec<u8>, DriverError> {
        let mut tries = 0;
        loop {
            match self.exchange(op, &[question], answer).await {
                Err(error)
                    if tries < self.link.retries
                        && op != MAKE_SAFE
                        && matches!(error.kind, ErrorKind::Timeout | ErrorKind::Disconnected) =>
                {
                    tries += 1;
                    tracing::warn!(instrument = self.instrument, "asked again: {error}");
                }
                other => return other,
            }
        }
    }

    async fn exchange(
        &mut self,
        op: &'static str,
        lines: &[&str],
        answer: Answer,
    ) -> Result<Vec<u8>, DriverError> {
        self.exchange_within(op, lines, answer, self.link.transfer()).await
    }

    async fn exchange_within(
        &mut self,
        op: &'static str,
        lines: &[&str],
        answer: Answer,
        within: Duration,
    ) -> Result<Vec<u8>, DriverError> {
        self.give_way(op).map_err(|f| self.error(op, f))?;
        self.reach(op).await?;
        self.give_way(op).map_err(|f| self.error(op, f))?;
        self.unfinished = true;
        match self.transfer(lines, answer, within).await {
            Ok(got) => {
                self.unfinished = false;
                Ok(got)
            }
            Err(failure) => {
                self.hang_up();
                Err(self.error(op, failure))
            }
        }
    }

    /// Between two transfers, for the sake of what makes safe.
    fn give_way(&self, op: &str) -> Result<(), Failure> {
        if self.wanted.before(op) { Err((ErrorKind::Busy, GIVES_WAY.to_owned())) } else { Ok(()) }
    }

    fn hang_up(&mut self) {
        self.wire = None;
        self.input.clear();
        self.message_ended = false;
        self.unfinished = false;
    }

    /// Opens the link if it is closed, and sees to it that no late answer is left and the same instrument answers.
    async fn ready(&mut self, op: &str) -> Result<(), Failure> {
        if self.wire.is_some() {
            return Ok(());
        }
        let transfer = self.link.transfer();
        // The first opening may take its time; a later one keeps somebody waiting.
        let within = if self.opened { transfer * 2 } else { Duration::MAX };
        let mut wire = self.link.connect(within).await.map_err(|e| of_io(&e))?;
        // At the first opening too: what a host before this one asked may be answered only now.
        self.link.drain(&mut wire, op, &self.wanted).await.map_err(|e| of_io(&e))?;
        self.give_way(op)?;
        self.input.clear();
        self.wire = Some(wire);
        self.reopened |= self.opened;
        if self.opened
            && let Err(failure) = self.meet_again(op, transfer).await
        {
            self.hang_up();
            return Err(failure);
        }
        self.opened = true;
        Ok(())
    }

    /// Asks who is there; takes twice the time of a transfer at most.
    async fn meet_again(&mut self, op: &str, within: Duration) -> Result<(), Failure> {
        let Some((question, known)) = self.known_as.clone() else {
            return Ok(());
        };
        let until = Instant::now() + within * 2;
        let mut answer = self.transfer(&[&question], Answer::Line, within).await?;
        let late = if self.link.keeps_late_answers() { LATE_LINES } else { 0 };
        for _ in 0..late {
            if answer == known.as_bytes() {
                break;
            }
            self.give_way(op)?;
            self.message_ended = false;
            let left = until.saturating_duration_since(Instant::now()).min(within);
            answer = self.transfer(&[], Answer::Line, left).await?;
        }
        if answer == known.as_bytes() {
            return Ok(());
        }
        let found = shorten(&String::from_utf8_lossy(&answer));
        let detail = format!(
            "after the link was opened anew, '{found}' answers in place of '{known}'; connect the right one and begin anew"
        );
        Err((ErrorKind::BadData, detail))
    }

    async fn transfer(
        &mut self,
        lines: &[&str],
        answer: Answer,
        within: Duration,
    ) -> Result<Vec<u8>, Failure> {
        let asked = lines.last().copied().unwrap_or_default();
        let done = timeout(within, self.transfer_now(lines, answer)).await;
        done.unwrap_or_else(|_| {
            let detail = format!("no answer to '{}' within {} ms", shorten(asked), within.as_millis());
            Err((ErrorKind::Timeout, detail))
        })
    }

    async fn transfer_now(&mut self, lines: &[&str], answer: Answer) -> Result<Vec<u8>, Failure> {
        if !lines.is_empty() {
            self.forget_unasked().await?;
            let ending = self.link.ending.text();
            // A device that takes messages gets each in one piece.
            for line in lines {
                let message = format!("{line}{ending}");
                let wire = self.wire()?;
                wire.write_all(message.as_bytes()).await.map_err(|e| of_io(&e))?;
                wire.flush().await.map_err(|e| of_io(&e))?;
            }
        }
        match answer {
            Answer::Nothing => Ok(Vec::new()),
            Answer::Line => self.line().await,
            Answer::Block(most) => self.block(most).await,
        }
    }

    /// What came before a question is no answer to it.
    async fn forget_unasked(&mut self) -> Result<(), Failure> {
        let mut waste = std::mem::take(&mut self.input);
        self.message_ended = false;
        if self.link.usbtmc.is_none() {
            let mut more = [0_u8; 4096];
            let wire = self.wire()?;
            while let Ok(got) = timeout(Duration::ZERO, wire.read(&mut more)).await {
                match got {
                    Ok(0) => return Err(hung_up()),
                    Ok(count) => waste.extend(more.iter().take(count)),
                    Err(error) => return Err(of_io(&error)),
                }
                if waste.len() > LINE_MAX {
                    return Err((
                        ErrorKind::Protocol,
                        "it sends without being asked and does not stop".to_owned(),
                    ));
                }
            }
        }
        if !waste.iter().all(u8::is_ascii_whitespace) {
            let text = shorten(&String::from_utf8_lossy(&waste));
            tracing::warn!(instrument = self.instrument, "thrown away, since nobody asked for it: '{text}'");
        }
        Ok(())
    }

    fn wire(&mut self) -> Result<&mut Box<dyn Wire>, Failure> {
        self.wire.as_mut().ok_or_else(|| (ErrorKind::Disconnected, "the link is closed".to_owned()))
    }

    /// Reads more into the input.
    async fn more(&mut self, room: usize) -> Result<(), Failure> {
        // Where an answer ends by being shorter than what was asked for, more than any of them is asked for.
        let least = if self.link.usbtmc.is_some() { LINE_MAX + 1 } else { 4096 };
        let mut chunk = vec![0_u8; room.saturating_add(1).clamp(least, 1 << 20)];
        let count = self.wire()?.read(&mut chunk).await.map_err(|e| of_io(&e))?;
        if count == 0 {
            return Err(hung_up());
        }
        self.input.extend(chunk.iter().take(count));
        // The kernel gives less than it was asked for only at the end of a message (USBTMC 1.0, table 4, EOM).
        self.message_ended = self.link.usbtmc.is_some() && count < chunk.len();
        Ok(())
    }

    /// The next line without what ends it: the end of a message ends a line too, whether a line feed came before it or not.
    async fn line(&mut self) -> Result<Vec<u8>, Failure> {
        let last = self.link.ending.text().as_bytes().last().copied().unwrap_or(b'\n');
        loop {
            let end = self.input.iter().position(|b| *b == last).map(|at| at + 1);
            if let Some(end) = end.or(self.message_ended.then_some(self.input.len())) {
                let mut line: Vec<u8> = self.input.drain(..end).collect();
                while line.last().is_some_and(u8::is_ascii_whitespace) {
                    line.pop();
                }
                let start = line.iter().position(|b| !b.is_ascii_whitespace()).unwrap_or(line.len());
                return Ok(line.split_off(start));
            }
            if self.input.len() > LINE_MAX {
                return Err((ErrorKind::Protocol, format!("a line of more than {LINE_MAX} bytes came")));
            }
            self.more(0).await?;
        }
    }

    /// The next block: `#`, the number of digits, so many digits, so many bytes, the end of a line (IEEE 488.2, 8.7.9).
    async fn block(&mut self, most: usize) -> Result<Vec<u8>, Failure> {
        while self.input.len() < 2 {
            self.more(0).await?;
        }
        let digits = match self.input.get(..2) {
            Some([b'#', count @ b'1'..=b'9']) => usize::from(count - b'0'),
            _ => {
                let begins = shorten(&String::from_utf8_lossy(self.input.get(..40).unwrap_or(&self.input)));
                let detail =
                    format!("a block of definite length begins with # and a digit, and this with '{begins}'");
                return Err((ErrorKind::Protocol, detail));
            }
        };
        while self.input.len() < 2 + digits {
            self.more(0).await?;
        }
        let length = self.input.get(2..2 + digits).filter(|d| d.iter().all(u8::is_ascii_digit));
        let length = length.and_then(|d| std::str::from_utf8(d).ok()?.parse::<usize>().ok());
        let length = length.filter(|l| *l <= most).ok_or_else(|| {
            let detail =
                format!("a block says no length, or one of more than the {most} bytes that were asked for");
            (ErrorKind::Protocol, detail)
        })?;
        let start = 2 + digits;
        while self.input.len() < start + length {
            self.more(start + length - self.input.len()).await?;
        }
        let bytes = self.input.get(start..start + length).unwrap_or_default().to_vec();
        self.input.drain(..start + length);
        let rest = self.line().await?;
        if rest.is_empty() {
            return Ok(bytes);
        }
        Err((ErrorKind::Protocol, format!("{} bytes follow a block of {length}", rest.len())))
    }

    fn text(&mut self, op: &'static str, line: Vec<u8>) -> Result<String, DriverError> {
        let wrong = |detail: &str| (ErrorKind::BadData, detail.to_owned());
        let failure = match String::from_utf8(line) {
            Ok(text) if text.is_empty() => wrong("it answered with an empty line"),
            Ok(text) => return Ok(text),
            Err(_) => wrong("it answered with bytes that are no text"),
        };
        // Whatever this was, what comes next can't be told from its rest.
        self.hang_up();
        Err(self.error(op, failure))
    }

    fn error(&self, op: &'static str, (kind, detail): Failure) -> DriverError {
        let detail = format!("{detail} (at {})", self.link.address());
        DriverError::new(kind, &self.instrument, op, detail)
    }

    /// An error about this instrument.
    pub(crate) fn wrong(&self, kind: ErrorKind, op: &'static str, detail: impl Into<String>) -> DriverError {
        DriverError::new(kind, &self.instrument, op, detail)
    }
}

fn hung_up() -> Failure {
    (ErrorKind::Disconnected, "the other end closed the link".to_owned())
}

/// What an error of the operating system means for an instrument.
pub(crate) fn of_io(error: &io::Error) -> Failure {
    match error.kind() {
        io::ErrorKind::TimedOut => (ErrorKind::Timeout, format!("{error}")),
        io::ErrorKind::InvalidData => (ErrorKind::Protocol, format!("{error}")),
        _ => (ErrorKind::Disconnected, format!("{error}; is it switched on, and is its address right?")),
    }
}

#[cfg(test)]
mod tests;
