// Studies of a design: what each layout leaves of it, drawn, and how production spreads its numbers.

import { Asking, jobAlone } from "./asking.js";
import { action, details, element, remover, numberRow, select, svg, wideTable } from "./elements.js";
import { except, some } from "./history.js";
import { gettext, plain, quantity, shownIn } from "./words.js";

const MAPPED = ["drilled_differential", "drilled_intermediate_differential"];
const WIDTHS = { "g/mL": 0.02, in: 0.02, deg: 1, "": 0.01 }; // a first standard deviation (ours)
const DARK = 0.84; // from this share on, white letters stand out better than black ones
const STRIP = { width: 150, height: 18, margin: 8 };
const ENDS = [0.025, 0.975];
const EVENLY = 3 ** 0.5; // a half width is so many standard deviations of its even spread

/** One study: its button, its progress, whether it is old, and its answer. */
class Study {
  constructor({ kind, label, editor, send, show, missing = () => null }) {
    this.kind = kind;
    this.editor = editor;
    this.show = show;
    this.missing = missing;
    this.result = null;
    const button = action(label, () => this.ask(), { class: "primary", id: `ask-${kind}` });
    const stop = element("button", { type: "button", hidden: true }, gettext("Stop"));
    const progress = element("progress", { max: 1, hidden: true, "aria-label": gettext("Progress") });
    const told = element("span", { role: "status", id: `told-${kind}` });
    this.away = action(gettext("Ask for it no more"), () => this.put([], undefined));
    this.old = element(
      "p.old",
      { hidden: true },
      gettext("Old: the design, or what is asked, has changed since."),
    );
    this.box = element("div", { id: `found-${kind}` });
    this.node = element(
      "div",
      element("p.tools", button, " ", stop, " ", this.away, " ", told),
      progress,
      this.old,
      this.box,
    );
    this.asking = new Asking({ editor, send, button, stop, progress, told });
  }

  get job() {
    return this.editor.request[this.kind];
  }

  put(path, value) {
    this.editor.set([this.kind, ...path], value);
  }

  /** A field of the job. */
  field(spec, path) {
    return this.editor.field(spec, [this.kind, ...path]).node;
  }

  asked() {
    return jobAlone(this.editor.request, this.kind, this.job ?? {});
  }

  async ask() {
    const missing = this.missing();
    if (missing) {
      this.asking.told.textContent = missing;
      return;
    }
    if (!this.job) this.put([], {});
    const request = this.asked();
    const answer = await this.asking.ask(request);
    if (answer) {
      this.result = { request, answer };
      this.fill();
    }
    const { dataset } = document.documentElement;
    dataset.studied = String(Number(dataset.studied ?? 0) + 1);
  }

  fill() {
    this.box.replaceChildren(...this.show(this.result).filter(Boolean));
    this.draw();
  }

  draw() {
    this.away.hidden = !this.job;
    if (!this.result) return;
    this.old.hidden = JSON.stringify(this.asked()) === JSON.stringify(this.result.request);
    this.box.classList.toggle("stale", !this.old.hidden);
  }
}

/** What each layout leaves, over pin distances and drilling angles. */
class LayoutMap {
  constructor({ editor, contract, send, holder }) {
    this.editor = editor;
    this.contract = contract;
    this.number = MAPPED[0];
    /** @type {[number, number] | null} */
    this.at = null; // the layout that is looked at: column and row
    this.study = new Study({
      kind: "layout_map",
      label: gettext("Map the layouts"),
      editor,
      send,
      missing: () =>
        editor.request.drilling ? null : gettext("Tick “Drill the ball” first: the map is of its layouts."),
      show: (result) => this.found(result),
    });
    const { label: _, ...inch } = contract.parameters.height;
    const { label: __, ...turn } = contract.bodies.tilt_y;
    const arcs = {
      ...inch,
      control: "list",
      label: gettext("Pin to PAP"),
      description: gettext("With ; between them."),
      assumed: contract.assumed.pin_to_pap,
    };
    const angles = {
      ...turn,
      control: "list",
      label: gettext("Drilling angles"),
      description: gettext("With ; between them."),
      assumed: contract.assumed.drilling_angle,
    };
    holder.append(
      element(
        "div.grid",
        this.study.field(arcs, ["pin_to_pap"]),
        this.study.field(angles, ["drilling_angle"]),
      ),
      this.study.node,
    );
  }

  draw() {
    this.study.draw();
  }

