"""Records to a plain skeleton plus arrays keyed by their content, and back.

One mechanism for the project file, the recovery copy and the messages between
the window and its worker. The skeleton is fit for JSON; nothing in it is code,
and only the records of `rejoin.core.records` can be made from it.

A `Table` remembers, weakly, which live record has which key. With a table on
each side an untouched record is the same object after the trip there and back,
so that changes are found with ``is``. The sender must keep what it sent alive
until the answer is there, if it leaves out arrays that the other side has.
"""

from __future__ import annotations

import json
import math
import types
import weakref
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from functools import cache
from hashlib import blake2b
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np
import numpy.typing as npt

from rejoin.core import records
from rejoin.core.errors import FileTrouble
from rejoin.core.records import Mesh, Record

Arrays = dict[str, npt.NDArray[Any]]
Kind = TypeVar("Kind", bound=Record)
KINDS: dict[str, type[Record]] = {
    name: kind
    for name, kind in vars(records).items()
    if isinstance(kind, type) and issubclass(kind, Record) and kind is not Record
}
"""Every record that may be packed, by class name."""


class Table:
    """Which live record, and which live array, has which key; it keeps nothing alive."""

    def __init__(self) -> None:
        self.records: weakref.WeakValueDictionary[str, Record] = weakref.WeakValueDictionary()
        self.arrays: weakref.WeakValueDictionary[str, npt.NDArray[Any]] = weakref.WeakValueDictionary()
        self._entries: weakref.WeakKeyDictionary[Record, tuple[str, dict[str, Any]]] = weakref.WeakKeyDictionary()

    def entry_of(self, record: Record) -> tuple[str, dict[str, Any]] | None:
        """Key and skeleton entry of a record that was packed or unpacked before."""
        return self._entries.get(record)

    def remember(self, record: Record, content: str, entry: dict[str, Any]) -> str:
        """Give the record its key: of its content, numbered where an equal record lives already."""
        key, number = content, 1
        while self.records.get(key, record) is not record:
            number += 1
            key = f"{content}.{number}"
        self.put(key, record, entry)
        return key

    def put(self, key: str, record: Record, entry: dict[str, Any]) -> None:
        """Let ``key`` stand for ``record``."""
        self.records[key] = record
        self._entries[record] = key, entry


_array_keys: dict[int, tuple[weakref.ref[npt.NDArray[Any]], str]] = {}


def array_key(array: npt.NDArray[Any]) -> str:
    """Key of dtype, shape and bytes; remembered for as long as a read-only array lives."""
    known = _array_keys.get(id(array))
    if known is not None and known[0]() is array:
        return known[1]
    digest = blake2b(f"{array.dtype.str}{array.shape}".encode(), digest_size=20)
    digest.update(np.ascontiguousarray(array).reshape(-1).view(np.uint8).data)
    key = digest.hexdigest()
    if not array.flags.writeable:
        number = id(array)
        _array_keys[number] = weakref.ref(array, lambda _: _array_keys.pop(number, None)), key
    return key


def pack(record: Record, table: Table | None = None) -> tuple[dict[str, Any], Arrays]:
    """A record, and all that it holds, as a plain skeleton plus arrays.

    Parameters
    ----------
    record : Record
    table : Table, optional
        Where to look up and to remember keys.

    Returns
    -------
    skeleton : dict
        ``{"root": key, "records": {key: {"kind": ..., "fields": {...}}}}``, fit for JSON.
    arrays : dict
        Array by key; the record's own, not copies.
    """
    entries: dict[str, Any] = {}
    arrays: Arrays = {}
    root = _packed(record, table if table is not None else Table(), entries, arrays)
    return {"root": root, "records": entries}, arrays


def _packed(record: Record, table: Table, entries: dict[str, Any], arrays: Arrays) -> str:
    known = table.entry_of(record)
    if known is not None and known[0] in entries:
        return known[0]
    kind = type(record)
    if KINDS.get(kind.__name__) is not kind:
        raise TypeError(f"{kind.__name__} is no record of this program")
    plain = {f.name: _plain(getattr(record, f.name), table, entries, arrays) for f in fields(kind)}  # type: ignore[arg-type]
    if known is None:
        entry = {"kind": kind.__name__, "fields": plain}
        text = json.dumps(entry, sort_keys=True, separators=(",", ":"))
        known = table.remember(record, blake2b(text.encode(), digest_size=16).hexdigest(), entry), entry
    entries[known[0]] = known[1]
    return known[0]


def _plain(value: Any, table: Table, entries: dict[str, Any], arrays: Arrays) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else {"float": repr(value)}
    if isinstance(value, tuple):
        return [_plain(item, table, entries, arrays) for item in value]
    if isinstance(value, Record):
        return {"record": _packed(value, table, entries, arrays)}
    if isinstance(value, np.ndarray) and value.dtype.kind in "fiub":
        key = array_key(value)
        arrays[key] = value
        table.arrays[key] = value
        return {"array": key}
    raise TypeError(f"a record cannot hold a {type(value).__name__}")


def unpack(skeleton: Mapping[str, Any], arrays: Mapping[str, npt.NDArray[Any]], known: Table | None = None) -> Record:
    """The record of a skeleton; what `known` still holds alive is used again, the rest is made.

    Parameters
    ----------
    skeleton : mapping
        As `pack` made it.
    arrays : mapping
        Arrays by key; those that ``known`` holds may be left out.
    known : Table, optional

    Returns
    -------
    Record

    Raises
    ------
    FileTrouble
        Where the skeleton is not sound: unknown kinds, missing parts, wrong types.
    """
    entries, root = skeleton.get("records"), skeleton.get("root")
    if not isinstance(entries, Mapping) or not isinstance(root, str):
        raise _unsound("it has no records")
    return _Unpacking(entries, arrays, known if known is not None else Table()).record(root)


