//! A relay on the link between a driver and its instrument, which lets through, holds back, garbles or cuts.
//!
//! Owns: the sockets and lines of it. The driver is given the relay's address in place of the instrument's; whatever else it
//! does is its own. Must not: know what is said on the link.

use crate::built_in::link::{Link, Wire};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, ReadHalf, WriteHalf, split};
use tokio::net::{TcpListener, TcpSocket, TcpStream};
use tokio::runtime::Handle;
use tokio::sync::watch::{Receiver, Sender, channel};
use tokio::task::JoinSet;
use tokio::time::Instant;
use tokio_serial::{SerialPort, SerialStream};

/// What becomes of the instrument's answers; questions and commands always reach it while there is a way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Manner {
    /// They pass.
    Plain,
    /// They wait, and are delivered together when the manner changes.
    Held,
    /// They are thrown away.
    Swallowed,
    /// They come so much later.
    Late(Duration),
    /// They come with every byte replaced by one that means nothing.
    Garbled,
    /// In their place comes the end of a line.
    Emptied,
    /// There is no way: connections end, and new ones are refused.
    Cut,
    /// New connections are neither taken nor refused.
    Deaf,
}

/// How long the instrument itself takes for its answers, as it is seen behind the relay, whatever becomes of them.
#[derive(Default)]
struct Watch {
    /// When something was asked last that was not answered yet.
    asked: Option<Instant>,
    longest: Duration,
}

impl Watch {
    fn answered(&mut self) {
        self.longest = self.longest();
        self.asked = None;
    }

    fn longest(&self) -> Duration {
        self.asked.map_or(Duration::ZERO, |asked| asked.elapsed()).max(self.longest)
    }
}

type Watched = Arc<Mutex<Watch>>;

fn lock(watch: &Watched) -> MutexGuard<'_, Watch> {
    watch.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A relay; it ends when this is dropped.
pub(super) struct Relay {
    watch: Watched,
    timeout: Duration,
    manner: Sender<Manner>,
    address: String,
    is_line: bool,
    _tasks: JoinSet<()>,
}

impl Relay {
    /// A relay before an instrument with this link; `None` where the link is of a kind that no relay fits.
    pub(super) fn before(link: &Link, runtime: &Handle) -> Result<Option<Self>, String> {
        let (manner, heard) = channel(Manner::Plain);
        let watch = Watched::default();
        let beside = watch.clone();
        let mut tasks = JoinSet::new();
        let (address, is_line) = if let Some(target) = link.tcp.clone() {
            let bound = runtime.block_on(TcpListener::bind(("127.0.0.1", 0)));
            let listener = bound.map_err(|e| format!("no port for a relay: {e}"))?;
            let own = listener.local_addr().map_err(|e| e.to_string())?;
            tasks.spawn_on(serve_tcp(target, own, Some(listener), heard, beside), runtime);
            (own.to_string(), false)
        } else if link.serial.is_some() {
            let path = line_path();
            let address = path.display().to_string();
            tasks.spawn_on(serve_line(link.clone(), path, heard, beside), runtime);
            (address, true)
        } else {
            return Ok(None);
        };
        let timeout = Duration::from_secs_f64(link.timeout.si());
        Ok(Some(Self { watch, timeout, manner, address, is_line, _tasks: tasks }))
    }

    /// From now on the instrument is watched anew.
    pub(super) fn watch(&self) {
        *lock(&self.watch) = Watch::default();
    }

    /// How late the instrument itself was since then, in words, where that was so late that no driver could have had its answer:
    /// more than half of what the link allows for a transfer there and back.
    pub(super) fn late(&self) -> Option<String> {
        let longest = lock(&self.watch).longest();
        (longest * 2 > self.timeout).then(|| {
            let (took, limit) = (longest.as_millis(), self.timeout.as_millis());
            format!("the instrument itself took {took} ms for an answer, and its link allows {limit} ms")
        })
    }

    /// Where the driver is to find the instrument.
    pub(super) fn address(&self) -> &str {
        &self.address
    }

    /// True for a line, which has no connections.
    pub(super) fn is_line(&self) -> bool {
        self.is_line
    }

