//! Propagation of distributions by simulation (JCGM 101), and what it says of the law of propagation.

use super::input::normal_cdf;
use super::{GumError, Inputs, Model, Propagated, Shape, Uniforms, input::normal_quantile};
use nalgebra::DMatrix;

/// Trials of a block at least (JCGM 101, 7.9.4 b).
const BLOCK: usize = 10_000;

/// How a simulation goes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simulation {
    /// Coverage probability of the intervals, such as 0.95.
    pub coverage: f64,
    /// Significant digits of the standard uncertainty that count: they set the numerical tolerance δ (JCGM 101, 7.9.2).
    pub digits: i32,
    /// Share of δ by which the figures must stand still, 1 or less: a fifth where the law of propagation is to be
    /// confirmed (JCGM 101, 8.2).
    pub tightness: f64,
    /// Trials at most: so many values are kept.
    pub trials_max: usize,
}

impl Default for Simulation {
    fn default() -> Self {
        let coverage = super::super::COVERAGE_PROBABILITY;
        Self { coverage, digits: 2, tightness: 0.5, trials_max: 6_000_000 }
    }
}

/// An interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Its lower end.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
}

impl Interval {
    /// Half of its width.
    #[must_use]
    pub fn half_width(self) -> f64 {
        (self.high - self.low) / 2.0
    }
}

/// What a simulation gives for one result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Simulated {
    /// Mean of all trials.
    pub mean: f64,
    /// Their standard deviation.
    pub standard: f64,
    /// The interval that leaves out as much below as above (JCGM 101, 7.7.2).
    pub symmetric: Interval,
    /// The shortest interval (JCGM 101, 5.3.4).
    pub shortest: Interval,
    /// Trials made.
    pub trials: usize,
    /// True if the figures stood still within the tolerance when it ended.
    pub steady: bool,
}

/// What a simulation says of the law of propagation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// Interval after the law of propagation, `y ± k·u` with k from effective degrees of freedom.
    pub framework: Interval,
    /// What the simulation gives.
    pub simulated: Simulated,
    /// Numerical tolerance δ.
    pub tolerance: f64,
    /// How far the lower ends are apart.
    pub low_apart: f64,
    /// How far the upper ends are apart.
    pub high_apart: f64,
}

impl Comparison {
    /// True if the law of propagation is confirmed (JCGM 101, 8.1).
    #[must_use]
    pub fn confirmed(&self) -> bool {
        self.simulated.steady && self.low_apart <= self.tolerance && self.high_apart <= self.tolerance
    }

    /// The interval to report: that of the law of propagation where the simulation confirms it, else the simulation's.
    #[must_use]
    pub fn reported(&self) -> Interval {
        if self.confirmed() { self.framework } else { self.simulated.symmetric }
    }
}

/// Numerical tolerance of a standard uncertainty: with u written as c·10^l, c a whole number of so many digits, half of
/// 10^l (JCGM 101, 7.9.2). 0 for an uncertainty of 0.
#[must_use]
pub fn tolerance(standard: f64, digits: i32) -> f64 {
    if !(standard.is_finite() && standard > 0.0) {
        return 0.0;
    }
    let step = |exponent: i32| 10f64.powi(exponent - digits + 1);
    let exponent = (-320..=308).find(|&e| (standard / step(e)).round() < 10f64.powi(digits)).unwrap_or(308);
    step(exponent) / 2.0
}

/// Simulates one result, in blocks, until mean, standard deviation and the ends of the symmetric interval stand still
/// within their tolerance (JCGM 101, 7.9.4), or the trials are used up.
///
/// Correlated inputs are drawn through a normal copula: exact for normal inputs; of others the distributions are right, and
/// their correlation nearly so.
///
/// # Errors
/// `Model` for a trial whose result is no finite number; `Simulation` for settings that can't be carried out.
pub fn simulate(
    model: &impl Model,
    inputs: &Inputs,
    output: usize,
    how: &Simulation,
    uniforms: &mut impl Uniforms,
) -> Result<Simulated, GumError> {
    trials(model, inputs, output, how, uniforms).map(|(simulated, _)| simulated)
}

