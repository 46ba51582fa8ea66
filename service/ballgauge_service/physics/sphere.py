"""Places and directions on the ball's surface, in the grip frame.

Origin at the geometric center, +z to the grip center, +y toward the fingers, +x to the bowler's right. A
surface distance is the great-circle arc in inches, so an angle is arc / R. Formulas are the laws of spherical
trigonometry (Todhunter, Spherical Trigonometry, 1886, from memory) written with vectors.

`hand` is +1 for a right-hander and -1 for a left-hander, who is the mirror image in x.
"""

from __future__ import annotations

import math

from ballgauge_service.core.compiled import compiled

Vector = tuple[float, float, float]


@compiled
def dot(a: Vector, b: Vector) -> float:
    """Scalar product.

    Parameters
    ----------
    a, b : vector

    Returns
    -------
    float
    """
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@compiled
def cross(a: Vector, b: Vector) -> Vector:
    """Vector product.

    Parameters
    ----------
    a, b : vector

    Returns
    -------
    vector, right-handed
    """
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


@compiled
def combine(p: float, a: Vector, q: float, b: Vector) -> Vector:
    """Sum of two scaled vectors.

    Parameters
    ----------
    p, q : float
    a, b : vector

    Returns
    -------
    vector, p a + q b
    """
    return (p * a[0] + q * b[0], p * a[1] + q * b[1], p * a[2] + q * b[2])


@compiled
def unit(a: Vector) -> Vector:
    """Vector of length one.

    Parameters
    ----------
    a : vector

    Returns
    -------
    vector, a / |a|; NaN of a zero vector
    """
    length = math.sqrt(dot(a, a))
    return (a[0] / length, a[1] / length, a[2] / length)


@compiled
def place(right: float, up: float, radius: float) -> Vector:
    """Point of the surface by its arcs from the grip center.

    Parameters
    ----------
    right, up : float, along the midline, then along the meridian [arcs, in]
    radius : float, of the ball [in]

    Returns
    -------
    unit vector
    """
    across = right / radius
    rise = up / radius
    return (math.cos(rise) * math.sin(across), math.sin(rise), math.cos(rise) * math.cos(across))


@compiled
def arcs_from_grip(point: Vector, radius: float) -> tuple[float, float]:
    """The arcs that `place` maps to a point.

    Parameters
    ----------
    point : unit vector
    radius : float [in]

    Returns
    -------
    right, up : float [arcs, in]
    """
    rise = math.asin(min(1.0, max(-1.0, point[1])))
    return radius * math.atan2(point[0], point[2]), radius * rise


@compiled
def angle_between(a: Vector, b: Vector) -> float:
    """Angle between two vectors.

    Parameters
    ----------
    a, b : vector

    Returns
    -------
    float [rad], exact for small and for nearly opposite ones (atan2 form)
    """
    c = cross(a, b)
    return math.atan2(math.sqrt(dot(c, c)), dot(a, b))


@compiled
def toward(start: Vector, goal: Vector) -> Vector:
    """Direction along the great circle from one point to another.

    Parameters
    ----------
    start, goal : unit vector

    Returns
    -------
    unit tangent at `start`; NaN where they coincide or are opposite
    """
    along = dot(start, goal)
    tangent = combine(1.0, goal, -along, start)
    if dot(tangent, tangent) < 1e-24:
        return (math.nan, math.nan, math.nan)
    return unit(tangent)


@compiled
def travel(start: Vector, direction: Vector, angle: float) -> Vector:
    """Point reached along a great circle.

    Parameters
    ----------
    start : unit vector
    direction : unit tangent there
    angle : float [rad]

    Returns
    -------
    unit vector
    """
    return combine(math.cos(angle), start, math.sin(angle), direction)


@compiled
def turn(direction: Vector, outward: Vector, angle: float) -> Vector:
    """Turn a tangent about the normal.

    Parameters
    ----------
    direction : unit tangent
    outward : unit normal
    angle : float [rad], clockwise as seen from outside

    Returns
    -------
    unit tangent
    """
    return combine(math.cos(angle), direction, -math.sin(angle), cross(outward, direction))


