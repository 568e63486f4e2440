//! Where the mains stands in the way of a measurement. Pure arithmetic, used by what plans a point and by what fits it.
//!
//! Owns: which lines of the mains can be fitted beside a sine and its harmonics over a time, and the nearest frequency
//! at which all can. Must not: know samples.
//!
//! Two sines that differ by less than about one and a half cycles over a record can't be told apart without a large cost
//! in variance (49.5 Hz beside 50 Hz over 20 cycles: eightfold). There hum is measured at rest and goes to the budget.

use crate::units::{Hertz, Seconds};

/// Lines of the mains that are looked for: the fundamental and its harmonics up to this one.
pub const LINES: u32 = 3;

/// Cycles over a record by which two sines have to differ to be fitted side by side.
pub const APART: f64 = 1.5;

/// True if line `line` (1 is the mains frequency itself) can be fitted over `duration` beside a sine of `frequency` and
/// its harmonics up to `harmonics` (1 is the sine itself).
#[must_use]
pub fn separable(frequency: Hertz, harmonics: u32, mains: Hertz, line: u32, duration: Seconds) -> bool {
    (1..=harmonics.max(1)).all(|h| !meet(frequency, h, mains, line, duration))
}

/// True if harmonic `harmonic` of a sine and line `line` of the mains can't be told apart over `duration`.
#[must_use]
pub fn meet(frequency: Hertz, harmonic: u32, mains: Hertz, line: u32, duration: Seconds) -> bool {
    let apart = (frequency * f64::from(harmonic) - mains * f64::from(line)).abs();
    apart.si() < APART / duration.si()
}

/// The lines that can be fitted, ascending.
#[must_use]
pub fn fitted(frequency: Hertz, harmonics: u32, mains: Hertz, duration: Seconds) -> Vec<u32> {
    (1..=LINES).filter(|line| separable(frequency, harmonics, mains, *line, duration)).collect()
}

/// The first line that hides in the sine itself, of which a fit can't know anything.
#[must_use]
pub fn hidden(frequency: Hertz, mains: Hertz, duration: Seconds) -> Option<u32> {
    (1..=LINES).find(|line| !separable(frequency, 1, mains, *line, duration))
}

/// The frequency nearest to `frequency` at which no line hides in the sine or in one of its harmonics. Above it, unless
/// one below is nearer.
#[must_use]
pub fn nearest_free(frequency: Hertz, harmonics: u32, mains: Hertz, duration: Seconds) -> Hertz {
    // A hair more than needed, so that rounding does not land on the wrong side.
    let needed = APART / duration.si() * (1.0 + 1e-9);
    let edges = (1..=LINES).flat_map(|line| {
        (1..=harmonics.max(1)).flat_map(move |h| {
            let (line, h) = (mains.si() * f64::from(line), f64::from(h));
            [(line - needed) / h, (line + needed) / h]
        })
    });
    let free = |f: f64| f > 0.0 && fitted(Hertz::new(f), harmonics, mains, duration).len() == LINES as usize;
    let distance = |f: f64| (f - frequency.si()).abs();
    edges
        .chain([frequency.si()])
        .filter(|f| free(*f))
        .min_by(|a, b| distance(*a).total_cmp(&distance(*b)).then(b.total_cmp(a)))
        .map_or(frequency, Hertz::new)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const MAINS: Hertz = Hertz::new(50.0);

    /// 50 Hz and, by their harmonics, 25, 12.5 and 10 Hz (elementary).
    #[test]
    fn lines_that_fall_on_a_signal_or_a_harmonic() {
        let second = Seconds::new(1.0);
        for (frequency, fitted_lines) in
            [(50.0, vec![]), (25.0, vec![3]), (12.5, vec![2, 3]), (10.0, vec![2, 3])]
        {
            assert_eq!(fitted(Hertz::new(frequency), 5, MAINS, second), fitted_lines, "{frequency} Hz");
        }
        assert_eq!(fitted(Hertz::new(16.0), 5, MAINS, second), vec![1, 2, 3]);
        assert_eq!(hidden(Hertz::new(49.0), MAINS, second), Some(1));
        assert_eq!(hidden(Hertz::new(25.0), MAINS, second), None);
    }

    proptest! {
        #[test]
        fn what_is_proposed_is_free(frequency in 0.5..200.0_f64, cycles in 5.0..200.0_f64, harmonics in 1..8_u32) {
            let duration = Seconds::new(cycles / frequency);
            let found = nearest_free(Hertz::new(frequency), harmonics, MAINS, duration);
            prop_assert!(
                found == Hertz::new(frequency)
                    || fitted(found, harmonics, MAINS, duration).len() == LINES as usize
            );
        }
    }
}