/// As [`simulate`], with every trial, rising.
///
/// # Errors
/// As [`simulate`].
pub fn trials(
    model: &impl Model,
    inputs: &Inputs,
    output: usize,
    how: &Simulation,
    uniforms: &mut impl Uniforms,
) -> Result<(Simulated, Vec<f64>), GumError> {
    // At least 100/(1 − p) trials in a block, so that some lie beyond the ends (JCGM 101, 7.9.4 b).
    let block = BLOCK.max(trials_beyond(how)?);
    if how.trials_max < 2 * block {
        return Err(GumError::Simulation { what: "it needs two blocks at least: allow more trials" });
    }
    let mut draw = Draw::of(inputs);
    let mut all: Vec<f64> = Vec::new();
    let mut blocks: Vec<[f64; 4]> = Vec::new();
    loop {
        let begin = all.len();
        for _ in 0..block {
            let y = model.results(draw.next(uniforms)).get(output).copied();
            all.push(y.filter(|y| y.is_finite()).ok_or(GumError::Model { output, by: None })?);
        }
        let mut latest = all.get(begin..).map(<[f64]>::to_vec).unwrap_or_default();
        latest.sort_unstable_by(f64::total_cmp);
        blocks.push(figures(&summary(&latest, how.coverage)));
        let spread = blocks.iter().map(|[_, standard, ..]| standard).sum::<f64>() / blocks.len() as f64;
        let allowed = tolerance(spread, how.digits) * how.tightness;
        let steady = blocks.len() > 1 && steady(&blocks, allowed);
        if steady || all.len() + block > how.trials_max {
            all.sort_unstable_by(f64::total_cmp);
            return Ok((Simulated { steady, ..summary(&all, how.coverage) }, all));
        }
    }
}

/// Simulates a result and holds the law of propagation against it (JCGM 101, clause 8).
///
/// # Errors
/// As [`simulate`].
pub fn compare(
    model: &impl Model,
    inputs: &Inputs,
    propagated: &Propagated,
    output: usize,
    how: &Simulation,
    uniforms: &mut impl Uniforms,
) -> Result<Comparison, GumError> {
    let simulated = simulate(model, inputs, output, how, uniforms)?;
    let value = propagated.values.get(output).copied().ok_or(GumError::Model { output, by: None })?;
    let standard = propagated.standard(output);
    let dof = propagated.dof.get(output).copied().unwrap_or(f64::INFINITY);
    let expanded = super::super::student::factor(dof, how.coverage) * standard;
    let framework = Interval { low: value - expanded, high: value + expanded };
    Ok(hold_against(framework, standard, simulated, how))
}

/// Holds an interval, of a result with this standard uncertainty, against what a simulation gave.
#[must_use]
pub fn hold_against(
    framework: Interval,
    standard: f64,
    simulated: Simulated,
    how: &Simulation,
) -> Comparison {
    let interval = simulated.symmetric;
    Comparison {
        framework,
        simulated,
        tolerance: tolerance(standard, how.digits),
        low_apart: (framework.low - interval.low).abs(),
        high_apart: (framework.high - interval.high).abs(),
    }
}

fn trials_beyond(how: &Simulation) -> Result<usize, GumError> {
    let usable = how.coverage > 0.0 && how.coverage < 1.0 && how.tightness > 0.0 && how.digits >= 1;
    if !usable {
        let what = "coverage must lie between 0 and 1, tightness above 0, digits at 1 or more";
        return Err(GumError::Simulation { what });
    }
    let wanted = (100.0 / (1.0 - how.coverage)).ceil();
    if wanted > how.trials_max as f64 {
        return Err(GumError::Simulation { what: "so high a coverage needs more trials than are allowed" });
    }
    Ok(whole(wanted))
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a count of trials that was bounded before"
)]
fn whole(count: f64) -> usize {
    count.round() as usize
}

