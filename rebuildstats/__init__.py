"""Rebuild-history analytics and parts-demand forecasting for a fleet. One public function per command.

The functions are fetched on first use, so that `rebuildstats --help` need not load the statistics behind them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rebuildstats.commands import (
        backtest,
        backup,
        changes,
        check,
        curve,
        damage,
        dashboard,
        deadstock,
        demo,
        doubts,
        drift,
        export,
        fit,
        forecast,
        gaps,
        init,
        inspections,
        join,
        joins,
        kits,
        life,
        lives,
        load,
        lots,
        makes,
        order,
        overdue,
        picks,
        points,
        propose,
        rates,
        ready,
        recurrence,
        rejects,
        repeats,
        restore,
        rivals,
        settings,
        shares,
        sheet,
        shortages,
        spares,
        suppliers,
        undo,
        unjoin,
        wear,
        withdraw,
    )

__version__ = "0.1.0"

__all__ = [
    "__version__",
    "backtest",
    "backup",
    "changes",
    "check",
    "curve",
    "damage",
    "dashboard",
    "deadstock",
    "demo",
    "doubts",
    "drift",
    "export",
    "fit",
    "forecast",
    "gaps",
    "init",
    "inspections",
    "join",
    "joins",
    "kits",
    "life",
    "lives",
    "load",
    "lots",
    "makes",
    "order",
    "overdue",
    "picks",
    "points",
    "propose",
    "rates",
    "ready",
    "recurrence",
    "rejects",
    "repeats",
    "restore",
    "rivals",
    "settings",
    "shares",
    "sheet",
    "shortages",
    "spares",
    "suppliers",
    "undo",
    "unjoin",
    "wear",
    "withdraw",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from rebuildstats import commands

        return getattr(commands, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
