"""What a ball's numbers make it do on the lane: deliveries, their spread, the line map, causes.

Positions: boards count from the edge on the bowler's own side, a board's middle at its number, so 20 is the
middle of the lane; oil patterns count boards from the right edge. Distances run from the foul line.
"""