    /// From now on.
    pub(super) fn set(&self, manner: Manner) {
        self.manner.send_replace(manner);
        // The tasks run beside; what is asked next must find them so.
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// A name that stays while lines come and go.
fn line_path() -> PathBuf {
    static NUMBER: AtomicU64 = AtomicU64::new(0);
    let number = NUMBER.fetch_add(1, Ordering::SeqCst);
    std::env::temp_dir().join(format!("calwright-relay-{}-{number}", std::process::id()))
}

async fn serve_tcp(
    target: String,
    own: SocketAddr,
    mut listener: Option<TcpListener>,
    mut manner: Receiver<Manner>,
    watch: Watched,
) {
    let mut connections = JoinSet::new();
    let mut deaf: Option<(TcpListener, Vec<TcpStream>)> = None;
    loop {
        let now = *manner.borrow_and_update();
        match now {
            Manner::Cut | Manner::Deaf => {
                listener = None;
                connections.shutdown().await;
                if now == Manner::Deaf && deaf.is_none() {
                    deaf = be_deaf(own).await;
                }
                if manner.changed().await.is_err() {
                    return;
                }
            }
            _ => {
                deaf = None;
                if listener.is_none() {
                    listener = TcpListener::bind(own).await.ok();
                }
                let Some(open) = &listener else {
                    tracing::warn!("the port of a relay was taken");
                    return;
                };
                tokio::select! {
                    changed = manner.changed() => if changed.is_err() { return },
                    taken = open.accept() => {
                        let Ok((near, _)) = taken else { continue };
                        let _ = near.set_nodelay(true);
                        if let Ok(far) = TcpStream::connect(target.as_str()).await {
                            let _ = far.set_nodelay(true);
                            connections.spawn(converse(split(Box::new(near) as Box<dyn Wire>), split(Box::new(far) as _), manner.clone(), watch.clone()));
                        }
                        while connections.try_join_next().is_some() {}
                    }
                }
            }
        }
    }
}

/// Listens without taking anybody, its queue full, so that who connects waits as for a host that is not there.
async fn be_deaf(own: SocketAddr) -> Option<(TcpListener, Vec<TcpStream>)> {
    let socket = TcpSocket::new_v4().ok()?;
    socket.set_reuseaddr(true).ok()?;
    socket.bind(own).ok()?;
    let listener = socket.listen(1).ok()?;
    let mut fill = Vec::new();
    while let Ok(Ok(stream)) = tokio::time::timeout(Duration::from_millis(50), TcpStream::connect(own)).await
    {
        fill.push(stream);
    }
    Some((listener, fill))
}

async fn serve_line(link: Link, path: PathBuf, mut manner: Receiver<Manner>, watch: Watched) {
    /// Takes the name away when the relay ends.
    struct Name(PathBuf);
    impl Drop for Name {
        fn drop(&mut self) {
            let _ = std::fs::remove_file(&self.0);
        }
    }
    let name = Name(path);
    loop {
        let _ = std::fs::remove_file(&name.0);
        if matches!(*manner.borrow_and_update(), Manner::Cut | Manner::Deaf) {
            if manner.changed().await.is_err() {
                return;
            }
            continue;
        }
        let Ok(far) = link.connect(Duration::from_secs(5)).await else {
            tracing::warn!("the line behind a relay can't be opened");
            return;
        };
        let Some((near, _keep)) = new_line(&name.0) else {
            tracing::warn!("no pseudo-terminal for a relay");
            return;
        };
        converse(split(Box::new(near) as Box<dyn Wire>), split(far), manner.clone(), watch.clone()).await;
        if manner.has_changed().is_err() {
            return;
        }
    }
}

/// A pseudo-terminal under a name, and what keeps it there while nobody has it open.
fn new_line(path: &PathBuf) -> Option<(SerialStream, std::fs::File)> {
    let (near, other) = SerialStream::pair().ok()?;
    let real = other.name()?;
    drop(other);
    let keep = std::fs::OpenOptions::new().read(true).write(true).open(&real).ok()?;
    std::os::unix::fs::symlink(real, path).ok()?;
    Some((near, keep))
}

type Halves = (ReadHalf<Box<dyn Wire>>, WriteHalf<Box<dyn Wire>>);

/// Carries both ways until one end hangs up or the way is cut.
async fn converse(
    (mut near, mut to_near): Halves,
    (mut far, mut to_far): Halves,
    manner: Receiver<Manner>,
    watch: Watched,
) {
    let questions = async {
        let mut bytes = [0_u8; 4096];
        while let Ok(count @ 1..) = near.read(&mut bytes).await {
            lock(&watch).asked = Some(Instant::now());
            if to_far.write_all(bytes.get(..count).unwrap_or_default()).await.is_err()
                || to_far.flush().await.is_err()
            {
                return;
            }
        }
    };
    let mut cut = manner.clone();
    let mut answers = Answers { manner, held: Vec::new(), noise: 1, watch: watch.clone() };
    tokio::select! {
        // Whoever asked may have given up waiting: that counts.
        () = questions => lock(&watch).answered(),
        () = answers.carry(&mut far, &mut to_near) => lock(&watch).asked = None,
        _ = cut.wait_for(|m| matches!(m, Manner::Cut | Manner::Deaf)) => lock(&watch).asked = None,
    }
}

struct Answers {
    manner: Receiver<Manner>,
    held: Vec<u8>,
    noise: u64,
    watch: Watched,
}

impl Answers {
    async fn carry(&mut self, far: &mut ReadHalf<Box<dyn Wire>>, to_near: &mut WriteHalf<Box<dyn Wire>>) {
        let mut bytes = [0_u8; 1 << 16];
        loop {
            let count = tokio::select! {
                changed = self.manner.changed() => {
                    if changed.is_err() {
                        return;
                    }
                    let held = std::mem::take(&mut self.held);
                    let now = *self.manner.borrow_and_update();
                    if now == Manner::Held {
                        self.held = held;
                    } else if now != Manner::Cut && !held.is_empty() && to_near.write_all(&held).await.is_err() {
                        return;
                    }
                    continue;
                }
                count = far.read(&mut bytes) => match count {
                    Ok(count @ 1..) => count,
                    _ => return,
                },
            };
            lock(&self.watch).answered();
            let got = bytes.get(..count).unwrap_or_default();
            let now = *self.manner.borrow();
            let out = match now {
                Manner::Plain => got.to_vec(),
                Manner::Late(by) => {
                    tokio::time::sleep(by).await;
                    got.to_vec()
                }
                Manner::Held => {
                    self.held.extend(got);
                    continue;
                }
                Manner::Garbled => got.iter().map(|b| self.garble(*b)).collect(),
                Manner::Emptied if got.ends_with(b"\n") => b"\n".to_vec(),
                Manner::Emptied | Manner::Swallowed | Manner::Cut | Manner::Deaf => continue,
            };
            if to_near.write_all(&out).await.is_err() || to_near.flush().await.is_err() {
                return;
            }
        }
    }

    /// A byte that no text has; ends of lines stay, so that a reader of lines gets some.
    fn garble(&mut self, byte: u8) -> u8 {
        // SplitMix64 (Steele, Lea, Flood 2014).
        self.noise = self.noise.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.noise ^ (self.noise >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let drawn = (z ^ (z >> 27)).to_le_bytes()[3] | 0x80;
        if byte == b'\n' { byte } else { drawn }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::built_in::link::tests_support::{Peer, tcp_link};
    use tokio::io::{AsyncBufReadExt, BufReader};
    use tokio::time::timeout;

    /// The instrument's own time is seen whether its answer passes, is thrown away, or comes after whoever asked gave up.
    #[tokio::test(flavor = "multi_thread")]
    async fn how_late_an_instrument_is_is_seen() {
        let peer = Peer::lines(|line| {
            if line == "SLOW?" {
                std::thread::sleep(Duration::from_millis(300));
            }
            Some(line.to_lowercase())
        })
        .await;
        let link = tcp_link(&peer.address, 400);
        let relay = tokio::task::spawn_blocking(move || Relay::before(&link, &Handle::current())).await;
        let relay = relay.unwrap().unwrap().unwrap();
        let ask = async |question: &str, within_ms: u64| {
            let mut stream = BufReader::new(TcpStream::connect(relay.address()).await.unwrap());
            stream.get_mut().write_all(format!("{question}\n").as_bytes()).await.unwrap();
            let mut answer = String::new();
            let read = timeout(Duration::from_millis(within_ms), stream.read_line(&mut answer)).await;
            read.is_ok().then_some(answer)
        };
        relay.watch();
        assert_eq!(ask("SLOW?", 30_000).await.unwrap(), "slow?\n");
        assert!(relay.late().unwrap().contains("its link allows 400 ms"));
        relay.watch();
        assert_eq!(relay.late(), None);
        relay.manner.send_replace(Manner::Swallowed);
        assert_eq!(ask("SLOW?", 250).await, None, "given up, and thrown away besides");
        assert!(relay.late().is_some());
        relay.watch();
        assert_eq!(ask("FAST?", 100).await, None, "thrown away: no fault of the instrument's");
    }
}
