//! The crowd itself, in a process of its own so that it does not take from the daemon what is measured of it: viewers of the stream
//! of events, and askers that keep their connections.

use anyhow::{Context, Result, ensure};
use serde_json::json;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;

/// Connections over which it is asked.
const ASKERS: u64 = 20;

/// `ADDRESS TOKEN PATH SECONDS VIEWERS REQUESTS-A-SECOND`: says `ready` when all viewers are there, waits for a line, asks, and
/// prints what it saw as JSON.
#[must_use]
#[expect(clippy::print_stdout, clippy::print_stderr, reason = "this is a program")]
pub fn client(arguments: &[String]) -> ExitCode {
    match Crowd::of(arguments).and_then(Crowd::run) {
        Ok(said) => {
            println!("{said}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}

struct Crowd {
    address: Arc<str>,
    token: Arc<str>,
    path: Arc<str>,
    lasts: Duration,
    viewers: usize,
    a_second: u64,
}

impl Crowd {
    fn of(arguments: &[String]) -> Result<Self> {
        let [address, token, path, seconds, viewers, a_second] = arguments else {
            anyhow::bail!("six arguments are wanted")
        };
        Ok(Self {
            address: address.as_str().into(),
            token: token.as_str().into(),
            path: path.as_str().into(),
            lasts: Duration::from_secs(seconds.parse()?),
            viewers: viewers.parse()?,
            a_second: a_second.parse()?,
        })
    }

    #[expect(clippy::print_stdout, reason = "whoever started it waits for the word")]
    fn run(self) -> Result<serde_json::Value> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(async {
            let mut heard = Vec::new();
            for _ in 0..self.viewers {
                let stream = self.open("/api/v1/news").await?;
                let points = Arc::new(AtomicU64::new(0));
                tokio::spawn(count(stream, points.clone()));
                heard.push(points);
            }
            println!("ready");
            // What begins the run that is watched begins now: the line says that it was handed in.
            tokio::task::spawn_blocking(|| std::io::stdin().read_line(&mut String::new())).await??;
            let mut times = self.asked().await?;
            // Whatever is on its way still comes.
            tokio::time::sleep(Duration::from_secs(1)).await;
            times.sort_unstable();
            let at = |share: usize| times.get(times.len() * share / 100).map(|t| t.as_secs_f64() * 1e3);
            let heard: Vec<u64> = heard.iter().map(|points| points.load(Ordering::SeqCst)).collect();
            let told = heard.iter().copied().max().unwrap_or(0);
            let missed: u64 = heard.iter().map(|points| told - points).sum();
            Ok(json!({
                "asked": times.len(), "ms_p50": at(50), "ms_p99": at(99),
                "ms_max": times.last().map(|t| t.as_secs_f64() * 1e3), "points": told, "missed": missed,
            }))
        })
    }

    async fn open(&self, path: &str) -> Result<BufReader<TcpStream>> {
        let mut stream = TcpStream::connect(&*self.address).await?;
        stream.set_nodelay(true)?;
        stream.write_all(self.head(path).as_bytes()).await?;
        Ok(BufReader::new(stream))
    }

    fn head(&self, path: &str) -> String {
        let (address, token) = (&self.address, &self.token);
        format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n")
    }

    /// Times of all answers.
    #[expect(clippy::disallowed_methods, reason = "how long a client waits is what is claimed")]
    async fn asked(&self) -> Result<Vec<Duration>> {
        let end = Instant::now() + self.lasts;
        let mut askers = Vec::new();
        for n in 0..ASKERS {
            let stream = TcpStream::connect(&*self.address).await?;
            stream.set_nodelay(true)?;
            // Each begins a little after the one before: together they are even.
            let pace = Duration::from_millis(1000 * ASKERS / self.a_second);
            let begin = tokio::time::Instant::now() + pace * u32::try_from(n)? / u32::try_from(ASKERS)?;
            let pace = tokio::time::interval_at(begin, pace);
            askers.push(tokio::spawn(ask(BufReader::new(stream), self.head(&self.path), pace, end)));
        }
        let mut times = Vec::new();
        for asker in askers {
            times.extend(asker.await??);
        }
        Ok(times)
    }
}

/// Counts the points that a viewer hears of.
async fn count(stream: BufReader<TcpStream>, points: Arc<AtomicU64>) -> Result<()> {
    let mut lines = stream.lines();
    while let Some(line) = lines.next_line().await? {
        if line == "event: point" {
            points.fetch_add(1, Ordering::SeqCst);
        }
    }
    Ok(())
}

/// Asks again and again over one connection, at its share of the rate.
#[expect(clippy::disallowed_methods, reason = "how long a client waits is what is claimed")]
async fn ask(
    mut stream: BufReader<TcpStream>,
    head: String,
    mut pace: tokio::time::Interval,
    end: Instant,
) -> Result<Vec<Duration>> {
    let mut times = Vec::new();
    while Instant::now() < end {
        // From when it was due: a late answer must not hide how long the next one had to wait.
        let due = pace.tick().await;
        stream.get_mut().write_all(head.as_bytes()).await?;
        answer(&mut stream).await?;
        times.push(due.elapsed());
    }
    Ok(times)
}

async fn answer(stream: &mut BufReader<TcpStream>) -> Result<()> {
    let mut line = String::new();
    stream.read_line(&mut line).await?;
    ensure!(line.starts_with("HTTP/1.1 200"), "answered with {line}");
    let mut length = None;
    while line.trim() != "" {
        line.clear();
        stream.read_line(&mut line).await?;
        if let Some(text) = line.strip_prefix("content-length: ") {
            length = Some(text.trim().parse()?);
        }
    }
    let mut body = vec![0; length.context("an answer without a length")?];
    stream.read_exact(&mut body).await?;
    ensure!(body.len() > 100, "a run of {} bytes", body.len());
    Ok(())
}
