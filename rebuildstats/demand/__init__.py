"""Fits and records in, demand for parts out: when, what, which, exact sums, series beside it, backtest. No disk, no
screen."""