@compiled
def positive_axis_point(hand: float, over: float, up: float, radius: float) -> Vector:
    """Positive axis point of a bowler.

    Parameters
    ----------
    hand : float, 1 of a right-hander, -1 of a left-hander
    over, up : float, from the grip center to the hand's side, then up the VAL [in]
    radius : float [in]

    Returns
    -------
    unit vector of the PAP
    """
    return place(hand * over, up, radius)


@compiled
def val_tangents(hand: float, over: float, up: float, radius: float) -> tuple[Vector, Vector]:
    """Tangents at the PAP.

    Parameters
    ----------
    hand : float, 1 of a right-hander, -1 of a left-hander
    over, up : float, from the grip center to the hand's side, then up the VAL [in]
    radius : float [in]

    Returns
    -------
    up, toward : unit tangents, up the VAL and square to it toward the grip
    """
    across = over / radius
    rise = up / radius
    upward = (-math.sin(rise) * math.sin(across) * hand, math.cos(rise), -math.sin(rise) * math.cos(across))
    return upward, (-hand * math.cos(across), 0.0, math.sin(across))


@compiled
def pin_from_layout(
    hand: float, over: float, up: float, pin_to_pap: float, val_angle: float, radius: float
) -> Vector:
    """Pin of a layout.

    By the law of sines it lies asin(sin(pin_to_pap) sin(val_angle)) from the VAL.

    Parameters
    ----------
    hand : float, 1 of a right-hander, -1 of a left-hander
    over, up : float, from the grip center to the hand's side, then up the VAL [in]
    pin_to_pap : float [in]
    val_angle : float, from the upward VAL toward the grip [rad]
    radius : float [in]

    Returns
    -------
    unit vector of the pin
    """
    pap = positive_axis_point(hand, over, up, radius)
    upward, gripward = val_tangents(hand, over, up, radius)
    direction = combine(math.cos(val_angle), upward, math.sin(val_angle), gripward)
    return travel(pap, direction, pin_to_pap / radius)


@compiled
def spin_axis_from_layout(hand: float, pin: Vector, pap: Vector, drilling_angle: float) -> Vector:
    """Preferred spin axis of a layout.

    Parameters
    ----------
    hand : float, 1 of a right-hander, -1 of a left-hander
    pin, pap : unit vector
    drilling_angle : float, from the PAP's direction, clockwise seen from outside for a right-hander [rad]

    Returns
    -------
    unit vector of the PSA, a quarter turn from the pin
    """
    return turn(toward(pin, pap), pin, hand * drilling_angle)


@compiled
def layout_from_marks(
    hand: float, over: float, up: float, pin: Vector, psa: Vector, radius: float
) -> tuple[float, float, float]:
    """Layout of a ball with a pin and a PSA; the inverse of `pin_from_layout` and `spin_axis_from_layout`.

    Parameters
    ----------
    hand : float, 1 of a right-hander, -1 of a left-hander
    over, up : float, from the grip center to the hand's side, then up the VAL [in]
    pin, psa : unit vector
    radius : float [in]

    Returns
    -------
    drilling_angle [rad], pin_to_pap [in], val_angle [rad] : float, angles in (-pi, pi]
    """
    pap = positive_axis_point(hand, over, up, radius)
    upward, gripward = val_tangents(hand, over, up, radius)
    to_pin = toward(pap, pin)
    val_angle = math.atan2(dot(to_pin, gripward), dot(to_pin, upward))
    to_pap = toward(pin, pap)
    drilling_angle = hand * math.atan2(-dot(psa, cross(pin, to_pap)), dot(psa, to_pap))
    return drilling_angle, radius * angle_between(pin, pap), val_angle