  found({ answer: { layout_map: map } }) {
    const { targets } = this.contract;
    const choice = select(
      {
        id: "mapped",
        onchange: () => {
          this.number = choice.value;
          this.study.fill();
          document.getElementById("mapped").focus();
        },
      },
      Object.keys(map.points[0].numbers)
        .filter((name) => targets[name] && name.startsWith("drilled_"))
        .map((name) => [name, targets[name].label]),
      this.number,
    );
    this.told = element("p", { role: "status", id: "layout-told" });
    this.take = action(gettext("Take this layout over"), () => this.takeOver(map), {
      id: "take-layout",
      hidden: true,
    });
    const grid = this.grid(map);
    const shown = [
      element("p.tools", element("label", `${gettext("Shown")} `, choice)),
      grid,
      this.told,
      element("p.tools", this.take),
    ];
    if (this.at) this.look(map, this.at);
    return shown;
  }

  /** The map: a cell a layout, the darker the more is left of the number that is shown. */
  grid(map) {
    const { label, unit } = this.contract.targets[this.number];
    const angles = map.drilling_angle.map((angle, row) => [angle, row]).sort(([a], [b]) => b - a);
    const arcs = map.pin_to_pap.map((arc, column) => [arc, column]).sort(([a], [b]) => a - b);
    const known = map.points.map((each) => each.numbers[this.number]).filter((each) => each !== null);
    const [low, high] = [Math.min(...known), Math.max(...known)];
    const cell = (column, row) => {
      const value = pointOf(map, column, row).numbers[this.number];
      const share = value === null || high - low < 1e-9 ? 0 : (value - low) / (high - low);
      const digits = shownIn(1, unit)[1] === "in" ? 4 : 3;
      const text = quantity(value, unit, { bare: true, digits });
      const button = action(text, () => this.look(map, [column, row]), {
        class: share > DARK ? "dark" : null,
        "data-at": `${column} ${row}`,
        tabindex: -1,
        "aria-label": `${this.layoutOf(map, column, row)}: ${text}`,
      });
      button.style.setProperty("--share", `${Math.round(100 * share)}%`);
      return element("td", button);
    };
    const title = gettext("{number}: drilling angle upward, pin to PAP across", {
      number: [label, shownIn(1, unit)[1]].filter(Boolean).join(", "),
    });
    const rows = angles.map(([angle, row]) =>
      element(
        "tr",
        element("th", { scope: "row" }, `${plain(angle)}°`),
        arcs.map(([, column]) => cell(column, row)),
      ),
    );
    const foot = element(
      "tr",
      element("td"),
      arcs.map(([arc]) => element("th", { scope: "col" }, quantity(arc, "in"))),
    );
    const made = element(
      "table.layout-map",
      { onkeydown: (event) => this.walk(event, made) },
      element("caption", title),
      element("tbody", rows),
      element("tfoot", foot),
    );
    (
      made.querySelector(`[data-at="${(this.at ?? []).join(" ")}"]`) ?? made.querySelector("button")
    ).tabIndex = 0;
    return element("div.wide", made);
  }

  /** With the arrow keys from cell to cell. */
  walk(event, grid) {
    const [across, down] =
      { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key] ?? [];
    if (across === undefined) return;
    event.preventDefault();
    const cell = event.target.closest("td");
    const row = grid.tBodies[0].rows[cell.parentElement.rowIndex + down];
    row?.cells[cell.cellIndex + across]?.querySelector("button")?.focus();
    for (const each of grid.querySelectorAll("button"))
      each.tabIndex = each === document.activeElement ? 0 : -1;
  }

  layoutOf(map, column, row) {
    return gettext("pin to PAP {arc}, drilling angle {angle}°", {
      arc: quantity(map.pin_to_pap[column], "in"),
      angle: plain(map.drilling_angle[row]),
    });
  }

  look(map, at) {
    const [column, row] = at;
    if (!pointOf(map, column, row)) return;
    this.at = at;
    for (const each of this.study.box.querySelectorAll("[data-at]"))
      each.setAttribute("aria-pressed", String(each.dataset.at === `${column} ${row}`));
    const { numbers } = pointOf(map, column, row);
    const left = Object.entries(numbers)
      .filter(([name, value]) => value !== null && this.contract.targets[name])
      .map(([name, value]) => {
        const { label, unit } = this.contract.targets[name];
        return `${label} ${quantity(value, unit, { digits: 4 })}`;
      });
    this.told.textContent = `${this.layoutOf(map, column, row)}: ${left.join(" · ")}`;
    this.take.hidden = false;
  }

  takeOver(map) {
    const { request } = this.editor;
    const [column, row] = this.at;
    const { pap_to_psa: _, pin: __, psa: ___, ...layout } = request.drilling?.layout ?? {};
    const own = { pin_to_pap: map.pin_to_pap[column], drilling_angle: map.drilling_angle[row] };
    this.editor.set(["drilling", "layout"], { ...layout, ...own });
    this.told.textContent = gettext("Taken over: {layout}. Undo brings the former back.", {
      layout: this.layoutOf(map, column, row),
    });
  }
}

