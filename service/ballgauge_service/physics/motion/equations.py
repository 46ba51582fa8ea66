"""Equations of motion of a ball with any inertia and any center of mass on a flat lane.

Newton's and Euler's equations about the mass center G, with the geometric center C held at the height of the
radius and one contact point P below it (ours, from the laws; for a uniform ball they reduce to those of
Hopkins & Patterson, Am. J. Phys. 45, 263 (1977)). The pressing force follows from the constraint, so it
varies with an eccentric mass center. No torque acts about the vertical at the contact, and nothing bounces.
"""

from __future__ import annotations

import math

from ballgauge_service.core.arrays import Array
from ballgauge_service.core.compiled import compiled
from ballgauge_service.core.units import M_PER_INCH
from ballgauge_service.physics.motion.film import film_at, friction
from ballgauge_service.physics.sphere import Vector, combine, cross, dot

GRAVITY = 9.80665 / M_PER_INCH
"""Standard gravity [in/s²] (CGPM 1901)."""

FLIGHT, SLIP, ROLL = 0.0, 1.0, 2.0
"""Phases: off the lane, sliding on it, rolling without sliding (floats, so that one compiled form serves
all)."""

X, Y, VX, VY = 0, 1, 2, 3
SPIN, TURN = 4, 7
SLID, RESISTED, SPUN = 11, 12, 13
STATE = 14
"""State of the ball: place and velocity of C in the lane frame, angular velocity in the body frame (3), unit
quaternion from body to lane (4, scalar first), energy lost to sliding and to rolling resistance, angle
turned."""

RADIUS, MOMENT, OFFSET, INVERSE = 0, 1, 4, 7
OILED, DRY, SCALE, RESISTANCE, LOFT, SIDE = 10, 11, 12, 13, 14, 15
CARRIED, SPLIT, HELD, FOOTPRINT, ABSORPTION = 16, 17, 18, 19, 20
SETUP = 21
"""Constants of a delivery: radius, principal moments (3), place of G from C in the body frame (3), the
moments' inverses (3), friction constants (see `film.friction`), rolling resistance, loft [in], bowler's side
(+1 right, -1 left); oil that the cover brings to the contact now [µL/ft²], and the constants of what it
carries (see `cover`)."""

FULL_RESISTANCE = 1.0
"""Spin about a level axis [rad/s] from which rolling resistance is whole; below, it fades smoothly (ours)."""


@compiled
def triple(values: Array, first: int) -> Vector:
    """Three neighboring entries of an array.

    Parameters
    ----------
    values : array
    first : int

    Returns
    -------
    vector
    """
    return (values[first], values[first + 1], values[first + 2])


@compiled
def lane_axes(state: Array) -> tuple[Vector, Vector, Vector]:
    """Unit vectors of the lane's x, y, z in the body frame; the quaternion need not be normalized.

    Parameters
    ----------
    state : (STATE,) array, whose quaternion need not be normalized

    Returns
    -------
    x, y, z : unit vectors of the lane in the body frame
    """
    a, b, c, d = state[TURN], state[TURN + 1], state[TURN + 2], state[TURN + 3]
    size = 2.0 / (a * a + b * b + c * c + d * d)
    x = (1.0 - (c * c + d * d) * size, (b * c - a * d) * size, (b * d + a * c) * size)
    y = ((b * c + a * d) * size, 1.0 - (b * b + d * d) * size, (c * d - a * b) * size)
    return x, y, cross(x, y)


@compiled
def slip_velocity(state: Array, setup: Array) -> tuple[float, float]:
    """Velocity of the contact point over the lane.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    x, y : float, v + w x (−R z) in the lane frame [in/s]
    """
    x, y, _ = lane_axes(state)
    w = triple(state, SPIN)
    return state[VX] - setup[RADIUS] * dot(w, y), state[VY] + setup[RADIUS] * dot(w, x)


@compiled
def slip_growth(state: Array, rate: Array, setup: Array) -> tuple[float, float]:
    """Rate of change of the slip velocity.

    Parameters
    ----------
    state, rate : (STATE,) arrays, rate its derivative
    setup : (SETUP,) array

    Returns
    -------
    x, y : float [in/s²]
    """
    x, y, _ = lane_axes(state)
    turning = triple(rate, SPIN)
    return rate[VX] - setup[RADIUS] * dot(turning, y), rate[VY] + setup[RADIUS] * dot(turning, x)


