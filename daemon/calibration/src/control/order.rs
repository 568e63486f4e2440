//! The order of points that saves time.
//!
//! Owns: that order. Must not: know what a report or a plan wants; results keep the numbers that the plan gave them.
//!
//! What a point costs beside its dwell: the way there and off (1.5 cycles each), a window (a cycle or 0.25 s), and with some
//! chance p a second look: a small change and another window. All of it goes with the period 1/f at low frequencies. p
//! falls with what is known of the plant: near 1 for the first point, small where a point not far away in ln f was already
//! measured. So the first point should be a cheap one, the highest frequency, and each next one the neighbour of one
//! before: descending frequency. At one frequency ascending amplitude: the small one, which harms nothing if the plant
//! answers more than foreseen, teaches the large one.

use plan_schema::units::{Accel, Hertz, Peak};

/// The order in which points are best run: indices into `points`; descending frequency, then ascending amplitude, equal
/// points as they were.
#[must_use]
pub fn order(points: &[(Hertz, Accel<Peak>)]) -> Vec<usize> {
    let mut indexed: Vec<(usize, f64, f64)> =
        points.iter().enumerate().map(|(n, (f, a))| (n, f.si(), a.si())).collect();
    indexed.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.2.total_cmp(&b.2)));
    indexed.into_iter().map(|(n, ..)| n).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Expected time of an order of frequencies: the model in the head of this file, with p from the distance to the nearest
    /// frequency before, certain from a distance of a decade on.
    fn cost(frequencies: &[f64]) -> f64 {
        let mut sum = 0.0;
        for (n, f) in frequencies.iter().enumerate() {
            let nearest = |distance: f64, g: &f64| distance.min((f / g).ln().abs() / 10_f64.ln());
            let chance = frequencies[..n].iter().fold(1.0, nearest);
            let window = (1.0 / f).max(0.25);
            sum += 3.0 / f + window + chance * (0.25 + window);
        }
        sum
    }

    fn permutations(of: &[f64]) -> Vec<Vec<f64>> {
        if of.is_empty() {
            return vec![Vec::new()];
        }
        (0..of.len())
            .flat_map(|n| {
                let rest: Vec<f64> = of[..n].iter().chain(&of[n + 1..]).copied().collect();
                permutations(&rest).into_iter().map(move |mut p| {
                    p.insert(0, of[n]);
                    p
                })
            })
            .collect()
    }

    proptest! {
        #[test]
        fn a_permutation_that_descends(points in prop::collection::vec((0.1..200.0_f64, 0.1..9.0_f64), 0..20)) {
            let points: Vec<_> =
                points.into_iter().map(|(f, a)| (Hertz::new(f.round()), Accel::new(a.round()))).collect();
            let order = order(&points);
            let mut sorted = order.clone();
            sorted.sort_unstable();
            prop_assert!(sorted.into_iter().eq(0..points.len()));
            for pair in order.windows(2) {
                let ((f, a), (g, b)) = (points[pair[0]], points[pair[1]]);
                prop_assert!(f > g || (f == g && (a < b || (a == b && pair[0] < pair[1]))));
            }
        }

        /// Of all orders none is foreseen to take less time.
        #[test]
        fn no_order_is_quicker(frequencies in prop::collection::vec(0.3..100.0_f64, 1..6)) {
            let points: Vec<_> = frequencies.iter().map(|f| (Hertz::new(*f), Accel::new(1.0))).collect();
            let chosen: Vec<f64> = order(&points).into_iter().map(|n| frequencies[n]).collect();
            let best = permutations(&frequencies).iter().map(|p| cost(p)).fold(f64::INFINITY, f64::min);
            prop_assert!(cost(&chosen) <= best * (1.0 + 1e-12), "{chosen:?}: {} {best}", cost(&chosen));
        }
    }
}
