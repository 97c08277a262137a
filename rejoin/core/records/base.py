"""What every record is: frozen, its arrays read-only."""

from __future__ import annotations

from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int32]


def frozen(values: npt.ArrayLike, dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """A C-contiguous read-only array; the input is copied only where it must be."""
    array = np.asarray(values, dtype=dtype, order="C")
    if array.flags.writeable:
        array = array.view() if array is not values else array.copy()
        array.flags.writeable = False
    return array


class Record:
    """Base of all records: freezes the array fields that `_arrays` names.

    Pickle loses the read-only flag, so unpickling runs the constructor again.
    """

    _arrays: ClassVar[dict[str, npt.DTypeLike]] = {}

    def __post_init__(self) -> None:
        for name, dtype in self._arrays.items():
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, frozen(value, dtype))

    def __reduce__(self) -> tuple[Any, ...]:
        names = self.__dataclass_fields__  # type: ignore[attr-defined]
        return type(self), tuple(getattr(self, name) for name in names)