const pointOf = (map, column, row) => map.points[column * map.drilling_angle.length + row];

/** How tolerances spread the numbers, and what share of the balls breaks a rule. */
class Production {
  constructor({ editor, contract, send, holder }) {
    this.editor = editor;
    this.contract = contract;
    this.built = null;
    this.part = 1; // the part whose tolerance is added next
    this.rows = element("div", { id: "tolerances" });
    this.study = new Study({
      kind: "production",
      label: gettext("Draw the balls"),
      editor,
      send,
      missing: () =>
        this.study.job?.tolerances?.length
          ? null
          : gettext("Add a tolerance first: what varies from ball to ball."),
      show: (result) => this.found(result),
    });
    holder.append(this.rows, this.study.node);
  }

  get fields() {
    const { parameters, bodies } = this.contract;
    const own = Object.entries(parameters).filter(([name]) => !name.startsWith("position_"));
    const moved = Object.entries(bodies).filter(([name]) => /^(offset|tilt)_/.test(name));
    return Object.fromEntries([...own, ...moved]);
  }

  draw() {
    const { design, production } = this.editor.request;
    const structure = JSON.stringify([
      (production?.tolerances ?? []).map(({ solids, field, half_width: half }) => [
        solids,
        field,
        half !== undefined,
      ]),
      (design?.solids ?? []).map((each) => [each.name, each.shape]),
    ]);
    if (structure !== this.built) this.build(structure, production?.tolerances ?? [], design?.solids ?? []);
    this.study.draw();
  }

  build(structure, tolerances, solids) {
    this.built = structure;
    const focus = document.activeElement?.id;
    this.editor.drop("production.");
    const part = select(
      { id: "tolerance-part", "aria-label": gettext("Part that varies"), onchange: () => offer() },
      solids.map((solid, at) => [at, solid.name]),
    );
    const number = element("select", { id: "tolerance-field", "aria-label": gettext("Number that varies") });
    part.value = String(Math.min(this.part, solids.length - 1));
    const offer = () => {
      this.part = Number(part.value);
      const solid = solids[this.part];
      const own = (this.contract.shapes[solid?.shape] ?? []).map((spec) => spec.name);
      number.replaceChildren(
        ...Object.entries(this.fields)
          .filter(
            ([name]) =>
              name === "density" ||
              (this.part > 0 &&
                (own.includes(name) || (/_[xyz]$/.test(name) && !name.startsWith("length_")))),
          )
          .map(([name, { label }]) => element("option", { value: name }, label)),
      );
    };
    offer();
    const add = action(
      gettext("Add a tolerance"),
      () => {
        const field = number.value;
        const one = {
          solids: [solids[this.part].name],
          field,
          standard_deviation: WIDTHS[this.fields[field].unit] ?? WIDTHS[""],
        };
        this.study.put(["tolerances"], [...(this.study.job?.tolerances ?? []), one]);
      },
      { id: "tolerance-add" },
    );
    const how = [
      ["samples", gettext("Balls to draw")],
      ["confidence", gettext("Confidence of the intervals")],
      ["seed", gettext("Seed")],
    ].map(([name, text]) => {
      const spec = { control: "text", label: text, description: text };
      return this.study.field({ ...spec, assumed: this.contract.assumed[name] }, [name]);
    });
    this.rows.replaceChildren(
      ...tolerances.map((each, at) => this.tolerance(each, at, tolerances)),
      element("p.tools", part, number, add),
      details(gettext("How it is drawn"), element("div.grid", how)),
    );
    if (focus) document.getElementById(focus)?.focus({ preventScroll: true });
  }

  tolerance(each, at, all) {
    const { label: name = each.field, ...unit } = this.fields[each.field] ?? {};
    const label = `${(each.solids ?? []).join(", ")}: ${name}`;
    const isEven = each.half_width !== undefined;
    const member = isEven ? "half_width" : "standard_deviation";
    const choice = select(
      {
        id: `production.tolerances.${at}.kind`,
        "aria-label": gettext("How {number} varies", { number: label }),
        onchange: () => {
          const { standard_deviation: deviation, half_width: half, ...rest } = each;
          const other = (value, factor) =>
            typeof value === "number" ? Number((value * factor).toPrecision(4)) : value;
          const next = isEven
            ? { standard_deviation: other(half, 1 / EVENLY) }
            : { half_width: other(deviation, EVENLY) };
          this.study.put(["tolerances", at], { ...rest, ...next });
        },
      },
      [
        ["normal", gettext("normally, standard deviation")],
        ["even", gettext("evenly, by ±")],
      ],
      isEven ? "even" : "normal",
    );
    const spec = {
      control: "text",
      label: gettext("Width"),
      description: gettext("{number}: {what}", { number: label, what: gettext("Width") }),
      ...unit,
    };
    return numberRow(
      label,
      choice,
      this.study.field(spec, ["tolerances", at, member]),
      remover(gettext("{number} varies no more", { number: label }), () => {
        this.study.put(["tolerances"], some(except(all, at)));
      }),
    );
  }

