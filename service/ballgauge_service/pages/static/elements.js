// Elements made from values. Text is only ever set as text, so no name can become markup.

const SVG = "http://www.w3.org/2000/svg";

/**
 * Make an element: attributes by name, `class`, `text`, handlers as `onclick`; false and null are left out.
 */
export function element(tag, attributes = {}, ...children) {
  return filled(document.createElement(tag), attributes, children);
}

export function svg(tag, attributes = {}, ...children) {
  return filled(document.createElementNS(SVG, tag), attributes, children);
}

function filled(made, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "text") made.textContent = value;
    else if (name.startsWith("on")) made.addEventListener(name.slice(2), value);
    else made.setAttribute(name, value === true ? "" : value);
  }
  made.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return made;
}

/** Make a table with a heading row; the first cell of each row heads it; a cell is a text or an element. */
export function table(caption, heads, rows, kind = "numbers") {
  const head = element(
    "tr",
    {},
    heads.map((text) => element("th", { scope: "col", text })),
  );
  const body = rows.map(([first, ...others]) =>
    element(
      "tr",
      {},
      element("th", { scope: "row", text: first }),
      others.map((cell) => (cell instanceof Node ? element("td", {}, cell) : element("td", { text: cell }))),
    ),
  );
  return element(
    "table",
    { class: kind },
    element("caption", { text: caption }),
    element("thead", {}, head),
    element("tbody", {}, body),
  );
}

export function card(title, ...children) {
  return element("section", { class: "card" }, element("h2", { text: title }), ...children);
}

export function list(texts, language) {
  return element(
    "ul",
    { lang: language },
    texts.map((text) => element("li", { text })),
  );
}
