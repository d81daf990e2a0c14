"""Every error a person can meet, with the exit code of each.

RebuildstatsError                exit 1   an error of the program or of its surroundings
├── UsageError                   exit 2   an argument that cannot be used as it stands
├── StoreError                   exit 2   the file is not a store, is missing, or belongs to another version
│   └── StoreBusyError           exit 1   another process kept writing for longer than we waited
├── ClusterError                exit 1   a cluster that could not do its work
├── InputError                   exit 2   a file to load that cannot be read at all
└── NothingToComputeError        exit 4   the history lacks what the question needs; the message says what

Exit 3 is no error: the work was done, but some rows were rejected or held.
"""

from __future__ import annotations


class RebuildstatsError(Exception):
    """An error whose message says what is wrong, where, and what to do about it."""

    exit_code = 1


class UsageError(RebuildstatsError):
    """An argument that cannot be used as it stands."""

    exit_code = 2


class StoreError(RebuildstatsError):
    """The store is missing, is no store of ours, or is of a version we cannot open."""

    exit_code = 2


class StoreBusyError(StoreError):
    """Another process kept the store for longer than we waited."""

    exit_code = 1


class ClusterError(RebuildstatsError):
    """A cluster answers but could not do its work."""


class InputError(RebuildstatsError):
    """A file to load that cannot be read at all; what is wrong with single rows goes to the rejects instead."""

    exit_code = 2


class NothingToComputeError(RebuildstatsError):
    """The history lacks what the question needs."""

    exit_code = 4
