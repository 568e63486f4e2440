//! A Modbus unit for tests, written from the standard's bytes: on a real socket, and as RTU on a pseudo-terminal.
//!
//! It shares no code with the client under test: frames, functions and the checksum are its own.

use crate::built_in::link::Link;
use crate::built_in::link::tests_support::{line_link, tcp_link};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio_serial::SerialStream;

/// What the unit holds, and how it misbehaves.
#[derive(Default)]
pub(super) struct Unit {
    pub(super) bits: BTreeMap<u16, bool>,
    pub(super) words: BTreeMap<u16, u16>,
    /// Functions and addresses of the requests.
    pub(super) log: Vec<(u8, u16)>,
    /// Coils that do not follow.
    pub(super) stuck: Vec<u16>,
    /// Coils whose writing is answered by an exception.
    pub(super) refused: Vec<u16>,
    pub(super) silent: bool,
    /// Answers this in place of its own answer, behind the function code.
    pub(super) nonsense: Option<Vec<u8>>,
}

impl Unit {
    /// The answer to a request, beginning with the function code.
    fn answer(&mut self, pdu: &[u8]) -> Option<Vec<u8>> {
        let word = |n: usize| Some(u16::from_be_bytes([*pdu.get(n)?, *pdu.get(n + 1)?]));
        let (function, address, count) = (*pdu.first()?, word(1)?, word(3)?);
        self.log.push((function, address));
        if self.silent {
            return None;
        }
        if let Some(nonsense) = &self.nonsense {
            return Some([&[function], nonsense.as_slice()].concat());
        }
        let refuse = || Some(vec![function | 0x80, 2]);
        match function {
            1 | 2 => {
                let bits: Option<Vec<bool>> =
                    (0..count).map(|n| self.bits.get(&(address + n)).copied()).collect();
                let Some(bits) = bits else { return refuse() };
                let bytes: Vec<u8> = bits
                    .chunks(8)
                    .map(|chunk| chunk.iter().enumerate().map(|(n, bit)| u8::from(*bit) << n).sum())
                    .collect();
                Some([&[function, u8::try_from(bytes.len()).unwrap()], bytes.as_slice()].concat())
            }
            3 | 4 => {
                let words: Option<Vec<u16>> =
                    (0..count).map(|n| self.words.get(&(address + n)).copied()).collect();
                let Some(words) = words else { return refuse() };
                let bytes: Vec<u8> = words.iter().flat_map(|w| w.to_be_bytes()).collect();
                Some([&[function, u8::try_from(bytes.len()).unwrap()], bytes.as_slice()].concat())
            }
            5 if self.refused.contains(&address) => refuse(),
            5 => {
                if !self.stuck.contains(&address) {
                    self.bits.insert(address, count == 0xff00);
                }
                Some(pdu.to_vec())
            }
            6 => {
                self.words.insert(address, count);
                Some(pdu.to_vec())
            }
            _ => Some(vec![function | 0x80, 1]),
        }
    }

    pub(super) fn written(&self) -> Vec<(u8, u16)> {
        self.log.iter().filter(|(function, _)| *function > 4).copied().collect()
    }
}

pub(super) type Shared = Arc<Mutex<Unit>>;

pub(super) fn lock(unit: &Shared) -> MutexGuard<'_, Unit> {
    unit.lock().unwrap()
}

pub(super) fn unit(bits: &[(u16, bool)], words: &[(u16, u16)]) -> Shared {
    let (bits, words) = (bits.iter().copied().collect(), words.iter().copied().collect());
    Arc::new(Mutex::new(Unit { bits, words, ..Unit::default() }))
}

/// Serves a unit over Modbus TCP; returns its address.
pub(super) async fn serve(unit: &Shared) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap().to_string();
    let unit = unit.clone();
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let unit = unit.clone();
            tokio::spawn(async move {
                loop {
                    let mut header = [0_u8; 7];
                    if stream.read_exact(&mut header).await.is_err() {
                        return;
                    }
                    let mut pdu = vec![0; usize::from(u16::from_be_bytes([header[4], header[5]])) - 1];
                    stream.read_exact(&mut pdu).await.unwrap();
                    let Some(answer) = lock(&unit).answer(&pdu) else { continue };
                    let length = u16::try_from(answer.len() + 1).unwrap().to_be_bytes();
                    let frame = [&header[..4], &length, &header[6..], &answer].concat();
                    if stream.write_all(&frame).await.is_err() {
                        return;
                    }
                }
            });
        }
    });
    address
}

/// A link to a unit over TCP.
pub(super) async fn over_tcp(unit: &Shared, timeout_ms: u32) -> Link {
    tcp_link(&serve(unit).await, timeout_ms)
}

/// CRC of RTU (Modbus over serial line V1.02, 6.2.2), bit by bit.
pub(super) fn crc(bytes: &[u8]) -> [u8; 2] {
    let mut crc = 0xffff_u16;
    for byte in bytes {
        crc ^= u16::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xa001 } else { crc >> 1 };
        }
    }
    crc.to_le_bytes()
}

/// Serves a unit as RTU on a pseudo-terminal; requests are of eight bytes here. Returns the link and what keeps the line.
pub(super) fn over_line(unit: &Shared, timeout_ms: u32) -> (Link, std::fs::File) {
    let (link, mut far, keeper) = line_link(timeout_ms);
    let unit = unit.clone();
    tokio::spawn(async move { while answer_on_line(&mut far, &unit).await.is_some() {} });
    (link, keeper)
}

async fn answer_on_line(far: &mut SerialStream, unit: &Shared) -> Option<()> {
    let mut frame = [0_u8; 8];
    far.read_exact(&mut frame).await.ok()?;
    assert_eq!(crc(&frame[..6]), frame[6..]);
    let answer = lock(unit).answer(&frame[1..6]);
    if let Some(answer) = answer {
        let answer = [&frame[..1], &answer].concat();
        far.write_all(&[answer.as_slice(), &crc(&answer)].concat()).await.ok()?;
    }
    Some(())
}
