// Mesh files of a design: kept in this browser, sent beside the request, and read for the pictures.

import { Refused } from "./calls.js";
import { action, element, select } from "./elements.js";
import { files } from "./files.js";
import { axesOf, inDesign, middleOf } from "./section.js";
import { gettext, plain } from "./words.js";

const MIB = 2 ** 20;
const SMALL = 0.01; // the scale at which a mesh is asked for, so that it fits into any ball
const MM = 25.4;
const ROOM = 512 * MIB; // most that this browser keeps of mesh files (ours)
const DAY = 86400000; // how long a file stays that no kept design names: it may still be brought back by undo

const held = new Map(); // every file that this page has seen, by name
const unkept = new Set(); // those that this browser does not keep

/** Forget the files that no kept design names any more; gives how much the others have together. */
async function forget() {
  const [names, kept] = await Promise.all([
    files("meshes", "readonly", (all) => all.getAllKeys()),
    files("meshes", "readonly", (all) => all.getAll()),
  ]);
  const texts = Object.values(localStorage).join("\n");
  let size = 0;
  for (const [at, file] of kept.entries()) {
    // Within a text of a text, as what is kept is, its quotes are escaped.
    const named = JSON.stringify(JSON.stringify(names[at])).slice(1, -1);
    const stays = held.has(names[at]) || texts.includes(named) || Date.now() - file.at < DAY;
    if (stays) size += file.data.size;
    else await files("meshes", "readwrite", (all) => all.delete(names[at]));
  }
  return size;
}

/** The file of a name, null where this browser has none. */
async function fileOf(name) {
  if (!held.has(name)) {
    const found = await files("meshes", "readonly", (all) => all.get(name)).catch(() => null);
    if (found) held.set(name, found.data);
  }
  return held.get(name) ?? null;
}

/** Keep a file; gives its name, which is another where a different file has it. */
async function keep(file) {
  const data = new Blob([await file.arrayBuffer()]);
  const [, stem, ending] = /^(.*?)(\.[^.]*)?$/s.exec(file.name.trim().slice(-180));
  let name = `${stem}${ending ?? ""}`;
  for (let number = 2; (await fileOf(name)) && !(await same(await fileOf(name), data)); number += 1)
    name = `${stem} ${number}${ending ?? ""}`;
  held.set(name, data);
  unkept.delete(name);
  try {
    if ((await forget()) + data.size > ROOM) unkept.add(name);
    else await files("meshes", "readwrite", (all) => all.put({ data, at: Date.now() }, name));
  } catch {
    unkept.add(name); // a browser that keeps nothing
  }
  return name;
}

async function same(one, other) {
  if (one.size !== other.size) return false;
  const [a, b] = (await Promise.all([one.arrayBuffer(), other.arrayBuffer()])).map(
    (each) => new Uint8Array(each),
  );
  return a.every((byte, at) => byte === b[at]);
}

const sized = (size) =>
  size < MIB / 10 ? `${plain(size / 1024, 1)} KiB` : gettext("{size} MiB", { size: plain(size / MIB, 1) });

const endingOf = (mesh) =>
  mesh.format ?? mesh.file?.split(".").at(-1).toLowerCase().replace("stp", "step") ?? "stl";

/** A request as a form with the files that it names. Throws Refused where one is not there. */
export async function formOf(request) {
  const errors = [];
  const found = new Map();
  await each(request, async (mesh, pointer) => {
    const file = mesh.file === undefined ? null : await fileOf(mesh.file);
    if (file) found.set(mesh.file, file);
    else if (mesh.file !== undefined)
      errors.push({
        pointer: `${pointer}/file`,
        detail: gettext("{file} is not kept in this browser: choose it again", { file: mesh.file }),
      });
    return mesh;
  });
  if (errors.length) throw new Refused({ status: 422, detail: gettext("A mesh file is not there."), errors });
  const form = new FormData();
  form.append("options", JSON.stringify(request));
  for (const [name, file] of found) form.append("file", file, name);
  return form;
}

