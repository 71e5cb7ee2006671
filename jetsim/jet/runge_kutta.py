"""An explicit Runge-Kutta method of order 8 in twelve stages, as arrays for `trajectory`.

Coefficients of Dormand & Prince, Hairer, Norsett & Wanner (1993), Solving Ordinary Differential Equations I, second
edition, section II.5 (method DOP853), as scipy holds them. No stage after the fourth looks back at the second, and none
after the fifth at the third.
"""

import numpy as np
from scipy.integrate import DOP853

# Nodes of the twelve stages, then of the end of the step.
NODES = (*DOP853.C.tolist(), 1.0)
# Weights of the earlier stages for each stage after the first; the last row is the step itself.
STAGES = (*(DOP853.A[stage, :stage] for stage in range(1, 12)), DOP853.B)
# Slots in which the rates of the stages are kept: the second and third stage make room for the fourth and fifth.
SLOTS = (0, 1, 2, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10)
# The stages that lie in the slots, slot by slot, when each stage after the first is worked out.
LIVE = tuple(
    np.array(stages) for stages in ((0,), (0, 1), (0, 1, 2), (0, 3, 2), *((0, *range(3, end)) for end in range(5, 13)))
)
