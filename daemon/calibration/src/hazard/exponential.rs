//! Exponentials of small matrices, in a fixed order of operations so that all processors give the same bits.
//!
//! Owns: products and exponentials of fixed size. Must not: know what the matrices mean.

/// A square matrix, row after row.
pub(super) type Matrix<const N: usize> = [[f64; N]; N];

/// Largest norm whose series is summed, and its terms: 0.5^14 / 14! < 1e-15.
const SERIES_NORM: f64 = 0.5;
const SERIES_TERMS: u32 = 14;

/// `exp(m · over)`: the series for a fraction of the time, squared up to the whole.
#[must_use]
pub(super) fn exponential<const N: usize>(m: &Matrix<N>, over: f64) -> Matrix<N> {
    let norm = m.iter().map(|row| row.iter().map(|v| v.abs()).sum::<f64>()).fold(0.0, f64::max) * over;
    let mut halvings = 0;
    let mut share = 1.0;
    while norm.is_finite() && norm * share > SERIES_NORM {
        halvings += 1;
        share *= 0.5;
    }
    let small = m.map(|row| row.map(|v| v * over * share));
    let mut sum = identity::<N>();
    let mut term = sum;
    for n in 1..=SERIES_TERMS {
        let scale = 1.0 / f64::from(n);
        term = product(&term, &small).map(|row| row.map(|v| v * scale));
        for (row, more) in sum.iter_mut().zip(&term) {
            for (value, more) in row.iter_mut().zip(more) {
                *value += more;
            }
        }
    }
    for _ in 0..halvings {
        sum = product(&sum, &sum);
    }
    sum
}

/// The unit matrix.
#[must_use]
pub(super) fn identity<const N: usize>() -> Matrix<N> {
    std::array::from_fn(|r| std::array::from_fn(|c| if r == c { 1.0 } else { 0.0 }))
}

/// `a · b`.
#[must_use]
pub(super) fn product<const N: usize>(a: &Matrix<N>, b: &Matrix<N>) -> Matrix<N> {
    let mut out = [[0.0; N]; N];
    for (out_row, a_row) in out.iter_mut().zip(a) {
        for (factor, b_row) in a_row.iter().zip(b) {
            for (value, other) in out_row.iter_mut().zip(b_row) {
                *value += factor * other;
            }
        }
    }
    out
}

/// Sum of products.
#[inline]
#[must_use]
pub(super) fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the exponential of nalgebra (Padé approximants after Higham, 2005), with norms as in use and beyond.
    #[test]
    fn agrees_with_a_library() {
        for over in [1e-3, 0.1, 2.0, 15.0] {
            let m: Matrix<5> = std::array::from_fn(|r| {
                std::array::from_fn(|c| {
                    f64::from(u32::try_from((r * 31 + c * 17 + 5) % 23).unwrap()) / 23.0
                        - if r == c { 2.0 } else { 0.5 }
                })
            });
            let ours = exponential(&m, over);
            let theirs = (nalgebra::SMatrix::<f64, 5, 5>::from_fn(|r, c| m[r][c]) * over).exp();
            for (r, row) in ours.iter().enumerate() {
                for (c, value) in row.iter().enumerate() {
                    assert!((value - theirs[(r, c)]).abs() < 1e-11 * theirs.amax(), "{over}: {r} {c}");
                }
            }
        }
    }
}
