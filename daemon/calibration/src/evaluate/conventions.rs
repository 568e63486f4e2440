//! How results were stated when a run was evaluated: what has changed since is kept, so that old records follow from their
//! waveforms.

/// What is done beyond first order. A new run has the last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Conventions {
    /// Nothing: first order and a coverage factor everywhere. Budgets were not kept either.
    FirstOrder,
    /// A budget is simulated where first order does not do; probabilities of conformity go by Student's distribution all the same.
    Simulated,
    /// Such a probability goes by the distribution that was simulated.
    #[default]
    ByDistribution,
}