/** `fetch` that tells how much of the body is sent, from 0 to 1. */
export const sending =
  (told) =>
  (path, { method, headers, body, signal }) =>
    new Promise((resolve, reject) => {
      const asked = new XMLHttpRequest();
      asked.open(method, path);
      for (const [name, value] of Object.entries(headers)) asked.setRequestHeader(name, value);
      asked.responseType = "blob";
      asked.upload.onprogress = ({ loaded, total }) => told(loaded / total);
      asked.onloadend = () => told(null);
      asked.onload = () => {
        const known = asked
          .getAllResponseHeaders()
          .trim()
          .split(/[\r\n]+/);
        const pairs = known.map((each) => /^([^:]*): *(.*)$/s.exec(each).slice(1));
        resolve(new Response(asked.response, { status: asked.status, headers: Object.fromEntries(pairs) }));
      };
      asked.onerror = () => reject(new TypeError(path));
      signal.addEventListener("abort", () => {
        asked.abort();
        reject(signal.reason);
      });
      asked.send(body);
    });

/** The request with its files within it, for a file of its own. */
export async function packed(request) {
  return each(request, async (mesh) => {
    const file = mesh.file === undefined ? null : await fileOf(mesh.file);
    if (!file) return mesh;
    const url = await new Promise((resolve) => {
      const reader = new FileReader();
      reader.onload = () => resolve(String(reader.result));
      reader.readAsDataURL(file);
    });
    const { file: _, ...rest } = mesh;
    return { ...rest, format: endingOf(mesh), data: url.slice(url.indexOf(",") + 1) };
  });
}

/** The request with what it holds of meshes put among the files of this browser. */
export async function unpacked(request) {
  return each(request, async (mesh) => {
    if (typeof mesh.data !== "string") return mesh;
    try {
      const bytes = Uint8Array.from(atob(mesh.data), (letter) => letter.charCodeAt(0));
      const { data: _, ...rest } = mesh;
      return { ...rest, file: await keep(new File([bytes], `${mesh.name}.${endingOf(mesh)}`)) };
    } catch {
      return mesh; // no base64: the service says so
    }
  });
}

/** The request with every mesh changed by `change(mesh, pointer)`. */
async function each(request, change) {
  const design = async (one, start) => {
    if (!Array.isArray(one?.meshes)) return one;
    const changed = one.meshes.map((mesh, at) => change(mesh, `${start}/meshes/${at}`));
    return { ...one, meshes: await Promise.all(changed) };
  };
  const next = { ...request, design: await design(request.design, "/design") };
  if (request.compare?.design)
    next.compare = { ...request.compare, design: await design(request.compare.design, "/compare/design") };
  return next;
}

/** The triangles of one mesh, in its own frame [in], and its sections. */
class Shape {
  constructor(triangles) {
    this.triangles = triangles;
    const [points, corners] = welded(triangles);
    this.points = points;
    this.corners = corners;
    this.key = "";
    this.loops = [null, null];
  }

  /** Triangles of a solid of this shape in the design's frame. */
  placed(solid) {
    return inDesign(this.triangles, solid);
  }

  /** Its outlines in a section, as `outline` gives them. */
  section(solid, across) {
    const key = JSON.stringify([solid.position, solid.rotation, solid.scale]);
    if (key !== this.key) this.loops = [0, 1].map((each) => this.sliced(solid, each));
    this.key = key;
    return this.loops[across];
  }

