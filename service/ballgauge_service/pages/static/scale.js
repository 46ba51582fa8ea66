// A limit drawn as a scale: where values conform, where the limits are, where this value lies.

import { element } from "./elements.js";
import { digitsOf, quantity } from "./words.js";

/** Make the scale of a finding; null where there is nothing to draw. Its numbers stand in the row as text. */
export function scale(finding) {
  const { min, max } = finding.limit ?? {};
  const { value } = finding;
  if ((min ?? max ?? null) === null) return null;
  const [low, high] = domain(min, max, value, finding.uncertainty);
  const at = (number) => 100 * Math.min(1, Math.max(0, (number - low) / (high - low)));
  const from = min === null ? 0 : at(min);
  const to = max === null ? 100 : at(max);
  const drawn = element(
    "div.scale",
    { "aria-hidden": "true" },
    positioned("zone", { left: from, width: to - from }),
  );
  for (const limit of [min, max]) {
    if (limit === null) continue;
    drawn.append(positioned("limit", { left: at(limit) }));
    drawn.append(
      label(at(limit), quantity(limit, finding.unit, { bare: true, digits: digitsOf(finding.unit) })),
    );
  }
  if (value !== null) {
    if (finding.uncertainty) {
      const left = at(value - 2 * finding.uncertainty);
      drawn.append(positioned("spread", { left, width: at(value + 2 * finding.uncertainty) - left }));
    }
    drawn.append(positioned(`mark mark-${finding.outcome}`, { left: at(value) }));
  }
  return drawn;
}

function domain(min, max, value, uncertainty) {
  const known = [min, max, value].filter((each) => each !== null && each !== undefined);
  const spread = 2 * (uncertainty ?? 0);
  const least = Math.min(...known) - spread;
  const most = Math.max(...known) + spread;
  const room = 0.18 * (most - least) || 0.1 * Math.abs(most) || 1;
  return [least - room, most + room];
}

function positioned(name, place) {
  const made = element("span", { class: name });
  for (const [side, percent] of Object.entries(place)) made.style.setProperty(side, `${percent.toFixed(2)}%`);
  return made;
}

function label(percent, text) {
  const made = element(
    "span",
    { class: percent > 80 ? "number number-left" : percent < 12 ? "number number-right" : "number" },
    text,
  );
  made.style.setProperty("left", `${percent.toFixed(2)}%`);
  return made;
}