def unpack_as(kind: type[Kind], skeleton: Mapping[str, Any], arrays: Mapping[str, npt.NDArray[Any]],
              known: Table | None = None) -> Kind:  # fmt: skip
    """`unpack`, and the record must be of ``kind``."""
    record = unpack(skeleton, arrays, known)
    if not isinstance(record, kind):
        raise _unsound(f"it holds a {type(record).__name__}")
    return record


def _unsound(detail: str) -> FileTrouble:
    return FileTrouble(f"The project's data is damaged: {detail}.", "Open an older copy of the project.")


class _Unpacking:
    """One run of `unpack`; holds what it made so that the weak table cannot lose it meanwhile."""

    def __init__(self, entries: Mapping[str, Any], arrays: Mapping[str, npt.NDArray[Any]], table: Table) -> None:
        self.entries, self.arrays, self.table = entries, arrays, table
        self.made: dict[str, Record] = {}
        self.open: set[str] = set()

    def record(self, key: str) -> Record:
        live = self.made.get(key) or self.table.records.get(key)
        if live is not None:
            self.made[key] = live
            return live
        entry = self.entries.get(key)
        if not isinstance(entry, Mapping) or key in self.open or len(self.open) > 50:
            raise _unsound("a part that it names is missing")
        kind, plain = KINDS.get(str(entry.get("kind"))), entry.get("fields")
        if kind is None or not isinstance(plain, Mapping):
            raise _unsound(f"it holds something unknown ({str(entry.get('kind'))[:40]!r})")
        self.open.add(key)
        values = {name: self.value(item) for name, item in plain.items()}
        self.open.discard(key)
        made = self.made[key] = _made(kind, values)
        for name, item in plain.items():
            if isinstance(item, Mapping) and "array" in item:
                self.table.arrays[item["array"]] = getattr(made, name)
        self.table.put(key, made, {"kind": kind.__name__, "fields": dict(plain)})
        return made

    def value(self, item: Any) -> Any:
        if item is None or isinstance(item, (bool, int, float, str)):
            return item
        if isinstance(item, (list, tuple)):
            return tuple(self.value(one) for one in item)
        match item:
            case {"record": str(key)}:
                return self.record(key)
            case {"array": str(key)}:
                return self.array(key)
            case {"float": "nan" | "inf" | "-inf" as text}:
                return float(text)
        raise _unsound("it holds something unknown")

    def array(self, key: str) -> npt.NDArray[Any]:
        live = self.table.arrays.get(key)
        if live is not None:
            return live
        array = self.arrays.get(key)
        if array is None:
            raise _unsound("an array that it names is missing")
        array = array.view()
        array.flags.writeable = False
        self.table.arrays[key] = array
        _array_keys[id(array)] = weakref.ref(array, _forgetter(id(array))), key
        return array


def _forgetter(number: int) -> Callable[[Any], None]:
    def forget(_: Any) -> None:
        _array_keys.pop(number, None)

    return forget


def _made(kind: type[Record], values: dict[str, Any]) -> Record:
    hints = _hints(kind)  # type: ignore[arg-type]
    needed = {f.name for f in fields(kind) if f.default is MISSING and f.default_factory is MISSING}  # type: ignore[arg-type]
    if not needed <= values.keys() <= hints.keys():
        raise _unsound(f"a {kind.__name__} lacks a part or has one too many")
    for name, value in values.items():
        if not _fits(value, hints[name]):
            raise _unsound(f"{name} of a {kind.__name__} is of the wrong kind")
    try:
        made = kind(**values)
    except (TypeError, ValueError) as error:
        raise _unsound(f"a {kind.__name__} cannot be made") from error
    if isinstance(made, Mesh) and not _is_sound(made):
        raise _unsound("what should be a mesh is none")
    return made


def _is_sound(mesh: Mesh) -> bool:
    """Whether every vertex is three numbers, and every corner of a triangle a vertex."""
    points, corners = mesh.vertices, mesh.triangles
    if not all(array.ndim == 2 and array.shape[1] == 3 for array in (points, corners)):
        return False
    there = len(corners) == 0 or (int(corners.min()) >= 0 and int(corners.max()) < len(points))
    return there and bool(np.isfinite(points).all())


@cache
def _hints(kind: type[Record]) -> dict[str, Any]:
    names = {f.name for f in fields(kind)}  # type: ignore[arg-type]
    return {name: hint for name, hint in get_type_hints(kind).items() if name in names}


def _fits(value: Any, hint: Any) -> bool:
    """Whether a value is what a field's type says (arrays: any array, their dtype is set by the record)."""
    origin, inner = get_origin(hint), get_args(hint)
    if hint is Any:
        return True
    if origin in (Union, types.UnionType):
        return any(_fits(value, one) for one in inner)
    if origin is np.ndarray:
        return isinstance(value, np.ndarray)
    if origin is tuple:
        if not isinstance(value, tuple):
            return False
        if len(inner) == 2 and inner[1] is ...:
            return all(_fits(item, inner[0]) for item in value)
        return len(inner) == len(value) and all(_fits(item, one) for item, one in zip(value, inner, strict=True))
    if hint is float:
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    if hint is int:
        return isinstance(value, int) and not isinstance(value, bool)
    return isinstance(value, hint)