@compiled
def bearing(start: Vector, goal: Vector) -> float:
    """Direction from one surface point to another.

    Parameters
    ----------
    start, goal : unit vector

    Returns
    -------
    float [rad], from up (+y), clockwise as seen from outside
    """
    up = combine(1.0, (0.0, 1.0, 0.0), -start[1], start)
    direction = combine(1.0, goal, -dot(start, goal), start)
    return math.atan2(-dot(direction, cross(start, up)), dot(direction, up)) % (2.0 * math.pi)


@compiled
def turned(point: Vector, axis: Vector, angle: float) -> Vector:
    """Rotate a vector about an axis.

    Parameters
    ----------
    point : vector
    axis : unit vector
    angle : float, right-handed [rad]

    Returns
    -------
    vector

    References
    ----------
    Rodrigues' formula: v cos t + (k x v) sin t + k (k . v) (1 - cos t).
    """
    along = dot(axis, point) * (1.0 - math.cos(angle))
    return combine(1.0, combine(math.cos(angle), point, math.sin(angle), cross(axis, point)), along, axis)


@compiled
def span_triangle(
    span_middle: float,
    span_ring: float,
    bridge: float,
    full_span: float,
    thumb_rim: float,
    middle_rim: float,
    ring_rim: float,
    radius: float,
) -> tuple[Vector, Vector, Vector]:
    """Centers of the three holes of a right-hander.

    The center-to-center arcs fix a spherical triangle (law of cosines). The center line runs from the
    thumb through the middle of the bridge, and the grip center lies midway between the thumb's front edge
    and the great circle through both finger holes' front edges.

    Parameters
    ----------
    span_middle, span_ring, bridge : float, surface arcs [in]
    full_span : float, 1.0 where spans run center to center, 0.0 cut to cut
    thumb_rim, middle_rim, ring_rim : float, the holes' radii as arcs [in], the thumb's 0 where there is
        none
    radius : float [in]

    Returns
    -------
    thumb, middle, ring : unit vectors; NaN where no such triangle exists
    """
    to_middle = (span_middle if full_span > 0.5 else span_middle + thumb_rim + middle_rim) / radius
    to_ring = (span_ring if full_span > 0.5 else span_ring + thumb_rim + ring_rim) / radius
    between = (bridge + middle_rim + ring_rim) / radius
    # Law of cosines for sides: cos c = cos a cos b + sin a sin b cos C.
    cosine = (math.cos(between) - math.cos(to_middle) * math.cos(to_ring)) / (
        math.sin(to_middle) * math.sin(to_ring)
    )
    if not (-1.0 <= cosine <= 1.0):
        nan = (math.nan, math.nan, math.nan)
        return nan, nan, nan
    opening = math.acos(cosine)
    thumb = (0.0, 0.0, 1.0)
    along_middle = (0.0, 1.0, 0.0)
    along_ring = (math.sin(opening), math.cos(opening), 0.0)
    middle = travel(thumb, along_middle, to_middle)
    ring = travel(thumb, along_ring, to_ring)
    half_bridge = travel(middle, toward(middle, ring), (middle_rim + 0.5 * bridge) / radius)
    center_line = toward(thumb, half_bridge)
    middle_edge = travel(thumb, along_middle, to_middle - middle_rim / radius)
    ring_edge = travel(thumb, along_ring, to_ring - ring_rim / radius)
    edge_normal = cross(middle_edge, ring_edge)
    far_edge = math.atan2(-dot(edge_normal, thumb), dot(edge_normal, center_line))
    if far_edge < 0.0:
        far_edge += math.pi
    midway = 0.5 * (thumb_rim / radius + far_edge)
    z = travel(thumb, center_line, midway)
    y = combine(-math.sin(midway), thumb, math.cos(midway), center_line)
    x = cross(y, z)
    return (
        (dot(thumb, x), dot(thumb, y), dot(thumb, z)),
        (dot(middle, x), dot(middle, y), dot(middle, z)),
        (dot(ring, x), dot(ring, y), dot(ring, z)),
    )