  /** Closed lines in which the triangles meet the plane of a section; null where they do not. */
  sliced(solid, across) {
    const { points, corners } = this;
    const axes = axesOf(solid.rotation);
    const middle = middleOf(solid);
    const scale = Number(solid.scale ?? 1);
    const [off, along] = across ? [0, 1] : [1, 0];
    const count = points.length / 3;
    /** Of every point, its place along an axis of the design. */
    const placed = (row) => {
      const [x, y, z] = axes.map((axis) => scale * axis[row]);
      const found = new Float64Array(count);
      for (let at = 0; at < count; at++)
        found[at] = middle[row] + x * points[3 * at] + y * points[3 * at + 1] + z * points[3 * at + 2];
      return found;
    };
    const [height, right, up] = [off, along, 2].map(placed);
    const ends = new Map(); // by the edge that is cut: where, and which ends are next to it
    const cut = (a, b) => {
      const key = Math.min(a, b) * count + Math.max(a, b);
      if (!ends.has(key)) {
        const share = height[a] / (height[a] - height[b]);
        const at = [right, up].map((place) => place[a] + share * (place[b] - place[a]));
        ends.set(key, { at, next: [] });
      }
      return ends.get(key);
    };
    for (let start = 0; start < corners.length; start += 3) {
      const [a, b, c] = [corners[start], corners[start + 1], corners[start + 2]];
      const [one, other, third] = [height[a] >= 0, height[b] >= 0, height[c] >= 0];
      if (one === other && other === third) continue;
      const [alone, left, back] = one === other ? [c, a, b] : one === third ? [b, c, a] : [a, b, c];
      const [first, second] = [cut(alone, left), cut(alone, back)];
      first.next.push(second);
      second.next.push(first);
    }
    return closed([...ends.values()]);
  }
}

/** The points of triangles, each once, and for each corner which of them it is. */
function welded(triangles) {
  const known = new Map();
  const points = [];
  const corners = new Uint32Array(triangles.length / 3);
  for (let corner = 0; corner < corners.length; corner++) {
    const place = triangles.subarray(3 * corner, 3 * corner + 3);
    const key = place.join(" ");
    if (!known.has(key)) {
      known.set(key, known.size);
      points.push(...place);
    }
    corners[corner] = known.get(key);
  }
  return [Float64Array.from(points), corners];
}

/** Lines that are closed, of ends that know those next to them; null where there are none. */
function closed(ends) {
  const loops = [];
  const seen = new Set();
  for (const first of ends) {
    const loop = [];
    for (let now = first; now && !seen.has(now); now = now.next.find((other) => !seen.has(other))) {
      seen.add(now);
      loop.push(now.at);
    }
    if (loop.length > 2) loops.push(loop);
  }
  return loops.length ? loops : null;
}

/** The triangles [in] of the last solid of an STL as text in mm. */
function read(text) {
  const own = text.slice(text.lastIndexOf("\nsolid "));
  const numbers = [...own.matchAll(/vertex (\S+) (\S+) (\S+)/g)].flatMap((found) => found.slice(1, 4));
  return Float32Array.from(numbers, (each) => Number(each) / MM / SMALL);
}

export class MeshFiles {
  /** `send(request, options)` asks the service, `changed()` hears of shapes that can be drawn by now. */
  constructor({ editor, contract, send, changed, choose }) {
    this.editor = editor;
    this.limits = contract.mesh;
    this.send = send;
    this.changed = changed;
    this.choose = choose;
    this.shapes = new Map();
  }

  /** The shape of a mesh solid, null until it is there. */
  shapeOf(design, solid) {
    const mesh = design.meshes?.find((one) => one.name === solid.mesh);
    if (!mesh?.unit) return null;
    const key = JSON.stringify([mesh.file ?? mesh.data, mesh.unit, mesh.format]);
    if (!this.shapes.has(key)) {
      this.shapes.set(key, null);
      this.load(mesh, key);
    }
    return this.shapes.get(key);
  }

  async load(mesh, key) {
    const ball = { name: "ball", role: "cover", shape: "sphere", density: 1 };
    const solid = { name: "mesh", shape: "mesh", mesh: mesh.name, density: 1, scale: SMALL };
    const design = { diameter: 8.6, meshes: [mesh], solids: [ball, solid] };
    try {
      const response = await this.send({ design, detail: "numbers" }, { accept: "model/stl" });
      this.shapes.set(key, new Shape(read(await response.text())));
      this.changed();
    } catch {
      if (!(mesh.file && (await fileOf(mesh.file)))) this.shapes.delete(key); // it may be chosen later
    }
  }

