"""Defaults of the empirical constants that a case may change, each in one place.

Light: read by the case's tables and by the physics alike. Origins and ranges stand in
shared/empirical_constants.csv.
"""

from __future__ import annotations

WEAK_SHEAR_MIXING = 1.5  # on the excess of g over 1 (section.closure); 1 is the standard form
TURBULENCE_DECAY_C2 = 2.2  # C_2 of the closure
WAKE_START_ENERGY = 0.02  # k/V^2 at the bubble's end
SIDE_LAYER_SHARE = 0.25  # of the drag's momentum
SIDE_LAYER_ENERGY = 0.45  # share of the drag work that is turbulence of the corner separation
COUPLE_SPREAD = 1.1  # lambda, from memory and the drag balance
MOMENTUM_SPREAD = 0.4  # S, bluff vehicle; 0.064 to 0.8 published
BUBBLE_LENGTH_HEIGHTS = 1.4  # squareback, Grandemange et al. 2013; 0.7 to 1.6
REVERSED_FLOW = 0.35  # share of V, Lienhart and Becker 2003
TURBULENCE_FACTOR = 1.0  # on the rms
# Still air is never quite still: friction velocity of its remaining motion, m/s, assumed; it is
# that of a wind of 0.3 m/s at 10 m over open land.
RESIDUAL_FRICTION_VELOCITY_M_S = 0.02
