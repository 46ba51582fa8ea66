// A design: its section, what each solid adds, and a second design beside it.

import { path } from "./chart.js";
import { figure, run } from "./editor.js";
import { card, element, list, svg, table } from "./elements.js";
import { findings, showVerdict } from "./results.js";
import { inches, outline } from "./section.js";
import { gettext, quantity } from "./words.js";

const SIZE = 200;
const ROOM = 232;
const LEAST = 5e-5; // what the four decimals shown can tell from nothing

const WORDS = {
  weight: gettext("weight"), rg: gettext("RG, low axis"), rg_intermediate: gettext("RG, intermediate axis"), rg_high: gettext("RG, high axis"),
  differential: gettext("differential"), intermediate_differential: gettext("intermediate differential"), asymmetry_ratio: gettext("asymmetry ratio"),
  top_weight: gettext("top weight"), pin_to_cg: gettext("pin to CG"), pin_to_low_rg_axis: gettext("pin to low axis"), mark_to_high_rg_axis: gettext("mark to high axis"),
  cover_depth_shallowest: gettext("least depth of cover"), max_density: gettext("greatest density"), mean_density: gettext("mean density"), mass: gettext("mass"),
  sphere: gettext("sphere"), ellipsoid: gettext("ellipsoid"), cylinder: gettext("cylinder"), cone: gettext("cone"), frustum: gettext("frustum"),
  profile: gettext("profile"), rounded_box: gettext("rounded box"), mesh: gettext("mesh"),
};
const word = (name) => WORDS[name] ?? name.replaceAll("_", " ");
const wide = (label, ...parts) => element("div", { class: "wide", tabindex: "0", role: "region", "aria-label": label }, ...parts);

function show(answer, request) {
  showVerdict(document.getElementById("verdict"), answer);
  const second = request.compare?.design;
  const pictures = [request.design, second].filter(Boolean).map((design, index) => section(design, index ? null : answer.properties.centre_of_mass));
  return [
    card(gettext("Section through pin and mass-bias mark"), element("div", { class: second ? "pair" : "" }, pictures), solids(request.design)),
    numbers(answer),
    contributions(answer),
    answer.comparison ? comparison(answer.comparison) : null,
    findings(answer),
    card(gettext("Cautions"), list(answer.cautions.map((each) => each.message), "en")),
    card(gettext("Assumptions"), list(answer.assumptions, "en")),
  ];
}

function section(design, center) {
  const diameter = inches(design.diameter);
  const scale = 2 * SIZE / diameter;
  const flat = ([x, z]) => [x * scale, -z * scale];
  const drawn = design.solids.map((solid) => {
    const points = outline(solid, diameter);
    return points && svg("path", { class: `solid solid-${solid.role ?? "other"}`, d: `${path(points.map(flat))}Z` }, svg("title", { text: solid.name }));
  });
  const labels = design.solids.map((solid, index) => {
    const points = drawn[index] && outline(solid, diameter);
    if (!points) return null;
    const lowest = points.reduce((found, each) => (each[1] < found[1] ? each : found));
    const [x, y] = flat([(solid.position ?? [0]).map((each) => inches(each))[0], lowest[1]]);
    return svg("text", { x: x + 6, y: y - 6, text: String(index + 1) });
  });
  const [x, y] = center ? flat([center.x, center.z]) : [0, 0];
  const picture = svg("svg", { class: "chart section-picture", viewBox: `-${ROOM} -${ROOM} ${2 * ROOM} ${2 * ROOM}`, role: "img", "aria-label": gettext("Section of {name}", { name: design.name ?? "" }) },
    drawn, svg("path", { class: "axis-mark", d: `M0 -${SIZE + 14}V${SIZE + 6}M-${SIZE + 6} 0H${SIZE + 14}` }), labels,
    svg("text", { x: 6, y: -SIZE - 16, text: gettext("pin") }), svg("text", { x: SIZE - 24, y: -8, text: gettext("mark") }),
    center ? svg("path", { class: "mass-center", d: `M${x - 6} ${y}H${x + 6}M${x} ${y - 6}V${y + 6}` }) : null);
  const missed = design.solids.filter((_, index) => !drawn[index]).map((solid) => solid.name);
  return figure(picture, [design.name, missed.length ? gettext("not drawn: {names}", { names: missed.join(", ") }) : ""].filter(Boolean).join(" · "));
}

function solids(design) {
  return element("ol", {}, design.solids.map((solid) => element("li", { text: `${solid.name}: ${word(solid.shape)}, ${typeof solid.density === "number" ? quantity(solid.density, "g/mL") : solid.density?.value ?? solid.density}` })));
}

const SHOWN = ["weight", "rg", "rg_intermediate", "rg_high", "differential", "intermediate_differential", "asymmetry_ratio", "top_weight", "pin_to_cg", "pin_to_low_rg_axis", "mark_to_high_rg_axis", "cover_depth_shallowest", "max_density", "mean_density"];

function numbers({ properties, units }) {
  const rows = SHOWN.filter((name) => typeof properties[name] === "number").map((name) => [word(name), quantity(properties[name], units[name])]);
  return card(gettext("Numbers of the design"), table(gettext("As made"), [gettext("quantity"), gettext("value")], rows));
}

function contributions({ properties: { contributions: found }, units }) {
  if (!found?.length) return null;
  const names = ["mass", "weight", "rg", "differential", "intermediate_differential", "top_weight"];
  const rows = found.map((each) => [each.name, ...names.map((name) => quantity(each[name], units[name], { signed: name !== "mass" }))]);
  const label = gettext("What each solid adds");
  return card(label, element("p", { class: "quiet", text: gettext("Mass is what is seen of the solid; the rest is the change when it is there instead of what lies beneath it.") }),
    wide(label, table(label, [gettext("solid"), ...names.map(word)], rows)));
}

function comparison({ designs }) {
  if (!designs?.length) return null;
  const rows = designs.map((each) => [word(each.number), quantity(each.first, each.unit), quantity(each.second, each.unit), quantity(each.difference, each.unit, { signed: true }),
    each.causes.filter((cause) => Math.abs(cause.difference) >= LEAST).map((cause) => `${cause.part} ${quantity(cause.difference, each.unit, { signed: true })}`).join(", ") || "–"]);
  const label = gettext("Beside the second design");
  return card(label, wide(label, table(label, [gettext("quantity"), gettext("first"), gettext("second"), gettext("difference"), gettext("by solid")], rows)));
}

run({ path: "/v1/designs", method: "design(request).outcome", show });
