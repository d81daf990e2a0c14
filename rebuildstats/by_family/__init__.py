"""Fits and forecasts of a history that outgrows one machine: each family worked out where its rows are."""