  found({ answer: { production } }) {
    const { targets } = this.contract;
    const label = (name) => targets[name]?.label ?? name.replaceAll("_", " ");
    const broken = new Map(production.nonconforming.map((each) => [each.number, each]));
    const spreads = production.spreads.map((each) => {
      const [low, high] = ENDS.map(
        (end) => each.quantiles.find(({ probability }) => probability === end)?.value ?? null,
      );
      const most = [...each.shares].sort((one, other) => other.share - one.share)[0];
      const bare = (value, digits = 4) => quantity(value, each.unit, { bare: true, digits });
      return [
        [label(each.number), shownIn(1, each.unit)[1]].filter(Boolean).join(", "),
        bare(each.nominal),
        bare(each.standard_deviation, 5),
        bare(low),
        bare(high),
        strip(each, low, high, broken.get(each.number)?.limit),
        most ? `${most.tolerance} ${percent(most.share)}` : "–",
      ];
    });
    const heads = [
      gettext("quantity"),
      gettext("nominal"),
      gettext("standard deviation"),
      gettext("2.5 % lie below"),
      gettext("2.5 % lie above"),
      gettext("spread and limits"),
      gettext("most of it from"),
    ];
    const title = gettext("How the numbers spread");
    const rules = production.nonconforming.map((each) => [
      each.number === "any" ? gettext("any limit") : label(each.number),
      percent(each.fraction),
      `${percent(each.interval.min)} – ${percent(each.interval.max)}`,
    ]);
    const outside = gettext("Balls outside the limits");
    const { tighten_first: first } = production;
    return [
      wideTable(title, heads, spreads),
      rules.length
        ? wideTable(outside, [gettext("number"), gettext("of the balls"), gettext("interval")], rules)
        : null,
      first
        ? element(
            "p",
            gettext(
              "Tighten first: {tolerance}. It gives {share} of the spread of {number}; " +
                "with half of it, {halved} of the balls break a limit instead of {now}.",
              {
                tolerance: first.tolerance,
                share: percent(first.share),
                number: label(first.number),
                halved: percent(first.fraction_halved),
                now: percent(first.fraction_now),
              },
            ),
          )
        : null,
      element(
        "p.quiet",
        gettext("{samples} balls drawn, seed {seed}.", {
          samples: production.samples,
          seed: production.seed,
        }),
      ),
    ];
  }
}

const percent = (share) => `${plain(100 * share, share < 0.1 ? 3 : 1)} %`;

/** Where the middle 95 of 100 balls lie, about the nominal value, and the limits beside them. */
function strip({ nominal, unit }, low, high, limit) {
  if (low === null || high === null) return "–";
  const bounds = [limit?.min ?? null, limit?.max ?? null].filter((each) => each !== null);
  const room = Math.max(high - low, 1e-9);
  const near = bounds.filter((each) => Math.abs(each - nominal) < 3 * room);
  const [least, most] = [Math.min(low, nominal, ...near), Math.max(high, nominal, ...near)];
  const span = most - least || 1;
  const x = (value) => STRIP.margin + ((value - least) / span) * (STRIP.width - 2 * STRIP.margin);
  const half = STRIP.height / 2;
  return svg(
    "svg.strip",
    {
      viewBox: `0 0 ${STRIP.width} ${STRIP.height}`,
      role: "img",
      "aria-label": gettext("{low} to {high}", { low: quantity(low, unit), high: quantity(high, unit) }),
    },
    svg("line.grid-line", { x1: 0, x2: STRIP.width, y1: half, y2: half }),
    svg("rect.strip-bar", { x: x(low), y: half - 4, width: Math.max(x(high) - x(low), 1), height: 8 }),
    svg("line.strip-nominal", { x1: x(nominal), x2: x(nominal), y1: half - 6, y2: half + 6 }),
    near.map((each) => svg("line.strip-limit", { x1: x(each), x2: x(each), y1: 0, y2: STRIP.height })),
  );
}

export class Studies {
  /** `send(request, options)` asks the service. */
  constructor(given) {
    const at = (id) => document.getElementById(id);
    this.all = [
      new LayoutMap({ ...given, holder: at("layout-map") }),
      new Production({ ...given, holder: at("production") }),
    ];
    document.addEventListener("units", () => {
      for (const { study } of this.all) if (study.result) study.fill();
    });
  }

  draw() {
    for (const each of this.all) each.draw();
  }
}
