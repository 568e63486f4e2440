//! A crowd at the port: 200 event streams and 500 requests a second while news comes.

use super::runs;
use crate::doors::House;
use crate::doors::desk::PlayDesk;
use crate::doors::played::Played;
use crate::figure::Figure;
use anyhow::{Context, Result, ensure};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;

const VIEWERS: usize = 200;
const ASKERS: u64 = 20;
const A_SECOND: u64 = 500;

/// The p99 of reading a run, and viewers that missed what is kept.
///
/// # Errors
/// If the doors can't be opened, or a request gets no answer.
#[expect(clippy::disallowed_methods, reason = "how long a client waits is what is claimed")]
pub fn crowd(full: bool) -> Result<Vec<Figure>> {
    let (_bench, folders) = runs(&["portable-night"])?;
    let house = House::open(PlayDesk::new(&folders)?, |_| ())?;
    let address: Arc<str> = house.url()?.trim_start_matches("http://").into();
    let token: Arc<str> = house.token("viewer").into();
    let lasts = Duration::from_secs(if full { 60 } else { 4 });
    house.runtime().spawn(house.desk.clone().play_under_leave(Played::of(&folders[0])?, 50));
    let points = Arc::new(AtomicU64::new(0));
    let clients = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    let mut times = clients.block_on(async {
        let mut viewers = Vec::new();
        for _ in 0..VIEWERS {
            let stream = open(&address, &token, "/api/v1/news").await?;
            viewers.push(tokio::spawn(count(stream, points.clone())));
        }
        house.desk.set_leave("A. Operator");
        let end = Instant::now() + lasts;
        let askers: Vec<_> =
            (0..ASKERS).map(|_| tokio::spawn(ask(address.clone(), token.clone(), end))).collect();
        let mut times = Vec::new();
        for asker in askers {
            times.extend(asker.await??);
        }
        // Whatever is on its way still comes.
        tokio::time::sleep(Duration::from_secs(1)).await;
        viewers.iter().for_each(tokio::task::JoinHandle::abort);
        anyhow::Ok(times)
    })?;
    let told = house.desk.points_told();
    times.sort_unstable();
    let wanted = A_SECOND * lasts.as_secs();
    ensure!(times.len() as u64 > wanted * 9 / 10, "only {} of {wanted} requests were asked", times.len());
    let p99 = times.get(times.len() * 99 / 100).context("no request was answered")?;
    let sample = format!("{} requests in {} s beside {VIEWERS} event streams", times.len(), lasts.as_secs());
    let missed = (told * VIEWERS as u64).saturating_sub(points.load(Ordering::SeqCst));
    Ok(vec![
        Figure {
            what: "99th percentile of GET of a run".into(),
            value: p99.as_secs_f64() * 1e3,
            limit: 50.0,
            unit: "ms",
            sample,
            seeds: vec![1],
        },
        super::wrong(
            "points that a viewer did not hear of",
            format!("{told} points told to {VIEWERS} viewers"),
            &vec!["missed".to_owned(); usize::try_from(missed)?],
        ),
    ])
}

async fn open(address: &str, token: &str, path: &str) -> Result<BufReader<TcpStream>> {
    let mut stream = TcpStream::connect(address).await?;
    let head = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n");
    stream.write_all(head.as_bytes()).await?;
    Ok(BufReader::new(stream))
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

/// Reads a run again and again over one connection, at its share of the rate.
#[expect(clippy::disallowed_methods, reason = "how long a client waits is what is claimed")]
async fn ask(address: Arc<str>, token: Arc<str>, end: Instant) -> Result<Vec<Duration>> {
    let path = "/api/v1/runs/dry-portable-night-1";
    let head = format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n");
    let mut stream = BufReader::new(TcpStream::connect(&*address).await?);
    let mut pace = tokio::time::interval(Duration::from_millis(1000 * ASKERS / A_SECOND));
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
    let mut length = 0;
    while line.trim() != "" {
        line.clear();
        stream.read_line(&mut line).await?;
        if let Some(text) = line.strip_prefix("content-length: ") {
            length = text.trim().parse()?;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await?;
    ensure!(length > 100, "a run of {length} bytes");
    Ok(())
}
