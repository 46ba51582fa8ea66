// Elements made from values. Text is only ever set as text, so no name can become markup.

import { gettext } from "./words.js";

const SVG = "http://www.w3.org/2000/svg";

export const at = (id) => document.getElementById(id);

/**
 * Make an element: its tag, with classes behind dots, then attributes by name and handlers as `onclick`, if
 * any, then what it holds. False and null are left out.
 */
export const element = (tag, ...given) => filled((name) => document.createElement(name), tag, given);

export const svg = (tag, ...given) => filled((name) => document.createElementNS(SVG, name), tag, given);

function filled(make, tag, given) {
  const [name, ...classes] = tag.split(".");
  const made = make(name);
  if (classes.length) made.setAttribute("class", classes.join(" "));
  const [attributes, ...children] = given[0]?.constructor === Object ? given : [{}, ...given];
  for (const [attribute, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (attribute.startsWith("on")) made.addEventListener(attribute.slice(2), value);
    else made.setAttribute(attribute, value === true ? "" : value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return made;
}

/** A button that does something. */
export const action = (text, onclick, more = {}) =>
  element("button", { type: "button", ...more, onclick }, text);

/** A small button that takes away what its label names. */
export const remover = (label, onclick) => action("✕", onclick, { class: "small", "aria-label": label });

/** A choice among values, each with its words. */
export const select = (attributes, pairs, now) =>
  element(
    "select",
    attributes,
    pairs.map(([value, text]) => element("option", { value, selected: value === now }, text)),
  );

/** What may be wider than the page, and then scrolls by itself. */
export const wide = (label, ...parts) =>
  element("div.wide", { tabindex: "0", role: "region", "aria-label": label }, ...parts);

export const wideTable = (caption, heads, rows) => wide(caption, table(caption, heads, rows));

/** What is asked together, under a title. */
export const fieldset = (title, ...parts) =>
  element("fieldset.wanted-of", element("legend", title), ...parts);

/** A row of what is asked of a number, which is said with each of its parts. */
export const numberRow = (label, ...parts) =>
  element("div.target", { role: "group", "aria-label": label }, element("span.target-name", label), ...parts);

/** Ticks that belong together. */
export const tickRow = (label, ...parts) =>
  element("div.ticks", { role: "group", "aria-label": label }, ...parts);

/** What is folded away behind its title. */
export const details = (title, ...parts) => element("details.more", element("summary", title), ...parts);

/** Make a table with a heading row; the first cell of each row heads it; a cell is a text or an element. */
export function table(caption, heads, rows, kind = "numbers") {
  const head = element(
    "tr",
    heads.map((text) => element("th", { scope: "col" }, text)),
  );
  const body = rows.map(([first, ...others]) =>
    element(
      "tr",
      element("th", { scope: "row" }, first),
      others.map((cell) => element("td", cell)),
    ),
  );
  return element(
    "table",
    { class: kind },
    element("caption", caption),
    element("thead", head),
    element("tbody", body),
  );
}

export function card(title, ...children) {
  return element("section.card", element("h2", title), ...children);
}

export function list(texts, language) {
  return element(
    "ul",
    { lang: language },
    texts.map((text) => element("li", text)),
  );
}

/** Cards of what an answer is to be taken with: its cautions and assumptions. */
export const notes = ({ cautions, assumptions }) => [
  cautions.length ? card(gettext("Cautions"), list(cautions.map((each) => each.message))) : null,
  assumptions.length ? card(gettext("Assumptions"), list(assumptions)) : null,
];
