//! Everything random, from one seed: a stream of its own for every quantity and every noise source.
//!
//! Invariant: a stream depends on the seed and on the name of what it serves, never on order or number of the
//! others. Adding a sensor leaves the noise of all others as it was.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rand_xoshiro::Xoshiro256PlusPlus;

/// FNV-1a, 64 bits: a hash that stays the same between versions and machines (unlike the standard library's).
fn fnv1a(text: &str) -> u64 {
    text.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

fn stream(seed: u64, name: &str) -> ChaCha8Rng {
    let mut key = [0; 32];
    for (to, from) in key.iter_mut().zip(seed.to_le_bytes()) {
        *to = from;
    }
    let mut rng = ChaCha8Rng::from_seed(key);
    rng.set_stream(fnv1a(name));
    rng
}

/// The draw of a rectangular distribution from −1 to 1 that belongs to `name`.
pub(crate) fn uniform(seed: u64, name: &str) -> f64 {
    stream(seed, name).random_range(-1.0..=1.0)
}

/// The draw of a standard normal distribution that belongs to `name`.
pub(crate) fn normal(seed: u64, name: &str) -> f64 {
    StandardNormal.sample(&mut stream(seed, name))
}

/// A stream of standard normal numbers: of a fast generator, seeded from the stream that the name has.
#[derive(Clone)]
pub(crate) struct Normal(Xoshiro256PlusPlus);

impl Normal {
    /// The stream that belongs to `name`.
    pub(crate) fn new(seed: u64, name: &str) -> Self {
        Self(Xoshiro256PlusPlus::from_rng(&mut stream(seed, name)))
    }

    /// Draws the next numbers.
    #[inline]
    pub(crate) fn fill(&mut self, to: &mut [f64]) {
        for drawn in to {
            *drawn = StandardNormal.sample(&mut self.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Test vectors of FNV-1a, 64 bits, from the Internet-Draft draft-eastlake-fnv (from memory).
    #[test]
    fn the_hash_is_the_published_one() {
        assert_eq!(fnv1a(""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a("a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv1a("foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn streams_differ_by_seed_and_name() {
        let draws = [uniform(1, "a"), uniform(1, "b"), uniform(2, "a")];
        assert!(draws.iter().all(|d| (-1.0..=1.0).contains(d)));
        assert!((draws[0] - draws[1]).abs() > 1e-6 && (draws[0] - draws[2]).abs() > 1e-6, "{draws:?}");
        assert_eq!(uniform(1, "a").to_bits(), draws[0].to_bits());
    }

    /// Mean, variance and fourth moment of 400,000 draws within four standard errors (1/√n, √2/√n, √96/√n).
    #[test]
    fn numbers_are_normal() {
        let mut signal = vec![0.0; 400_000];
        Normal::new(3, "moments").fill(&mut signal);
        let moment = |p: i32| signal.iter().map(|x| x.powi(p)).sum::<f64>() / 400_000.0;
        let error = 4.0 / 400_000f64.sqrt();
        assert!(moment(1).abs() < error, "{}", moment(1));
        assert!((moment(2) - 1.0).abs() < error * 2f64.sqrt(), "{}", moment(2));
        assert!((moment(4) - 3.0).abs() < error * 96f64.sqrt(), "{}", moment(4));
    }
}
