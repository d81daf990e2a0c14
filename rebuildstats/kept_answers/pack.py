"""Results as files and back: frozen dataclasses of this package, frames, arrays and plain values; nothing else.

A file is a zip: `tree.json` says how things hang together, every frame is a Parquet member, all arrays lie one behind
the other in `arrays.bin`. Reading one can only build dataclasses of `rebuildstats` out of such values; it never runs
what a file says.
"""

from __future__ import annotations

import dataclasses
import importlib
import io
import json
import os
import zipfile
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

_PACKAGE = "rebuildstats."
_ARRAYS = "arrays.bin"


def save(path: Path, value: Any) -> None:
    """Write `value` under `path`, whole or not at all. Raises TypeError for what can't be kept, OSError."""
    members: dict[str, bytearray | bytes] = {}
    tree = json.dumps(_flat(value, members))
    draft = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with zipfile.ZipFile(draft, "w") as file:
            file.writestr("tree.json", tree)
            for name, data in members.items():
                file.writestr(name, bytes(data))
        os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)


def load(path: Path) -> Any:
    """What `save` wrote. Raises FileNotFoundError where nothing stands there, ValueError where it isn't ours."""
    try:
        with zipfile.ZipFile(path) as file:
            arrays = file.read(_ARRAYS) if _ARRAYS in file.namelist() else b""
            return _built(json.loads(file.read("tree.json")), file, arrays)
    except (zipfile.BadZipFile, KeyError, TypeError, AttributeError, ImportError) as error:
        raise ValueError(f"{path} holds no answer that this program can read: {error}") from error


def _flat(value: Any, members: dict[str, bytearray | bytes]) -> Any:
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value)
    if isinstance(value, pd.DataFrame):
        return {"frame": _member(members, "parquet", _frame_bytes(value))}
    if isinstance(value, np.ndarray):
        if value.dtype.hasobject:
            raise TypeError("an array of objects is no result that can be kept")
        start = len(members.setdefault(_ARRAYS, bytearray()))
        members[_ARRAYS] += value.tobytes()
        return {"array": [value.dtype.str, list(value.shape), start]}
    if isinstance(value, bytes):
        return {"bytes": _member(members, "bin", value)}
    if isinstance(value, date):
        return {"day": value.isoformat()[:10]}
    if isinstance(value, tuple | list):
        return {"tuple" if isinstance(value, tuple) else "list": [_flat(one, members) for one in value]}
    if isinstance(value, Mapping):
        return {"map": [[_flat(key, members), _flat(one, members)] for key, one in value.items()]}
    kind = type(value)
    if dataclasses.is_dataclass(value) and kind.__module__.startswith(_PACKAGE):
        fields = {f.name: _flat(getattr(value, f.name), members) for f in dataclasses.fields(value)}
        return {"data": [kind.__module__, kind.__qualname__], "fields": fields}
    raise TypeError(f"{kind.__module__}.{kind.__qualname__} is no result that can be kept")


def _member(members: dict[str, bytearray | bytes], ending: str, data: bytes) -> str:
    name = f"{len(members)}.{ending}"
    members[name] = data
    return name


def _frame_bytes(frame: pd.DataFrame) -> bytes:
    buffer = io.BytesIO()
    frame.to_parquet(buffer, index=not isinstance(frame.index, pd.RangeIndex))
    return buffer.getvalue()


def _built(tree: Any, file: zipfile.ZipFile, arrays: bytes) -> Any:
    if not isinstance(tree, dict):
        return tree
    if "frame" in tree:
        return pd.read_parquet(io.BytesIO(file.read(tree["frame"])))
    if "array" in tree:
        kind, shape, start = tree["array"]
        count = int(np.prod(shape, dtype=np.int64))
        return np.frombuffer(arrays, np.dtype(kind), count, start).reshape(shape).copy()
    if "bytes" in tree:
        return file.read(tree["bytes"])
    if "day" in tree:
        return date.fromisoformat(tree["day"])
    if "tuple" in tree:
        return tuple(_built(one, file, arrays) for one in tree["tuple"])
    if "list" in tree:
        return [_built(one, file, arrays) for one in tree["list"]]
    if "map" in tree:
        return {_built(key, file, arrays): _built(one, file, arrays) for key, one in tree["map"]}
    module, name = tree["data"]
    if not module.startswith(_PACKAGE):
        raise ValueError(f"{module} is not part of this program")
    kind = getattr(importlib.import_module(module), name)
    if not (isinstance(kind, type) and dataclasses.is_dataclass(kind)):
        raise ValueError(f"{module}.{name} is no result")
    fields = {key: _built(one, file, arrays) for key, one in tree["fields"].items()}
    inward = {f.name: fields[f.name] for f in dataclasses.fields(kind) if f.init}
    return kind(**inward)
