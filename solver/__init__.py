"""The physics of a rubber-belt CVT: SI arrays in, SI arrays out.

Knows no part id, no file and no score. Functions broadcast their array arguments; the
result has the broadcast shape. Angles are radians, speeds of rotation rad/s.
"""
