//! The law of propagation of uncertainty.

use super::number::Dual;
use super::{Correlations, GumError, Input, Number};
use nalgebra::DMatrix;

/// A measurement model: results as a function of inputs, written once for every kind of number.
pub trait Model {
    /// Results for these inputs, in the order of [`Inputs`]; always as many.
    fn results<N: Number>(&self, inputs: &[N]) -> Vec<N>;
}

/// The inputs of a model with their correlations.
#[derive(Debug, Clone, PartialEq)]
pub struct Inputs {
    inputs: Vec<Input>,
    correlations: Correlations,
}

impl Inputs {
    /// Inputs that are correlated like this.
    ///
    /// # Errors
    /// `Size` where the two don't go together; `Input` for a name that two bear.
    pub fn new(inputs: Vec<Input>, correlations: Correlations) -> Result<Self, GumError> {
        if inputs.len() != correlations.inputs() {
            return Err(GumError::Size { inputs: inputs.len(), numbers: correlations.inputs() });
        }
        for (position, input) in inputs.iter().enumerate() {
            if inputs.iter().take(position).any(|before| before.name() == input.name()) {
                return Err(GumError::Input {
                    name: input.name().to_owned(),
                    what: "another bears this name",
                });
            }
        }
        Ok(Self { inputs, correlations })
    }

    /// Inputs that have nothing to do with each other.
    ///
    /// # Errors
    /// `Input` for a name that two bear.
    pub fn independent(inputs: Vec<Input>) -> Result<Self, GumError> {
        let correlations = Correlations::independent(inputs.len());
        Self::new(inputs, correlations)
    }

    /// One by one.
    #[must_use]
    pub fn as_slice(&self) -> &[Input] {
        &self.inputs
    }

    /// Their correlations.
    #[must_use]
    pub fn correlations(&self) -> &Correlations {
        &self.correlations
    }

    fn covariance(&self) -> DMatrix<f64> {
        let size = self.inputs.len();
        let standard: Vec<f64> = self.inputs.iter().map(Input::standard).collect();
        DMatrix::from_fn(size, size, |a, b| self.correlations.of(a, b) * standard[a] * standard[b])
    }
}

/// Results with their uncertainties to first order.
#[derive(Debug, Clone, PartialEq)]
pub struct Propagated {
    /// Results at the estimates.
    pub values: Vec<f64>,
    /// Derivative of each result (row) by each input (column).
    pub sensitivities: DMatrix<f64>,
    /// Covariance of the results.
    pub covariance: DMatrix<f64>,
    /// Effective degrees of freedom of each result, not truncated; infinite where everything is taken as known.
    pub dof: Vec<f64>,
}

impl Propagated {
    /// Standard uncertainty of a result; NaN for one that there is not.
    #[must_use]
    pub fn standard(&self, output: usize) -> f64 {
        self.covariance.get((output, output)).map_or(f64::NAN, |variance| variance.max(0.0).sqrt())
    }

    /// Correlation of two results; NaN where one of them is certain.
    #[must_use]
    pub fn correlation(&self, a: usize, b: usize) -> f64 {
        let covariance = self.covariance.get((a, b)).copied().unwrap_or(f64::NAN);
        covariance / (self.standard(a) * self.standard(b))
    }
}

/// Propagates to first order: `U_y = J·U_x·Jᵀ` (GUM 5.2.2 for one result, JCGM 102 for several), derivatives exact.
///
/// Effective degrees of freedom after Welch and Satterthwaite (GUM G.4.1), whose formula holds for independent parts.
/// Inputs that are correlated, directly or through others, make one part with the variance that they have together. Its
/// degrees of freedom are those of its inputs where these agree, which is exact for quantities observed together (the mean
/// of any linear combination of n simultaneous observations has n − 1); else the smallest of them, which overstates
/// the uncertainty rather than understate it.
///
/// # Errors
/// `Model` where a result or a derivative is no finite number.
pub fn propagate(model: &impl Model, inputs: &Inputs) -> Result<Propagated, GumError> {
    let estimates: Vec<f64> = inputs.inputs.iter().map(Input::value).collect();
    let values = model.results(&estimates);
    if let Some(output) = values.iter().position(|value| !value.is_finite()) {
        return Err(GumError::Model { output, by: None });
    }
    let mut sensitivities = DMatrix::zeros(values.len(), estimates.len());
    for (column, input) in inputs.inputs.iter().enumerate() {
        for (row, slope) in slopes(model, &estimates, column).into_iter().enumerate() {
            // What is certain needs no derivative: 0 stands for one that there is not.
            let matters = input.standard() > 0.0;
            if matters && !slope.is_finite() {
                return Err(GumError::Model { output: row, by: Some(input.name().to_owned()) });
            }
            sensitivities[(row, column)] = if slope.is_finite() { slope } else { 0.0 };
        }
    }
    let covariance = &sensitivities * inputs.covariance() * sensitivities.transpose();
    let groups = inputs.correlations.groups();
    let dof = (0..values.len()).map(|row| effective_dof(inputs, &groups, &sensitivities, row)).collect();
    Ok(Propagated { values, sensitivities, covariance, dof })
}

