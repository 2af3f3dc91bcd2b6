//! Uncertainty: inputs, propagation, Monte Carlo, budgets, rounding.
