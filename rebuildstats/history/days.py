"""The two senses of a day of the past: the history as it was true, and as it was known."""

from __future__ import annotations

from datetime import date


class AsKnown(date):
    """A day on which the history is looked at as this store knew it at the end of that day: without the rows, the
    corrections and the joins that came later. A plain date looks at it as it was true: all that is known by now of what
    is dated to that day.
    """

    @classmethod
    def of(cls, day: date) -> AsKnown:
        return cls(day.year, day.month, day.day)
