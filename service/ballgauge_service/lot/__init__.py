"""A lot of balls: its file read, every ball judged, the lot accepted or not, and described by statistics.

The request becomes values in `request`, the answer JSON in `answer`; `evaluate` is the way between them.
"""
