//! The panel of the streaming acquisition: commands and frames as FRAMES.md of the drivers says.

use super::Place;
use super::pace::Sink;
use crate::SimulatedRig;
use crate::acquisition::Taken;
use drivers::built_in::stream::frame::Frame;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio::net::tcp::OwnedWriteHalf;
use tokio::sync::mpsc::{Receiver, channel};

/// Blocks that wait for a slow reader; what comes beyond is dropped and shows as a gap.
const DEPTH: usize = 1024;

/// Serves one connection after the other until it is dropped.
pub(super) async fn serve(place: Place, rig: SimulatedRig, sink: Sink) {
    let Place::Tcp(listener, _) = place else {
        tracing::warn!("samples are streamed over TCP only");
        return;
    };
    while let Ok((stream, _)) = listener.accept().await {
        let _ = stream.set_nodelay(true);
        converse(stream, &rig, &sink).await;
        sink.set(None);
        rig.lock().sampler.stop();
    }
}

/// A connection, until it ends.
async fn converse(stream: TcpStream, rig: &SimulatedRig, sink: &Sink) {
    let (from, mut to) = stream.into_split();
    let mut lines = BufReader::new(from).lines();
    let mut blocks: Option<Receiver<Taken>> = None;
    let mut configured = false;
    loop {
        let next = async {
            match &mut blocks {
                Some(blocks) => blocks.recv().await,
                None => std::future::pending().await,
            }
        };
        let sent = tokio::select! {
            line = lines.next_line() => {
                let Ok(Some(line)) = line else { return };
                let (answer, stopped) = command(line.trim(), rig, sink, &mut blocks, &mut configured);
                // What was full before the stop goes out before its answer.
                let mut sent = true;
                if let Some(mut rest) = stopped {
                    while let Ok(taken) = rest.try_recv() {
                        sent &= send(&mut to, &block(taken)).await;
                    }
                }
                sent && send(&mut to, &Frame::Answer(answer)).await
            }
            taken = next => match taken {
                Some(taken) => send(&mut to, &block(taken)).await,
                None => { blocks = None; true }
            },
        };
        if !sent {
            return;
        }
    }
}

fn block(taken: Taken) -> Frame {
    Frame::Block { first: taken.first, samples: taken.samples, overload: taken.overload }
}

async fn send(to: &mut OwnedWriteHalf, frame: &Frame) -> bool {
    match frame.encode() {
        Ok(bytes) => to.write_all(&bytes).await.is_ok(),
        Err(why) => {
            tracing::warn!("a frame was not sent: {why}");
            false
        }
    }
}

/// Carries out a command; returns its answer, and after STOP the queue with what is left.
fn command(
    line: &str,
    rig: &SimulatedRig,
    sink: &Sink,
    blocks: &mut Option<Receiver<Taken>>,
    configured: &mut bool,
) -> (String, Option<Receiver<Taken>>) {
    let (word, rest) = line.split_once(' ').unwrap_or((line, ""));
    let answer = match word {
        "IDENTIFY" => format!("OK simulated,stream,0001,{}", env!("CARGO_PKG_VERSION")),
        "CONFIGURE" if blocks.is_some() => "ERROR it is sampling; stop it first".to_owned(),
        "CONFIGURE" => match configure(rig, rest) {
            Ok(()) => {
                *configured = true;
                format!("OK {rest}")
            }
            Err(why) => format!("ERROR {why}"),
        },
        "START" if blocks.is_some() => "ERROR it is sampling already".to_owned(),
        "START" if !*configured => "ERROR it was not configured; configure it first".to_owned(),
        "START" => {
            let (sender, receiver) = channel(DEPTH);
            sink.set(Some(sender));
            *blocks = Some(receiver);
            rig.lock().sampler.start();
            "OK".to_owned()
        }
        "STOP" => {
            rig.lock().sampler.stop();
            sink.set(None);
            return ("OK".to_owned(), blocks.take());
        }
        _ => "ERROR there is no such command".to_owned(),
    };
    (answer, None)
}

/// Takes `rate=R frames=N channels=I:V,…`.
fn configure(rig: &SimulatedRig, text: &str) -> Result<(), String> {
    let value = |key: &str| {
        let found = text.split_whitespace().find_map(|w| w.strip_prefix(key)?.strip_prefix('='));
        found.ok_or_else(|| format!("'{key}' is missing"))
    };
    let number = |key: &str| value(key)?.parse::<f64>().map_err(|_| format!("'{key}' is no number"));
    let frames = value("frames")?.parse::<u32>().map_err(|_| "'frames' is no whole number".to_owned())?;
    let channel = |text: &str| {
        let (input, range) = text.split_once(':')?;
        Some((input.parse::<u32>().ok()?, range.parse::<f64>().ok()?))
    };
    let channels: Option<Vec<(u32, f64)>> = value("channels")?.split(',').map(channel).collect();
    let channels = channels.ok_or("'channels' is no list of inputs with their ranges")?;
    let mut world = rig.lock();
    let rate = world.rate().si();
    if (number("rate")? - rate).abs() > 1e-9 * rate {
        return Err(format!("it samples at {rate} S/s"));
    }
    world.sampler.configure(frames, &channels)
}
