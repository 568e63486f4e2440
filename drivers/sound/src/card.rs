//! What the engine needs of a card: both directions on one clock, a period at a time.

use std::fmt;

/// Why a card did not exchange a period.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CardError {
    /// It ran out of samples to play, or had no room for those it recorded. It has stopped; [`Card::begin`] goes on.
    Xrun,
    /// It is gone, or never was what it has to be: why, and what to do.
    Gone(String),
}

impl fmt::Display for CardError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Xrun => f.write_str("it ran out of samples or of room"),
            Self::Gone(why) => f.write_str(why),
        }
    }
}

/// Who a card says it is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct CardName {
    /// What the system calls it.
    pub model: String,
    /// Serial number, where it has one.
    pub serial: String,
}

/// A card. Samples are shares of full scale, channel beside channel.
pub trait Card: Send {
    /// Who it is.
    fn name(&self) -> CardName;

    /// Starts both directions, the buffer filled with silence. After an xrun: returns how many samples were lost since the last
    /// that was recorded, at least one, as well as the computer's clock can tell; 0 at the first start.
    ///
    /// # Errors
    /// Where it does not start.
    fn begin(&mut self) -> Result<u64, CardError>;

    /// Waits for a period of every input and takes it. Bounded in time.
    ///
    /// # Errors
    /// Where none comes.
    fn record(&mut self, shares: &mut [f32]) -> Result<(), CardError>;

    /// Hands over a period for every output. Bounded in time.
    ///
    /// # Errors
    /// Where there is no room.
    fn play(&mut self, shares: &[f64]) -> Result<(), CardError>;
}
