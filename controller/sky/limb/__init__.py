"""The Moon's real edge: terrain in, limb profile, C2 and C3 through the valleys and Baily's beads out.

Heights of the terrain and the ephemeris' Moon are both about the centre of mass, so nothing is added
between centre of figure and centre of mass: the difference is in the heights.
"""
