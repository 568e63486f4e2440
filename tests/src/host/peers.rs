//! Instruments on loopback TCP, as simple as they come, for drivers that are tested over a real socket.

use super::sample;
use anyhow::Result;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

/// A signal source that takes SCPI commands: what it was told, in order.
#[derive(Debug, Clone, Default)]
pub struct SourcePeer {
    told: Arc<Mutex<Vec<String>>>,
    deaf: Arc<AtomicBool>,
    /// Answers in place of its own.
    says: Arc<Mutex<BTreeMap<String, String>>>,
    /// The connection that stands.
    connection: Arc<Mutex<Option<TcpStream>>>,
}

impl SourcePeer {
    /// Listens; gives its address.
    ///
    /// # Errors
    /// Where there is no port.
    pub fn listen(&self) -> Result<SocketAddr> {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        let (address, peer) = (listener.local_addr()?, self.clone());
        thread::spawn(move || {
            // What it is set to outlives a connection.
            let mut state = ("0".to_owned(), false);
            for stream in listener.incoming().map_while(std::io::Result::ok) {
                *lock(&peer.connection) = stream.try_clone().ok();
                let _ = peer.serve(&stream, &mut state);
            }
        });
        Ok(address)
    }

    fn serve(&self, stream: &TcpStream, (volts, on): &mut (String, bool)) -> std::io::Result<()> {
        let mut out = stream;
        for line in BufReader::new(stream).lines() {
            let line = line?;
            let answer = match line.as_str() {
                "*IDN?" => Some("nobody,sine,S-7,1".to_owned()),
                "SOUR1:VOLT?" => Some(volts.clone()),
                "OUTP1?" => Some(u8::from(*on).to_string()),
                "OUTP1 ON" | "OUTP1 OFF" => {
                    *on = line == "OUTP1 ON";
                    None
                }
                other => {
                    if let Some(value) = other.strip_prefix("SOUR1:VOLT ") {
                        value.clone_into(volts);
                    }
                    None
                }
            };
            let answer = lock(&self.says).get(&line).cloned().or(answer);
            lock(&self.told).push(line);
            if let Some(answer) = answer
                && !self.deaf.load(Ordering::SeqCst)
            {
                writeln!(out, "{answer}")?;
            }
        }
        Ok(())
    }

    /// What it was told.
    #[must_use]
    pub fn told(&self) -> Vec<String> {
        lock(&self.told).clone()
    }

    /// From now on it answers a question so.
    pub fn say(&self, question: &str, answer: &str) {
        lock(&self.says).insert(question.to_owned(), answer.to_owned());
    }

    /// The connection ends; another is taken.
    pub fn hang_up(&self) {
        if let Some(connection) = lock(&self.connection).take() {
            let _ = connection.shutdown(std::net::Shutdown::Both);
        }
    }

    /// From now on it answers nothing, or answers again.
    pub fn be_deaf(&self, deaf: bool) {
        self.deaf.store(deaf, Ordering::SeqCst);
    }
}

fn lock<T>(shared: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    shared.lock().unwrap_or_else(PoisonError::into_inner)
}

/// A box that sends frames of samples; `block_s` is the time between two, 0 for as fast as they are taken.
///
/// # Errors
/// Where there is no port.
pub fn frame_peer(block_s: f64) -> Result<SocketAddr> {
    FramePeer { block_s, ..FramePeer::default() }.listen()
}

/// A box that sends frames of samples: what it was told, and how it misbehaves.
#[derive(Debug, Clone, Default)]
pub struct FramePeer {
    block_s: f64,
    told: Arc<Mutex<Vec<String>>>,
    twice: Arc<AtomicBool>,
}

impl FramePeer {
    /// Listens; gives its address.
    ///
    /// # Errors
    /// Where there is no port.
    pub fn listen(&self) -> Result<SocketAddr> {
        let listener = TcpListener::bind(("127.0.0.1", 0))?;
        let (address, peer) = (listener.local_addr()?, self.clone());
        thread::spawn(move || {
            for stream in listener.incoming().map_while(std::io::Result::ok) {
                let _ = serve_frames(stream, &peer);
            }
        });
        Ok(address)
    }

