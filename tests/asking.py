"""Every command that asks the history, for tests that try them all."""

from __future__ import annotations

# Arguments with which each command that asks the history answers.
ASKING = {
    "gaps": (),
    "lives": (),
    "fit": (),
    "life": (),
    "wear": ("F1", "--mileage", "100000"),
    "inspections": (),
    "repeats": (),
    "recurrence": ("--by", "site"),
    "damage": (),
    "drift": (),
    "shares": (),
    "makes": (),
    "rates": ("--by", "duty"),
    "rivals": (),
    "doubts": (),
    "points": (),
    "forecast": ("--months", "3"),
    "order": (),
    "backtest": (),
    "sheet": ("F1", "--mileage", "100000", "--out", "sheet.html"),
}
