//! Seeded chance for drawn documents and mangled texts: the same numbers on every machine.

/// SplitMix64 (Steele, Lea, Flood, 2014): one addition and three mixes a number; plenty for drawing test inputs.
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// From a seed.
    #[must_use]
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number from 0 to below `count`; 0 where there is nothing to choose from.
    pub fn below(&mut self, count: usize) -> usize {
        usize::try_from(self.bits() >> 16).unwrap_or(0).checked_rem(count).unwrap_or(0)
    }

    /// True in `percent` of cases.
    pub fn in_percent(&mut self, percent: usize) -> bool {
        self.below(100) < percent
    }

    /// One of several.
    ///
    /// # Panics
    /// If there are none.
    pub fn of<T: Copy>(&mut self, items: &[T]) -> T {
        items[self.below(items.len())]
    }
}
