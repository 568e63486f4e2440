//! A host spoken to line by line, as the protocol's text says, without the daemon's side of it.

use super::{PATIENCE, wait_for};
use crate::program::{Built, cargo, spawn_piped};
use anyhow::{Context, Result, bail, ensure};
use serde_json::{Value, json};
use std::ffi::OsString;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout};
use std::sync::OnceLock;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread;

/// The program whose host serves the instrument of the tests; built where it is missing.
///
/// # Errors
/// If it can't be built.
pub fn path_of_test_host() -> Result<&'static Path> {
    static PATH: OnceLock<Result<PathBuf, String>> = OnceLock::new();
    let made = PATH.get_or_init(|| {
        let build = || -> Result<PathBuf> {
            let built = Built::here()?;
            let arguments =
                ["build", "--quiet", "-p", "tests", "--bin", "test-host", "--profile", &built.profile];
            cargo(arguments)?.expect_status(0).context("the host of the tests can't be built")?;
            Ok(built.folder.join("test-host"))
        };
        build().map_err(|error| format!("{error:#}"))
    });
    match made {
        Ok(path) => Ok(path),
        Err(message) => bail!("{message}"),
    }
}

/// A host and its streams.
#[derive(Debug)]
pub struct Wire {
    child: Child,
    input: Option<ChildStdin>,
    output: Option<ChildStdout>,
    lines: Option<Receiver<String>>,
    next_id: u64,
}

impl Wire {
    /// Starts a program. Nothing is read before it is asked for.
    ///
    /// # Errors
    /// If it can't be started.
    pub fn start(program: &Path, arguments: impl IntoIterator<Item = OsString>) -> Result<Self> {
        let mut child = spawn_piped(program, arguments)?;
        let (input, output) = (child.stdin.take(), child.stdout.take());
        Ok(Self { child, input, output, lines: None, next_id: 1 })
    }

    /// Number of its process.
    #[must_use]
    pub fn process(&self) -> u32 {
        self.child.id()
    }

    /// Writes bytes.
    ///
    /// # Errors
    /// If the host does not take them.
    pub fn write(&mut self, bytes: &[u8]) -> Result<()> {
        let input = self.input.as_mut().context("its input was ended")?;
        input.write_all(bytes).and_then(|()| input.flush()).context("the host takes no lines")
    }

    /// Ends its input.
    pub fn end_input(&mut self) {
        self.input = None;
    }

    /// The next line that it says, if it says one within [`PATIENCE`].
    ///
    /// # Errors
    /// If it does not, or if that is no JSON.
    pub fn line(&mut self) -> Result<Value> {
        if self.lines.is_none() {
            let output = self.output.take().context("it has no output")?;
            let (sender, lines) = channel();
            thread::spawn(move || {
                for line in BufReader::with_capacity(1 << 20, output).lines().map_while(std::io::Result::ok) {
                    if sender.send(line).is_err() {
                        return;
                    }
                }
            });
            self.lines = Some(lines);
        }
        match self.lines.as_ref().context("no lines")?.recv_timeout(PATIENCE) {
            Ok(line) => serde_json::from_str(&line).with_context(|| format!("no JSON: {line:?}")),
            Err(RecvTimeoutError::Timeout) => bail!("the host is silent"),
            Err(RecvTimeoutError::Disconnected) => bail!("the host has ended its output"),
        }
    }

    /// Asks; gives the id.
    ///
    /// # Errors
    /// If the host takes no lines.
    pub fn ask(&mut self, method: &str, params: Value) -> Result<u64> {
        let id = self.next_id;
        self.next_id += 1;
        let line = json!({ "jsonrpc": "2.0", "id": id, "method": method, "params": params });
        self.write(format!("{line}\n").as_bytes())?;
        Ok(id)
    }

    /// The answer to a question, notifications passed over: `result`, or the error object as the error's text.
    ///
    /// # Errors
    /// What was answered instead of a result.
    pub fn answer(&mut self, id: u64) -> Result<Value> {
        loop {
            let line = self.line()?;
            if line.get("method").is_some() {
                continue;
            }
            ensure!(line["id"] == id, "an answer to another question: {line}");
            ensure!(line.get("error").is_none(), "{}", line["error"]);
            return Ok(line["result"].clone());
        }
    }

    /// Asks and waits.
    ///
    /// # Errors
    /// What was answered instead of a result.
    pub fn call(&mut self, method: &str, params: Value) -> Result<Value> {
        let id = self.ask(method, params)?;
        self.answer(id)
    }

    /// Says that the daemon lives.
    ///
    /// # Errors
    /// If the host takes no lines.
    pub fn beat(&mut self, generation: u64, judged: Option<u64>) -> Result<()> {
        let params = json!({ "generation": generation, "judged_samples": judged });
        let line = json!({ "jsonrpc": "2.0", "method": "heartbeat", "params": params });
        self.write(format!("{line}\n").as_bytes())
    }

    /// Waits until it has ended; gives its exit status.
    ///
    /// # Errors
    /// If it does not end.
    pub fn ended(&mut self) -> Result<Option<i32>> {
        let child = &mut self.child;
        wait_for("the host's end", || child.try_wait().ok().flatten()).map(|status| status.code())
    }
}

impl Drop for Wire {
    fn drop(&mut self) {
        // A test that failed must not leave its host behind.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
