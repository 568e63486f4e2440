//! Uniform numbers for a simulation. Nothing here is drawn by chance: who simulates hands the stream in.

/// A stream of numbers that lie evenly between 0 and 1, both excluded.
pub trait Uniforms {
    /// The next.
    fn next_uniform(&mut self) -> f64;
}

/// A stream that is a function of seed and count alone: the mixing function of SplitMix64 over a Weyl sequence (Steele, Lea
/// and Flood 2014, *Fast splittable pseudorandom number generators*).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    seed: u64,
    count: u64,
}

impl Counted {
    /// The stream of a seed, from its beginning.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self { seed: mixed(seed), count: 0 }
    }
}

impl Uniforms for Counted {
    fn next_uniform(&mut self) -> f64 {
        self.count = self.count.wrapping_add(1);
        let bits = mixed(self.seed.wrapping_add(self.count.wrapping_mul(0x9e37_79b9_7f4a_7c15)));
        // 52 bits and a half step, so that neither end is met.
        ((bits >> 12) as f64 + 0.5) * (0.5_f64).powi(52)
    }
}

fn mixed(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
