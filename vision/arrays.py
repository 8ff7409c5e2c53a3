"""Array types used in signatures."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ByteArray = NDArray[np.uint8]