fn slopes(model: &impl Model, estimates: &[f64], by: usize) -> Vec<f64> {
    let at: Vec<Dual<f64>> = (estimates.iter().enumerate())
        .map(|(n, &x)| if n == by { Dual::variable(x) } else { Dual::fixed(x) })
        .collect();
    model.results(&at).into_iter().map(|y| y.slope).collect()
}

fn effective_dof(inputs: &Inputs, groups: &[Vec<usize>], sensitivities: &DMatrix<f64>, row: usize) -> f64 {
    let of_group = |group: &Vec<usize>| {
        let contribution = |n: usize| sensitivities[(row, n)] * inputs.inputs[n].standard();
        let pair = |a: usize, b: usize| inputs.correlations.of(a, b) * contribution(a) * contribution(b);
        let variance: f64 = group.iter().flat_map(|&a| group.iter().map(move |&b| pair(a, b))).sum();
        // An input that a result does not depend on says nothing about how well that is known.
        let counted = group.iter().filter(|&&n| contribution(n) != 0.0);
        let dof = counted.map(|&n| inputs.inputs[n].dof()).fold(f64::INFINITY, f64::min);
        (variance.max(0.0), dof)
    };
    welch_satterthwaite(groups.iter().map(of_group))
}

/// Effective degrees of freedom of a sum of independent parts, each with its variance and degrees of freedom:
/// `1/ν = Σ (uᵢ²/u²)²/νᵢ`, shares instead of fourth powers, which small units could drive below the smallest number.
pub(in super::super) fn welch_satterthwaite(parts: impl Iterator<Item = (f64, f64)> + Clone) -> f64 {
    let variance: f64 = parts.clone().map(|(square, _)| square).sum();
    let unknown: f64 =
        if variance > 0.0 { parts.map(|(square, dof)| (square / variance).powi(2) / dof).sum() } else { 0.0 };
    if unknown > 0.0 { 1.0 / unknown } else { f64::INFINITY }
}

/// Standard uncertainty of one result with the terms of next higher order, for independent inputs (GUM 5.1.2, note):
/// `Σᵢⱼ [½ f_ij² + f_i f_ijj] uᵢ² uⱼ²` beside the first-order variance. The formula takes inputs as normal.
///
/// # Errors
/// `HigherOrder` for correlated inputs; `Model` as [`propagate`], and for an output that there is not.
pub fn second_order(model: &impl Model, inputs: &Inputs, output: usize) -> Result<f64, GumError> {
    if !inputs.correlations.are_none() {
        return Err(GumError::HigherOrder);
    }
    let first = propagate(model, inputs)?;
    let mut variance = first.standard(output).powi(2);
    let estimates: Vec<f64> = inputs.inputs.iter().map(Input::value).collect();
    for (i, one) in inputs.inputs.iter().enumerate() {
        for (j, other) in inputs.inputs.iter().enumerate() {
            let squares = (one.standard() * other.standard()).powi(2);
            if squares == 0.0 {
                continue;
            }
            let bend = bend(model, &estimates, [i, j], output);
            let bend = bend.ok_or(GumError::Model { output, by: None })?;
            variance += (0.5 * bend.second.powi(2) + bend.first * bend.third) * squares;
        }
    }
    if variance.is_finite() {
        Ok(variance.max(0.0).sqrt())
    } else {
        Err(GumError::Model { output, by: None })
    }
}

/// Derivatives by i, by i and j, and by i, j and j.
struct Bend {
    first: f64,
    second: f64,
    third: f64,
}

fn bend(model: &impl Model, estimates: &[f64], [i, j]: [usize; 2], output: usize) -> Option<Bend> {
    let at: Vec<Dual<Dual<Dual<f64>>>> = (estimates.iter().enumerate())
        .map(|(n, &x)| {
            let one = |yes: bool| f64::from(u8::from(yes));
            let inner = Dual { real: x, slope: one(n == i) };
            let middle = Dual { real: inner, slope: Dual::constant(one(n == j)) };
            Dual { real: middle, slope: Dual::constant(one(n == j)) }
        })
        .collect();
    let y = *model.results(&at).get(output)?;
    Some(Bend { first: y.real.real.slope, second: y.real.slope.slope, third: y.slope.slope.slope })
}
