"""The types of numpy arrays that are passed from function to function."""

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complex128]
Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Indices = NDArray[np.intp]
