"""Rebuild-history analytics and parts-demand forecasting for a fleet. One public function per command."""

from __future__ import annotations

__version__ = "0.1.0"