@compiled
def gyroscopic(state: Array, setup: Array) -> Vector:
    """Gyroscopic torque, over the mass.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    vector, w x I w in the body frame [in²/s²]
    """
    w1, w2, w3 = triple(state, SPIN)
    i1, i2, i3 = triple(setup, MOMENT)
    return ((i3 - i2) * w2 * w3, (i1 - i3) * w3 * w1, (i2 - i1) * w1 * w2)


@compiled
def divided(a: Vector, setup: Array) -> Vector:
    """Divide by the inertia.

    Parameters
    ----------
    a : vector, body frame
    setup : (SETUP,) array

    Returns
    -------
    vector, I⁻¹ a
    """
    return (a[0] * setup[INVERSE], a[1] * setup[INVERSE + 1], a[2] * setup[INVERSE + 2])


@compiled
def centripetal(state: Array, setup: Array) -> Vector:
    """Acceleration of G about C that needs no angular acceleration.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    vector, w x (w x d), body frame [in/s²]
    """
    w = triple(state, SPIN)
    d = triple(setup, OFFSET)
    return combine(dot(w, d), w, -dot(w, w), d)


@compiled
def about_contact(setup: Array, r: Vector, a: Vector) -> Vector:
    """Divide by the inertia about the contact point P.

    Parameters
    ----------
    setup : (SETUP,) array
    r : vector, from P to G
    a : vector

    Returns
    -------
    vector s of (I + r² − r rᵀ) s = a

    References
    ----------
    Sherman-Morrison formula.
    """
    square = dot(r, r)
    i1, i2, i3 = triple(setup, MOMENT)
    d = (1.0 / (i1 + square), 1.0 / (i2 + square), 1.0 / (i3 + square))
    da = (d[0] * a[0], d[1] * a[1], d[2] * a[2])
    dr = (d[0] * r[0], d[1] * r[1], d[2] * r[2])
    return combine(1.0, da, dot(r, da) / (1.0 - dot(r, dr)), dr)


@compiled
def contact_friction(state: Array, setup: Array, film: Array) -> float:
    """Friction where the ball stands.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array
    film : (ROWS, COLUMNS) array

    Returns
    -------
    float, coefficient on the lane's film and what the cover brings
    """
    between = film_at(film, state[X], state[Y]) + setup[CARRIED]
    return friction(between, setup[OILED], setup[DRY], setup[SCALE])


@compiled
def resistance(state: Array, setup: Array, n: Vector) -> tuple[Vector, float]:
    """Rolling resistance: the coefficient times the radius, against the level part of the spin.

    It acts whether the ball slides or rolls.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array
    n : unit vector, up in the body frame

    Returns
    -------
    torque : vector, body frame, a unit of pressing force [in]
    power : float, what it takes a unit of pressing force [in/s]
    """
    w = triple(state, SPIN)
    level = combine(1.0, w, -dot(w, n), n)
    size = math.sqrt(dot(level, level))
    share = min(size / FULL_RESISTANCE, 1.0)
    full = setup[RESISTANCE] * setup[RADIUS] * share * (1.5 - 0.5 * share * share)
    if full == 0.0:
        return (0.0, 0.0, 0.0), 0.0
    return combine(-full / size, level, 0.0, n), full * size