  /** Put a file in a design as a part of its own, or in the place of one that is missing. */
  async add(file, unit, at = null) {
    if (file.size > this.limits.bytes)
      return gettext("{file} has {size}; at most {most} are taken.", {
        file: file.name,
        size: sized(file.size),
        most: sized(this.limits.bytes),
      });
    const name = await keep(file);
    const { request } = this.editor;
    const meshes = request.design.meshes ?? [];
    if (at !== null) {
      const next = meshes.map((mesh, place) => (place === at ? { ...mesh, file: name } : mesh));
      this.editor.set(["design", "meshes"], next);
      this.editor.state.settle();
      return this.told(name);
    }
    const names = new Set([...meshes, ...request.design.solids].map((one) => one.name));
    const stem = name.replace(/\.[^.]*$/, "").slice(0, 50) || name;
    let own = stem;
    for (let number = 2; names.has(own); number += 1) own = `${stem} ${number}`;
    const solid = { name: own, shape: "mesh", mesh: own, density: 2 };
    const solids = [...request.design.solids, solid];
    const next = [...meshes, { name: own, unit, file: name }];
    this.editor.put({ ...request, design: { ...request.design, meshes: next, solids } });
    this.choose(solids.length - 1);
    return this.told(name);
  }

  /** What becomes of a file, in words. */
  told(name) {
    const values = { file: name, size: sized(held.get(name).size) };
    return unkept.has(name)
      ? gettext(
          "{file} ({size}) goes with each question. This browser keeps it only until the page is left.",
          values,
        )
      : gettext("{file} ({size}) is kept in this browser, and goes with each question.", values);
  }

  /** What is told of the file of a mesh beside its part, with a way to choose one that is missing. */
  note(at) {
    const { file } = this.editor.request.design.meshes[at];
    const box = element("div.wide-field.mesh-note");
    if (file === undefined) return box;
    fileOf(file).then((found) => {
      const again = element("input", { type: "file", id: `mesh-again-${at}`, accept: this.accepted });
      again.addEventListener("change", async () => {
        if (again.files[0]) box.replaceChildren(await this.add(again.files[0], null, at));
      });
      box.replaceChildren(
        ...(found
          ? [element("p.quiet", this.told(file))]
          : [
              element(
                "label",
                { for: again.id },
                gettext("{file} is not kept in this browser: choose it again", { file }),
              ),
              again,
            ]),
      );
    });
    return box;
  }

  get accepted() {
    return [...this.limits.formats.map((each) => `.${each}`), ".stp"].join(",");
  }

  /** The fields that add a file. */
  panel(holder) {
    const file = element("input", { type: "file", id: "mesh-file", accept: this.accepted });
    const units = [["", "–"], ...this.limits.units.map((each) => [each, each])];
    const unit = select({ id: "mesh-unit" }, units);
    const told = element("p.quiet", { id: "mesh-told", role: "status" });
    const add = async () => {
      const missing = !file.files[0] ? file : !unit.value ? unit : null;
      if (missing) {
        told.textContent = file.files[0]
          ? gettext("Say what one unit of the file is.")
          : gettext("Choose a file first.");
        missing.focus();
        return;
      }
      told.textContent = await this.add(file.files[0], unit.value);
      file.value = "";
    };
    holder.append(
      element(
        "div.grid",
        element("div.field", element("label", { for: file.id }, gettext("Mesh file")), file),
        element("div.field", element("label", { for: unit.id }, gettext("One unit of it is")), unit),
      ),
      element(
        "p.quiet",
        gettext("A closed surface as {formats}, up to {most}; at most {count} files to a design.", {
          formats: this.limits.formats.map((each) => each.toUpperCase()).join(", "),
          most: sized(this.limits.bytes),
          count: this.limits.count,
        }),
      ),
      action(gettext("Add it as a part"), add, { id: "add-mesh" }),
      told,
    );
  }
}
