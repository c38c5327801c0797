"""Uncertainty: budgets, Monte Carlo, findings, repeatability."""