@compiled
def sliding(
    state: Array, setup: Array, film: Array, direction: Array
) -> tuple[Vector, float, float, float, float, float]:
    """Motion of a sliding ball: Coulomb friction µ N against the slip velocity.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array
    film : (ROWS, COLUMNS) array
    direction : array, stands in for the slip velocity where there is none yet

    Returns
    -------
    alpha : vector, angular acceleration, body frame [rad/s²]
    x, y : float, acceleration of C, lane frame [in/s²]
    pressing : float, force over the mass [in/s²]
    rubbed, braked : float, powers of friction and of rolling resistance over the mass [in²/s³]
    """
    x, y, n = lane_axes(state)
    w = triple(state, SPIN)
    ux = state[VX] - setup[RADIUS] * dot(w, y)
    uy = state[VY] + setup[RADIUS] * dot(w, x)
    speed = math.sqrt(ux * ux + uy * uy)
    if speed > 1e-12:
        ux *= 1.0 / speed
        uy *= 1.0 / speed
    else:
        ux = direction[0]
        uy = direction[1]
    mu = contact_friction(state, setup, film)
    g = gyroscopic(state, setup)
    brake, braking = resistance(state, setup, n)
    if setup[OFFSET] == 0.0 and setup[OFFSET + 1] == 0.0 and setup[OFFSET + 2] == 0.0:
        grip = mu * GRAVITY
        lever = setup[RADIUS] * grip
        torque = combine(1.0, combine(lever * -uy, x, lever * ux, y), GRAVITY, brake)
        alpha = divided(combine(1.0, torque, -1.0, g), setup)
        return alpha, -grip * ux, -grip * uy, GRAVITY, grip * speed, GRAVITY * braking
    d = triple(setup, OFFSET)
    pull = combine(1.0, n, -mu, combine(ux, x, uy, y))
    arm = cross(combine(-setup[RADIUS], n, -1.0, d), pull)
    free = divided((-g[0], -g[1], -g[2]), setup)
    pressed = divided(combine(1.0, arm, 1.0, brake), setup)
    c = centripetal(state, setup)
    normal = (GRAVITY + dot(n, cross(free, d)) + dot(n, c)) / (1.0 - dot(n, cross(pressed, d)))
    normal = max(normal, 0.0)
    alpha = combine(1.0, free, normal, pressed)
    about = combine(1.0, cross(alpha, d), 1.0, c)
    ax = -mu * normal * ux - dot(about, x)
    ay = -mu * normal * uy - dot(about, y)
    return alpha, ax, ay, normal, mu * normal * speed, normal * braking


@compiled
def rolling(state: Array, setup: Array) -> tuple[Vector, float, float, float, float]:
    """Motion of a rolling ball.

    The constraint v = w x R z holds exactly: Euler's equations are taken about the contact point.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    alpha : vector, angular acceleration, body frame [rad/s²]
    x, y : float, friction needed over the mass, lane frame [in/s²]
    pressing : float, force over the mass [in/s²]
    braked : float, power of rolling resistance over the mass [in²/s³]
    """
    x, y, n = lane_axes(state)
    r = combine(setup[RADIUS], n, 1.0, triple(setup, OFFSET))
    c = centripetal(state, setup)
    g = gyroscopic(state, setup)
    alpha = about_contact(setup, r, combine(-1.0, g, -1.0, cross(r, combine(1.0, c, GRAVITY, n))))
    normal = GRAVITY + dot(n, cross(alpha, r)) + dot(n, c)
    power = 0.0
    if setup[RESISTANCE] > 0.0:
        brake, braking = resistance(state, setup, n)
        braked = about_contact(setup, r, brake)
        normal = normal / (1.0 - dot(n, cross(braked, r)))
        alpha = combine(1.0, alpha, normal, braked)
        power = normal * braking
    force = combine(1.0, cross(alpha, r), 1.0, c)
    return alpha, dot(force, x), dot(force, y), normal, power


@compiled
def derivative(phase: float, state: Array, setup: Array, film: Array, direction: Array, rate: Array) -> None:
    """Write the time derivative of a state.

    Parameters
    ----------
    phase : float
    state : (STATE,) array
    setup : (SETUP,) array
    film : (ROWS, COLUMNS) array
    direction : array, see `sliding`
    rate : (STATE,) array, written
    """
    w1, w2, w3 = triple(state, SPIN)
    rate[SLID] = 0.0
    rate[RESISTED] = 0.0
    rate[X] = state[VX]
    rate[Y] = state[VY]
    if phase == SLIP:
        alpha, ax, ay, _, power, resisted = sliding(state, setup, film, direction)
        rate[VX] = ax
        rate[VY] = ay
        rate[SLID] = power
        rate[RESISTED] = resisted
    elif phase == ROLL:
        alpha, _, _, _, power = rolling(state, setup)
        x, y, _ = lane_axes(state)
        rate[X] = setup[RADIUS] * dot((w1, w2, w3), y)
        rate[Y] = -setup[RADIUS] * dot((w1, w2, w3), x)
        rate[VX] = setup[RADIUS] * dot(alpha, y)
        rate[VY] = -setup[RADIUS] * dot(alpha, x)
        rate[RESISTED] = power
    else:
        g = gyroscopic(state, setup)
        alpha = divided((-g[0], -g[1], -g[2]), setup)
        rate[VX] = 0.0
        rate[VY] = 0.0
    rate[SPIN], rate[SPIN + 1], rate[SPIN + 2] = alpha
    a, b, c, d = state[TURN], state[TURN + 1], state[TURN + 2], state[TURN + 3]
    rate[TURN] = -0.5 * (b * w1 + c * w2 + d * w3)
    rate[TURN + 1] = 0.5 * (a * w1 + c * w3 - d * w2)
    rate[TURN + 2] = 0.5 * (a * w2 + d * w1 - b * w3)
    rate[TURN + 3] = 0.5 * (a * w3 + b * w2 - c * w1)
    rate[SPUN] = math.sqrt(w1 * w1 + w2 * w2 + w3 * w3)


