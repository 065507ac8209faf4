"""Kinds of arrays, by what their numbers are."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Codes = NDArray[np.uint16]
"""Pixels, encoded as `Encoding` says: 0 … 65535."""

Floats = NDArray[np.floating]
"""Colours or differences, of any precision."""

Indices = NDArray[np.int64]
"""Places in another array."""

Whole = int | np.unsignedinteger
"""A whole number in a compiled loop, which is an index or counts something."""

Array = NDArray[np.generic]
"""An array that a compiled loop takes; `seen` and `made` say of what."""
