"""Array aliases shared by all rooms."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
TextArray = NDArray[np.str_]
