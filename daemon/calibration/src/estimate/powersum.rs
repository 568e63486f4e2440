//! Sums of `mᵖ e^{βm}` over a row of samples, in closed form. Every entry of a Gram matrix of sines, lines, drifts and
//! decays is made of these, so that no sample is looked at for it.
//!
//! m runs over the row about its centre, `−(N−1)/2 … (N−1)/2`. The sum for p = 0 is the geometric one,
//! `sinh(Nβ/2) / sinh(β/2)` (for imaginary β the Dirichlet kernel); those for p = 1, 2 are its derivatives by β.

use nalgebra::Complex;

/// Below this |Nβ| the closed form loses digits, and the series in β is used: its last term is then below 1e-17.
const SERIES_BELOW: f64 = 0.5;
/// Highest moment of the series.
const HIGHEST_MOMENT: usize = 14;

/// `Σ mᵖ e^{βm}` for p = 0, 1, 2.
pub(super) fn power_sums(beta: Complex<f64>, samples: usize) -> [Complex<f64>; 3] {
    let count = samples as f64;
    if beta.norm() * count < SERIES_BELOW {
        return series(beta, count);
    }
    let half = beta / 2.0;
    let (sinh, cosh) = hyperbolic(half);
    let (sinh_all, cosh_all) = hyperbolic(half * count);
    let zeroth = sinh_all / sinh;
    // Derivatives by β/2.
    let first = (cosh_all * count - zeroth * cosh) / sinh;
    let second = zeroth * (count * count - 1.0) - first * cosh / sinh * 2.0;
    [zeroth, first / 2.0, second / 4.0]
}

fn hyperbolic(z: Complex<f64>) -> (Complex<f64>, Complex<f64>) {
    let (sin, cos) = libm::sincos(z.im);
    let (sinh, cosh) = if z.re.abs() > 0.0 { (libm::sinh(z.re), libm::cosh(z.re)) } else { (0.0, 1.0) };
    (Complex::new(sinh * cos, cosh * sin), Complex::new(cosh * cos, sinh * sin))
}

fn series(beta: Complex<f64>, count: f64) -> [Complex<f64>; 3] {
    let moments = moments(count);
    [0, 1, 2].map(|power| {
        let mut factor = Complex::new(1.0, 0.0);
        let mut sum = Complex::default();
        for (k, moment) in moments.iter().skip(power).enumerate() {
            sum += factor * *moment;
            factor *= beta / (k as f64 + 1.0);
        }
        sum
    })
}

/// `Σ mᵏ`: from `Σ (m+½)^{k+1} − (m−½)^{k+1}`, which telescopes to `2 (N/2)^{k+1}` for even k.
fn moments(count: f64) -> [f64; HIGHEST_MOMENT + 1] {
    let mut moments = [0.0; HIGHEST_MOMENT + 1];
    let mut edge = count / 2.0;
    for k in (0..=HIGHEST_MOMENT).step_by(2) {
        // 2 C(k+1, i) (½)^i for i = 1, then 3, 5, …
        let order = k as f64 + 1.0;
        let mut sum = 2.0 * edge;
        let mut factor = order;
        for i in (3..=k + 1).step_by(2) {
            let at = i as f64;
            factor *= (order - at + 2.0) * (order - at + 1.0) / (at * (at - 1.0)) / 4.0;
            sum -= factor * moments.get(k + 1 - i).copied().unwrap_or_default();
        }
        if let Some(moment) = moments.get_mut(k) {
            *moment = sum / order;
        }
        edge *= count * count / 4.0;
    }
    moments
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn written_out(beta: Complex<f64>, samples: usize) -> [Complex<f64>; 3] {
        let centre = (samples as f64 - 1.0) / 2.0;
        [0, 1, 2].map(|p| (0..samples).map(|n| n as f64 - centre).map(|m| (beta * m).exp() * m.powi(p)).sum())
    }

    proptest! {
        #[test]
        fn as_written_out(samples in 1..3000_usize, decay in 0.0..30.0_f64, angle in -9.0..0.45_f64, kind in 0..3) {
            let turn = if kind == 0 { 0.0 } else { 10f64.powf(angle) };
            let decay = if kind == 1 { 0.0 } else { -decay / samples as f64 };
            let beta = Complex::new(decay, turn);
            let size = (-decay * samples as f64 / 2.0).exp() * samples as f64;
            for (p, (closed, sum)) in power_sums(beta, samples).into_iter().zip(written_out(beta, samples)).enumerate() {
                let scale = size * (samples as f64).powi(i32::try_from(p).unwrap());
                prop_assert!((closed - sum).norm() < 2e-14 * scale, "{p}: {closed} {sum}");
            }
        }
    }
}