/// Draws inputs, one set after the other.
struct Draw<'a> {
    inputs: &'a Inputs,
    /// `None` where no inputs are correlated.
    root: Option<DMatrix<f64>>,
    values: Vec<f64>,
}

impl<'a> Draw<'a> {
    fn of(inputs: &'a Inputs) -> Self {
        let correlations = inputs.correlations();
        let root = (!correlations.are_none()).then(|| correlations.root());
        Self { inputs, root, values: vec![0.0; correlations.inputs()] }
    }

    fn next(&mut self, uniforms: &mut impl Uniforms) -> &[f64] {
        for value in &mut self.values {
            *value = uniforms.next_uniform();
        }
        if let Some(root) = &self.root {
            let normal = nalgebra::DVector::from_iterator(
                self.values.len(),
                self.values.iter().map(|&p| normal_quantile(p)),
            );
            for (value, z) in self.values.iter_mut().zip((root * normal).iter()) {
                *value = *z;
            }
        }
        let tied = self.root.is_some();
        for (value, input) in self.values.iter_mut().zip(self.inputs.as_slice()) {
            let deviation = match input.shape() {
                Shape::Normal { standard } if tied => standard * *value,
                shape if tied => shape.quantile(normal_cdf(*value)),
                Shape::Student { scale, dof } => scale * student(dof, uniforms),
                shape => shape.quantile(*value),
            };
            *value = input.value() + deviation;
        }
        &self.values
    }
}

/// A number from Student's distribution: Bailey's polar method (Mathematics of Computation 62, 1994), whose quantile would
/// take a hundred times as long.
fn student(dof: f64, uniforms: &mut impl Uniforms) -> f64 {
    loop {
        let (a, b) = (2.0 * uniforms.next_uniform() - 1.0, 2.0 * uniforms.next_uniform() - 1.0);
        let w = a * a + b * b;
        if w > 0.0 && w <= 1.0 {
            return a * (dof * (w.powf(-2.0 / dof) - 1.0) / w).sqrt();
        }
    }
}

/// What a sorted list of results says.
fn summary(sorted: &[f64], coverage: f64) -> Simulated {
    let count = sorted.len() as f64;
    let mean = sorted.iter().sum::<f64>() / count;
    let standard = (sorted.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt();
    // Rank q = pM and r = (M − q)/2, to the nearest whole (JCGM 101, 7.7.1 and 7.7.2).
    let within = whole(count * coverage).min(sorted.len().saturating_sub(1));
    let below = (sorted.len() - within) / 2;
    let interval = |r: usize| Interval {
        low: sorted.get(r).copied().unwrap_or(f64::NAN),
        high: sorted.get((r + within).min(sorted.len() - 1)).copied().unwrap_or(f64::NAN),
    };
    let shortest =
        (0..sorted.len() - within).map(interval).min_by(|a, b| a.half_width().total_cmp(&b.half_width()));
    Simulated {
        mean,
        standard,
        symmetric: interval(below),
        shortest: shortest.unwrap_or(interval(below)),
        trials: sorted.len(),
        steady: false,
    }
}

fn figures(s: &Simulated) -> [f64; 4] {
    [s.mean, s.standard, s.symmetric.low, s.symmetric.high]
}

/// Standard deviation of a few values.
fn deviation_of(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    (values.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt()
}

/// True if twice the standard deviation of the mean over the blocks is within the tolerance, for every figure.
fn steady(blocks: &[[f64; 4]], allowed: f64) -> bool {
    let count = blocks.len() as f64;
    (0..4).all(|n| {
        let values: Vec<f64> = blocks.iter().filter_map(|b| b.get(n).copied()).collect();
        2.0 * deviation_of(&values) / count.sqrt() <= allowed
    })
}
