"""Layered ball designs: mass properties, drilling, solving and tolerance studies.

A design is an ordered list of solids; the first is the ball itself, and each later solid displaces what lies
beneath it. Body frame of a design: origin at the geometric center, +z to the pin, +x to the mass-bias mark
(the PSA), lengths in inches, densities in g/mL.
"""
