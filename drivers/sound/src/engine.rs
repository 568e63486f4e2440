//! The thread that keeps a card going: a period in, a period out, for as long as the host lives.
//!
//! Invariant: it waits for nobody but the card, and the card's waits are bounded. What the tone is at the moment goes out; an
//! engine that has not been told anything puts out silence.

use crate::card::{Card, CardError};
use crate::console::Shared;
use drivers::{DriverError, ErrorKind};
use std::thread;

/// How a card is laid out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layout {
    /// Samples a channel in a period.
    pub period: usize,
    /// Channels of playback.
    pub outputs: usize,
    /// The one that carries the tone.
    pub output: usize,
    /// Channels of recording.
    pub inputs: usize,
}

/// Runs without a pause in which nothing but xruns may happen, before the card counts as gone.
const XRUNS_IN_A_ROW: u32 = 20;

/// After a start the card's buffer holds nothing but silence.
const ALL_QUIET: u32 = u32::MAX / 2;

/// Starts the engine.
///
/// # Errors
/// Where the system gives no thread.
pub fn start(
    card: Box<dyn Card>,
    layout: Layout,
    console: Shared,
    instrument: String,
) -> std::io::Result<()> {
    thread::Builder::new().name("card".to_owned()).spawn(move || {
        let why = run(card, layout, &console);
        tracing::error!("the card is not served any more: {why}");
        let sampling = {
            let mut console = console.lock();
            console.ended = Some(why.clone());
            console.tone.drop_tone();
            console.sampling.take()
        };
        if let Some(sampling) = sampling {
            let error = DriverError::new(ErrorKind::Disconnected, &instrument, "next_block", why);
            sampling.inlet().end_blocking(error);
        }
    })?;
    Ok(())
}

/// Serves the card until it is gone or the host ends; returns why.
fn run(mut card: Box<dyn Card>, layout: Layout, console: &Shared) -> String {
    let mut period = Period::new(layout);
    if let Err(error) = card.begin() {
        return error.to_string();
    }
    console.lock().quiet_periods = ALL_QUIET;
    let mut in_a_row = 0;
    while !console.lock().leave {
        match period.exchange(card.as_mut(), console) {
            Ok(()) => in_a_row = 0,
            Err(CardError::Gone(why)) => return why,
            Err(CardError::Xrun) => {
                in_a_row += 1;
                if in_a_row > XRUNS_IN_A_ROW {
                    return "it loses every period; take longer ones (settings.period_samples), or a faster computer".to_owned();
                }
                match card.begin() {
                    Ok(lost) => after_xrun(console, lost),
                    Err(error) => return error.to_string(),
                }
            }
        }
    }
    "the host ends".to_owned()
}

/// The output fell silent by itself; it stays so until it is told otherwise, and what was lost is counted.
fn after_xrun(console: &Shared, lost: u64) {
    let mut console = console.lock();
    console.xruns += 1;
    console.quiet_periods = ALL_QUIET;
    let spoke = !console.tone.is_silent();
    console.tone.drop_tone();
    if let Some(sampling) = console.sampling.as_mut() {
        sampling.lose(lost.max(1));
    }
    let xruns = console.xruns;
    drop(console);
    tracing::warn!(
        lost,
        xruns,
        spoke,
        "the card ran out of samples or of room: the output is at 0 V, the samples count as lost"
    );
}

/// The buffers of a period.
struct Period {
    layout: Layout,
    played: Vec<f64>,
    recorded: Vec<f32>,
}

impl Period {
    fn new(layout: Layout) -> Self {
        Self {
            layout,
            played: vec![0.0; layout.period * layout.outputs],
            recorded: vec![0.0; layout.period * layout.inputs],
        }
    }

    fn exchange(&mut self, card: &mut dyn Card, console: &Shared) -> Result<(), CardError> {
        card.record(&mut self.recorded)?;
        {
            let mut console = console.lock();
            if let Some(sampling) = console.sampling.as_mut() {
                sampling.take(&self.recorded, self.layout.inputs);
            }
            let was_silent = console.tone.is_silent();
            for frame in self.played.chunks_exact_mut(self.layout.outputs.max(1)) {
                if let Some(sample) = frame.get_mut(self.layout.output) {
                    *sample = console.tone.sample();
                }
            }
            console.quiet_periods = if was_silent { console.quiet_periods.saturating_add(1) } else { 0 };
        }
        card.play(&self.played)
    }
}

#[cfg(test)]
pub(crate) mod tests;
