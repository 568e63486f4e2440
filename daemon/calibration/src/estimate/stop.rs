//! When a dwell may end.

/// Lengths at which a dwell is looked at, in multiples of the plan's cycles.
pub const LENGTHS: [u64; 4] = [1, 2, 4, 8];

/// Segments from which their scatter is trusted to say when to stop. Stopping as soon as a scatter is small picks the
/// runs in which it came out small by chance; with a handful of segments that costs coverage, with ten hardly any.
const TRUSTED: usize = 10;
/// With fewer a dwell may end where type A does not decide: at this share of the limit it adds a twentieth.
const NEGLIGIBLE_SHARE: f64 = 1.0 / 3.0;

/// True if a dwell may end at look `look` (from 0) of `looks`, `segments` segments being in, with the expanded type A
/// uncertainty `expanded` (standard uncertainty times Student's t for its degrees of freedom, 95 %) where `limit` is
/// wanted; both in the same unit. The last look ends it always. An uncertainty that is no number never does before.
#[must_use]
pub fn may_stop(look: usize, looks: usize, segments: usize, expanded: f64, limit: f64) -> bool {
    let allowed = if segments < TRUSTED { limit * NEGLIGIBLE_SHARE } else { limit };
    look + 1 >= looks || expanded <= allowed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stops_when_it_may() {
        assert!(may_stop(0, 4, 10, 1.0, 1.0) && !may_stop(0, 4, 10, 1.001, 1.0));
        assert!(may_stop(0, 4, 9, 0.33, 1.0) && !may_stop(0, 4, 9, 0.34, 1.0));
        assert!(!may_stop(2, 4, 40, f64::NAN, 1.0) && !may_stop(2, 4, 40, f64::INFINITY, 1.0));
        assert!(may_stop(3, 4, 40, f64::INFINITY, 1.0) && may_stop(0, 1, 1, 2.0, 1.0));
    }
}
