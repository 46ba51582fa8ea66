// Places and directions on the ball, for drawing and dragging only: every number shown is the service's.
// Grip frame: z to the grip center, y toward the fingers, x to the bowler's right; surface arcs are angle
// times radius.

export const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
export const cross = (a, b) => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];
export const mix = (p, a, q, b) => [p * a[0] + q * b[0], p * a[1] + q * b[1], p * a[2] + q * b[2]];
export const scaled = (p, a) => [p * a[0], p * a[1], p * a[2]];
export const length = (a) => Math.hypot(...a);

export function unit(a) {
  const size = length(a);
  return size > 1e-12 ? scaled(1 / size, a) : [0, 0, 0];
}

export const toward = (start, goal) => unit(mix(1, goal, -dot(start, goal), start));
export const angle = (a, b) => Math.atan2(length(cross(a, b)), dot(a, b));

/** The unit vector of a place {right, up}. */
export function point(place, radius) {
  const across = place.right / radius;
  const rise = place.up / radius;
  return [Math.cos(rise) * Math.sin(across), Math.sin(rise), Math.cos(rise) * Math.cos(across)];
}

/** The place {right, up} of a unit vector. */
export function placeOf(p, radius) {
  return { right: radius * Math.atan2(p[0], p[2]), up: radius * Math.asin(Math.min(1, Math.max(-1, p[1]))) };
}

/** Where a point comes to lie when the ball is turned so that `from` comes to `to` the shortest way. */
export function carried(p, from, to) {
  const axis = unit(cross(from, to));
  const turn = angle(from, to);
  const flat = mix(Math.cos(turn), p, Math.sin(turn), cross(axis, p));
  return mix(1, flat, (1 - Math.cos(turn)) * dot(axis, p), axis);
}

/** The point at the arc `far` in radians from a point, in the direction of a tangent. */
export const along = (p, direction, far) => mix(Math.cos(far), p, Math.sin(far), direction);

/** Points of the great-circle arc between two unit vectors. */
export function arc(a, b, steps = 24) {
  const whole = angle(a, b);
  const direction = toward(a, b);
  return Array.from({ length: steps + 1 }, (_, index) => {
    const turned = (whole * index) / steps;
    return along(a, direction, turned);
  });
}

/** Points of a circle of `size` about `center`, square to the unit vector `axis`. */
export function ring(center, axis, size, steps = 36) {
  const side = unit(cross(axis, Math.abs(axis[0]) < 0.6 ? [1, 0, 0] : [0, 1, 0]));
  const other = cross(axis, side);
  return Array.from({ length: steps + 1 }, (_, index) => {
    const turned = (2 * Math.PI * index) / steps;
    return mix(1, center, 1, mix(size * Math.cos(turned), side, size * Math.sin(turned), other));
  });
}

/** Mouth and bottom of a hole in units of the ball's radius: {mouth, bottom, axis, size}. */
export function hole(center, radius, diameter, depth, forward, lateral) {
  let ahead = unit(mix(1, [0, 0, 1], -center[2], center));
  if (length(ahead) === 0) ahead = [0, 1, 0];
  const aside = unit(mix(1, [1, 0, 0], -center[0], center));
  const aim = mix(forward / radius, ahead, lateral / radius, aside);
  const axis = unit(mix(1, center, -1, aim));
  return {
    mouth: center,
    bottom: mix(1, center, -depth / radius, axis),
    axis,
    size: diameter / (2 * radius),
  };
}

const degrees = (radians) => (180 * radians) / Math.PI;

/**
 * The layout that has its marks at `pin` and `psa`; its angles in degrees may be negative, which no layout
 * is.
 */
export function layoutOf(hand, pap, over, up, pin, psa, radius) {
  const [across, rise] = [over / radius, up / radius];
  const upward = [
    -Math.sin(rise) * Math.sin(across) * hand,
    Math.cos(rise),
    -Math.sin(rise) * Math.cos(across),
  ];
  const gripward = [-hand * Math.cos(across), 0, Math.sin(across)];
  const toPin = toward(pap, pin);
  const toPap = toward(pin, pap);
  return {
    pin_to_pap: radius * angle(pin, pap),
    val_angle: degrees(Math.atan2(dot(toPin, gripward), dot(toPin, upward))),
    drilling_angle: degrees(hand * Math.atan2(-dot(psa, cross(pin, toPap)), dot(psa, toPap))),
  };
}