    /// What it was told.
    #[must_use]
    pub fn told(&self) -> Vec<String> {
        lock(&self.told).clone()
    }

    /// From now on it answers everything twice.
    pub fn answer_twice(&self) {
        self.twice.store(true, Ordering::SeqCst);
    }
}

fn serve_frames(stream: TcpStream, peer: &FramePeer) -> std::io::Result<()> {
    let block_s = peer.block_s;
    let writer = Arc::new(Mutex::new(stream.try_clone()?));
    let send = |writer: &Mutex<TcpStream>, kind: u8, body: &[u8]| {
        writer.lock().unwrap_or_else(PoisonError::into_inner).write_all(&frame(kind, body))
    };
    // Which sampling goes on; each ends when it is not its own any more.
    let running = Arc::new(AtomicU64::new(0));
    let mut shape = (1_usize, 1_usize);
    for line in BufReader::new(stream).lines() {
        let line = line?;
        let answer = match line.split_once(' ') {
            Some(("CONFIGURE", rest)) => {
                let value = |key: &str| rest.split(' ').find_map(|w| w.strip_prefix(key)).unwrap_or("");
                shape = (value("frames=").parse().unwrap_or(1), value("channels=").split(',').count());
                format!("OK {rest}")
            }
            _ if line == "IDENTIFY" => "OK nobody,frames,F-3,2".to_owned(),
            _ if line == "START" || line == "STOP" => "OK".to_owned(),
            _ => format!("ERROR what is '{line}'?"),
        };
        let number = running.fetch_add(1, Ordering::SeqCst) + 1;
        lock(&peer.told).push(line.clone());
        for _ in 0..=usize::from(peer.twice.load(Ordering::SeqCst)) {
            send(&writer, 1, answer.as_bytes())?;
        }
        if line == "START" {
            let (writer, running) = (writer.clone(), running.clone());
            thread::spawn(move || {
                let mut first = 0;
                while running.load(Ordering::SeqCst) == number
                    && send(&writer, 2, &block(first, shape)).is_ok()
                {
                    first += shape.0 as u64;
                    thread::sleep(std::time::Duration::from_secs_f64(block_s));
                }
            });
        }
    }
    Ok(())
}

fn block(first: u64, (frames, channels): (usize, usize)) -> Vec<u8> {
    let mut body = first.to_le_bytes().to_vec();
    body.extend(u32::try_from(frames).unwrap_or(0).to_le_bytes());
    body.extend(u16::try_from(channels).unwrap_or(0).to_le_bytes());
    body.extend([0; 2]);
    // The second channel was overloaded.
    body.extend(2_u64.to_le_bytes());
    for channel in 0..channels {
        body.extend((0..frames as u64).flat_map(|n| sample(channel, first + n).to_le_bytes()));
    }
    body
}

fn frame(kind: u8, body: &[u8]) -> Vec<u8> {
    let mut said = vec![1, kind, 0, 0];
    said.extend(u32::try_from(body.len()).unwrap_or(u32::MAX).to_le_bytes());
    let checksum = crc32(said.iter().chain(body));
    let mut out = b"CWFR".to_vec();
    out.extend(&said);
    out.extend(checksum.to_le_bytes());
    out.extend(body);
    out
}

/// CRC-32 of Ethernet, gzip and PNG: polynomial EDB88320 reversed, bit by bit.
fn crc32<'a>(bytes: impl Iterator<Item = &'a u8>) -> u32 {
    !bytes.fold(u32::MAX, |sum, byte| {
        (0..8).fold(sum ^ u32::from(*byte), |s, _| if s & 1 == 1 { s >> 1 ^ 0xedb8_8320 } else { s >> 1 })
    })
}

#[cfg(test)]
mod tests {
    /// The check value of this CRC for the digits 1 to 9, from memory; zlib says the same.
    #[test]
    fn the_checksum_is_the_common_one() {
        assert_eq!(super::crc32(b"123456789".iter()), 0xcbf4_3926);
    }
}
