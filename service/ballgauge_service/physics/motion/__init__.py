"""Rigid-body motion of the ball on the lane: compiled kernels over plain arrays.

Inside: inches, seconds, radians; mass divided out, so moments of inertia are squared radii of gyration [in²]
and energies are per mass [in²/s²]. Lane frame: x to the right from the middle of the lane, y down the lane
from the foul line, z up. Body frame: the ball's principal axes through its mass center.
"""
