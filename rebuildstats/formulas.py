"""Text that a spreadsheet would take for a formula: put behind an apostrophe where it is written, taken from behind it
where it is read.

A cell that begins with one of these signs is computed when somebody opens the file, and a formula can send data away
or start a program. Source of the signs: OWASP, "CSV Injection" (=, +, -, @, tab, carriage return, and the full-width
forms of the first four, which spreadsheets of some languages read alike).
"""

from __future__ import annotations

#: The apostrophe is among them, so that one that belongs to the text survives.
SIGNS = ("=", "+", "-", "@", "'", "\uff1d", "\uff0b", "\uff0d", "\uff20")
#: How they stand in a UTF-8 file once they are guarded.
GUARDED_SIGNS = tuple(f"'{sign}".encode() for sign in SIGNS)


def guarded(text: str) -> str:
    """The text for a cell of a file that a spreadsheet may open; a blank before the sign does not hide it."""
    return f"'{text}" if text.startswith(("\t", "\r")) or text.lstrip().startswith(SIGNS) else text


def unguarded(text: str) -> str:
    """A trimmed cell as it is meant: without the apostrophe that guards it."""
    return text[1:].strip() if text.startswith("'") and text[1:].lstrip().startswith(SIGNS) else text