@compiled
def friction_excess(state: Array, setup: Array, film: Array) -> tuple[float, float, float]:
    """How far the friction that rolling needs exceeds what the lane gives.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array
    film : (ROWS, COLUMNS) array

    Returns
    -------
    excess : float, (needed − µ N) / g
    x, y : float, the direction of the friction needed, lane frame
    """
    _, fx, fy, normal, _ = rolling(state, setup)
    needed = math.sqrt(fx * fx + fy * fy)
    excess = (needed - contact_friction(state, setup, film) * normal) / GRAVITY
    if needed > 0.0:
        return excess, fx / needed, fy / needed
    return excess, 0.0, 0.0


@compiled
def velocity_of_mass(state: Array, setup: Array) -> Vector:
    """Velocity of G, with C moving level.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    vector, body frame [in/s]
    """
    x, y, _ = lane_axes(state)
    carried = cross(triple(state, SPIN), triple(setup, OFFSET))
    return combine(1.0, combine(state[VX], x, state[VY], y), 1.0, carried)


@compiled
def momentum_about_contact(state: Array, setup: Array) -> Vector:
    """Angular momentum about the contact point, over the mass.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    vector, I w + r x v in the body frame [in²/s]
    """
    _, _, n = lane_axes(state)
    r = combine(setup[RADIUS], n, 1.0, triple(setup, OFFSET))
    w1, w2, w3 = triple(state, SPIN)
    i1, i2, i3 = triple(setup, MOMENT)
    return combine(1.0, (i1 * w1, i2 * w2, i3 * w3), 1.0, cross(r, velocity_of_mass(state, setup)))


@compiled
def rolling_heading(state: Array, setup: Array) -> float:
    """Mean direction of rolling.

    A rolling ball of unequal moments swings about the direction in which a uniform one with the same
    angular momentum about the contact rolls; friction leaves that momentum as it is.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    float, from straight down the lane toward +x [rad]
    """
    x, y, _ = lane_axes(state)
    momentum = momentum_about_contact(state, setup)
    return math.atan2(dot(momentum, y), -dot(momentum, x))


@compiled
def set_slip(state: Array, setup: Array, ux: float, uy: float) -> float:
    """Give the contact point a slip velocity by an impulse at the contact.

    The angular momentum about the contact point stays as it is. With (0, 0) it closes the last trace of
    sliding when rolling begins.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array
    ux, uy : float, the slip wanted [in/s]

    Returns
    -------
    float, the energy taken out: minus the impulse times the mean of the slip before and after
    """
    x, y, n = lane_axes(state)
    before = velocity_of_mass(state, setup)
    bx, by = slip_velocity(state, setup)
    r = combine(setup[RADIUS], n, 1.0, triple(setup, OFFSET))
    momentum = momentum_about_contact(state, setup)
    w = about_contact(setup, r, combine(1.0, momentum, -1.0, cross(r, combine(ux, x, uy, y))))
    state[SPIN], state[SPIN + 1], state[SPIN + 2] = w
    state[VX] = setup[RADIUS] * dot(w, y) + ux
    state[VY] = -setup[RADIUS] * dot(w, x) + uy
    impulse = combine(1.0, velocity_of_mass(state, setup), -1.0, before)
    return -0.5 * (dot(impulse, x) * (bx + ux) + dot(impulse, y) * (by + uy))


@compiled
def energies(state: Array, setup: Array) -> Vector:
    """Energies of a state, over the mass.

    Parameters
    ----------
    state : (STATE,) array
    setup : (SETUP,) array

    Returns
    -------
    motion, spin, height : float, of G, of the spin, of the height of G over C [in²/s²]
    """
    v = velocity_of_mass(state, setup)
    w1, w2, w3 = triple(state, SPIN)
    i1, i2, i3 = triple(setup, MOMENT)
    _, _, n = lane_axes(state)
    spin = 0.5 * (i1 * w1 * w1 + i2 * w2 * w2 + i3 * w3 * w3)
    return 0.5 * dot(v, v), spin, GRAVITY * dot(n, triple(setup, OFFSET))
