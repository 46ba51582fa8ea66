// What of a solid can be taken hold of in a section: its middle, and the edges that its sizes put there.

import { inches, middleOf } from "./section.js";

const LEAST = 0.02;
const NEAR_AXIS = 0.06; // a middle that comes this near to the axis lies on it

const half = (value) => inches(value) / 2;
const wide = (length) => Math.max(LEAST, 2 * Math.abs(length));

/** The solid moved so that its middle lies at (u, z) of the section. */
export function moved(solid, across, [u, z], onGrid, snaps = true) {
  const place = [...(solid.position ?? [0, 0, 0])];
  place[across] = onGrid(snaps && Math.abs(u) < NEAR_AXIS ? 0 : u);
  place[2] = onGrid(z);
  return { ...solid, position: place };
}

/**
 * The handles of a solid that is not turned: where each is, what it sets, and the solid when it is at (u, z).
 */
export function handlesOf(solid, across) {
  if (solid.rotation) return [];
  const place = middleOf(solid);
  const middle = [place[across], place[2]];
  const [u, z] = middle;
  const side = (field, length, height = z) => ({
    field,
    at: [u + length, height],
    size: 2 * length,
    set: ([x], onGrid) => ({ ...solid, [field]: onGrid(wide(x - u)) }),
  });
  const top = (field) => ({
    field,
    at: [u, z + half(solid[field])],
    size: inches(solid[field]),
    set: ([, height], onGrid) => ({ ...solid, [field]: onGrid(wide(height - z)) }),
  });
  const low = z - half(solid.height);
  const own = {
    sphere: () => [side("diameter", half(solid.diameter))],
    ellipsoid: () => box(),
    rounded_box: () => box(),
    cylinder: () => [side("diameter", half(solid.diameter)), top("height")],
    cone: () => [side("diameter", half(solid.diameter), low), top("height")],
    frustum: () => [
      side("bottom_diameter", half(solid.bottom_diameter), low),
      side("top_diameter", half(solid.top_diameter), z + half(solid.height)),
      top("height"),
    ],
    profile: () => solid.points.map((_, index) => point(index)),
  };
  const box = () => {
    const width = across ? "length_y" : "length_x";
    return [side(width, half(solid[width])), top("length_z")];
  };
  const point = (index) => {
    const [height, radius] = solid.points[index].map((each) => inches(each));
    const [radial, axial] = [solid.radial_scale ?? 1, solid.axial_scale ?? 1];
    return {
      field: `points.${index}`,
      at: [u + radius * radial, z + height * axial],
      size: radius,
      set: ([x, to], onGrid) => ({
        ...solid,
        points: solid.points.map((each, at) =>
          at === index ? [onGrid((to - z) / axial), onGrid(Math.max(0, (x - u) / radial))] : each,
        ),
      }),
    };
  };
  const found = own[solid.shape]?.() ?? [];
  return found.filter((each) => each.at.every(Number.isFinite));
}
