// What a design should reach and what may move: one ball, or a set of balls that share parts; solved on the
// page.

import { Asking, jobAlone } from "./asking.js";
import { around, chart, path as line } from "./chart.js";
import {
  action,
  details,
  element,
  fieldset,
  list,
  remover,
  numberRow,
  select,
  svg,
  table,
  tickRow,
  wide,
  wideTable,
} from "./elements.js";
import { except, some } from "./history.js";
import { amount } from "./quantities.js";
import { gettext, outcomeWord, plain, quantity, shownIn } from "./words.js";

const FINE = [
  "differential",
  "intermediate_differential",
  "drilled_differential",
  "drilled_intermediate_differential",
];
const FINE_TOLERANCE = 0.0005;
const SHARES = { density: 0.35, length: 0.25 };
const SHIFT = 0.5;
const BODY = {
  in: { lower: -SHIFT, upper: SHIFT },
  deg: { lower: -15, upper: 15 },
  "": { lower: 0.8, upper: 1.2 },
}; // first bounds of a body's shift, turn and scale (ours)
const KINDS = {
  value: ["value", "tolerance"],
  at_least: ["at_least"],
  at_most: ["at_most"],
  between: ["at_least", "at_most"],
  hold: ["tolerance"],
}; // how a number is asked for, and what is typed for it
const HALF = { "g/mL": 0.5, in: 0.25, deg: 10, "": 0.1 }; // a first way from the present value (ours)

/** The design with the solids that a solution found, part by part; null where a part is gone. */
export function taken(request, solution) {
  const balls = solution.variants ?? [solution];
  const own = balls.map((ball, at) =>
    ball.design.solids.filter(
      ({ name }) =>
        ![...(request.set?.variants?.[at]?.replace ?? []), ...(request.set?.variants?.[at]?.add ?? [])].some(
          (each) => each.name === name,
        ),
    ),
  );
  const foundSolids = new Map(own.flat().map((solid) => [solid.name, solid]));
  if (!request.design.solids.every((solid) => foundSolids.has(solid.name))) return null;
  return { ...request.design, solids: request.design.solids.map((solid) => foundSolids.get(solid.name)) };
}

export class Search {
  /** `numbers()` gives the numbers of the design as last answered; `drawn()` hears of new solutions. */
  constructor({ editor, contract, send, numbers, take, lay }) {
    this.editor = editor;
    this.send = send;
    this.contract = contract;
    this.numbers = numbers;
    this.take = take;
    this.lay = lay;
    this.result = null;
    this.built = "";
    this.chosen = null; // the job that is looked at, where the request has several
    this.holder = document.getElementById("search");
    this.told = document.getElementById("search-told");
    this.box = document.getElementById("solutions");
    this.asking = new Asking({
      editor,
      send,
      button: document.getElementById("solve"),
      stop: document.getElementById("stop"),
      progress: document.getElementById("search-progress"),
      told: this.told,
    });
    document.addEventListener("units", () => {
      this.built = "";
      this.draw();
      if (this.result) this.show();
    });
  }

  /** The job that the fields show: "solve", "set" or "family". */
  get kind() {
    const { request } = this.editor;
    if (this.chosen && request[this.chosen]) return this.chosen;
    return ["set", "solve", "family"].find((each) => request[each]) ?? "solve";
  }

  get job() {
    return this.editor.request[this.kind] ?? {};
  }

  put(path, value, key = null) {
    this.editor.set(path, value, { key });
  }

  /**
   * One ball becomes a set of two, with the same targets and ticks; a set becomes its first ball; a family
   * takes both on, and stays when one looks at another job.
   */
  turn(kind) {
    const { solve, set, ...rest } = this.editor.request;
    this.chosen = kind;
    if (this.editor.request[kind]) {
      this.draw();
      return;
    }
    const job = solve ?? set ?? rest.family ?? {};
    const parameters = job.parameters?.map(({ variants: _, ...each }) => each);
    const shared = { ...(parameters && { parameters }), ...(job.seed !== undefined && { seed: job.seed }) };
    const targets = solve?.targets ?? set?.variants?.[0]?.targets ?? rest.family?.hold;
    if (kind === "family") {
      const { weight: _, ...hold } = targets ?? {};
      const family = { parameters: [], ...(Object.keys(hold).length && { hold }), ...shared };
      this.put(["family"], family);
      return;
    }
    const balls = [1, 2].map((number) => ({
      name: gettext("ball {number}", { number }),
      ...(targets && { targets }),
    }));
    this.editor.put(
      kind === "set"
        ? { ...rest, set: { variants: balls, ...shared } }
        : { ...rest, solve: { ...(targets && { targets }), ...shared } },
    );
  }

  draw() {
    const { request } = this.editor;
    const { kind, job } = this;
    const shape = (targets) => Object.entries(targets ?? {}).map(([name, each]) => [name, kindOf(each)]);
    const structure = JSON.stringify([
      kind,
      shape(job.targets),
      (job.variants ?? []).map((each) => [shape(each.targets), each.leave_out]),
      (job.across ?? []).map((each) => each.number),
      (job.parameters ?? []).map(({ lower: _, upper: __, within, ...each }) => [each, within === undefined]),
      (request.design?.solids ?? []).map((each) => [each.name, each.shape, each.points?.length]),
      [job.over, job.take, job.clear_of, Boolean(request.drilling), this.isDrilled(job)],
      [(job.variants ?? []).map((each) => [each.add, each.replace]), Boolean(request.compare?.design)],
      [shape(job.hold), (job.changes ?? []).map(({ up_to: _, ...each }) => each), job.trade_off],
      (job.across ?? []).map((each) => each.variants),
    ]);
    if (structure !== this.built) this.build(kind, job, structure);
    this.mark();
  }

  build(kind, job, structure) {
    this.built = structure;
    const focus = document.activeElement?.id;
    for (const start of ["solve.", "set.", "family."]) this.editor.drop(start);
    document.getElementById("search-kind").value = kind;
    const balls = {
      set: () => (job.variants ?? []).map((ball, at) => this.ball(ball, at)),
      solve: () => [this.targets(job.targets, ["solve", "targets"])],
      family: () => this.family(job),
    }[kind]();
    const more = action(
      gettext("Add a ball"),
      () =>
        this.put(
          ["set", "variants"],
          [...job.variants, { name: gettext("ball {number}", { number: job.variants.length + 1 }) }],
        ),
      { id: "add-ball" },
    );
    this.holder.replaceChildren(
      ...[
        ...balls,
        kind === "set" ? more : null,
        kind === "set" ? this.across(job) : null,
        this.isDrilled(job) ? this.drillings(kind, job) : null,
        this.moving(kind, job),
        kind === "solve" ? this.front(job) : null,
        this.how(kind),
      ].filter(Boolean),
    );
    if (focus) document.getElementById(focus)?.focus({ preventScroll: true });
  }

  /** Whether anything is wanted of the drilled ball. */
  isDrilled(job) {
    const wanted = [
      ...[job.targets, job.hold, ...(job.variants ?? []).map((each) => each.targets)].flatMap((each) =>
        Object.keys(each ?? {}),
      ),
      ...(job.across ?? []).map((each) => each.number),
    ];
    return wanted.some((name) => name === "clearance" || name.startsWith("drilled_"));
  }

  /** Over which drillings targets of the drilled ball are held, and what the holes keep clear of. */
  drillings(kind, job) {
    const { drilling, design } = this.editor.request;
    const over = job.over ?? [];
    const clear = job.clear_of ?? [];
    const setOver = (next) => this.put([kind, "over"], some(next));
    const other = drilling && { ...drilling, hand: drilling.hand === "left" ? "right" : "left" };
    const told = ({ hand, layout = /** @type {any} */ ({}) }) =>
      [
        hand === "left" ? gettext("left hand") : gettext("right hand"),
        ...this.contract.fields.flatMap(({ name, label, unit }) => {
          const value = layout[name.split(".").at(-1)];
          if (!name.startsWith("drilling.layout.") || value === undefined) return [];
          return [`${label} ${typeof value === "number" ? quantity(value, unit) : value}`];
        }),
      ].join(", ");
    const add = (id, text, one) => action(text, () => setOver([...over, one]), { id, disabled: !drilling });
    const take = select(
      { id: "take", onchange: () => this.put([kind, "take"], take.value) },
      [
        ["worst", gettext("for each of them")],
        ["mean", gettext("for their mean")],
      ],
      job.take ?? "worst",
    );
    return fieldset(
      gettext("The drilled ball"),
      element(
        "p.quiet",
        over.length
          ? gettext("Held over these drillings:")
          : gettext("Held for the drilling above. More can be added: change it there, then add it here."),
      ),
      element(
        "ol",
        over.map((each, at) =>
          element(
            "li",
            `${told(each)} `,
            remover(gettext("Remove drilling {number}", { number: at + 1 }), () => setOver(except(over, at))),
          ),
        ),
      ),
      element(
        "p.tools",
        add("over-add", gettext("Hold over the drilling above"), drilling),
        add("over-other", gettext("and for the other hand"), other),
        over.length > 1 ? element("label", `${gettext("Held")} `, take) : null,
      ),
      tickRow(
        gettext("What the holes keep clear of"),
        element("span.quiet", gettext("Clear of:")),
        design.solids.slice(1).map((solid, index) =>
          this.tick(`clear-${index}`, solid.name, clear.includes(solid.name), (on) => {
            const next = on ? [...clear, solid.name] : clear.filter((each) => each !== solid.name);
            this.put([kind, "clear_of"], some(next));
          }),
        ),
      ),
    );
  }

  /** How much is searched, and what is kept. */
  how(kind) {
    const fields = [
      ["starts", gettext("Places to search from")],
      ["keep", gettext("Most solutions")],
      ["seed", gettext("Seed")],
    ]
      .filter(([name]) => kind !== "family" || name === "seed")
      .map(([name, text]) => this.field(text, {}, [kind, name]).node);
    return details(gettext("How it is searched"), element("div.grid", fields));
  }

  /** The weights of a family, what is held in them, and other parts in its lighter balls. */
  family(job) {
    const { weight } = this.contract.targets;
    const path = ["family", "weights"];
    const about = gettext("With ; between them.");
    const spec = { ...weight, assumed: this.contract.assumed.weights };
    const weights = this.field(gettext("Weights"), spec, path, about, "list");
    const changes = job.changes ?? [];
    const put = (next) => this.put(["family", "changes"], some(next));
    const rows = changes.map((change, at) => {
      const start = ["family", "changes", at];
      return fieldset(
        gettext("Lighter balls, {number}", { number: at + 1 }),
        this.field(gettext("In balls up to"), weight, [...start, "up_to"]).node,
        this.leftOut(change, start, `change-${at}`),
        this.ownParts(change, start),
        action(gettext("Remove this change"), () => put(except(changes, at))),
      );
    });
    return [
      element("div.grid", weights.node),
      element(
        "p.quiet",
        gettext(
          "What is held; without any, RG and differential as the design has them. What may move meets it.",
        ),
      ),
      this.targets(job.hold, ["family", "hold"], "family"),
      ...rows,
      action(gettext("Other parts in lighter balls"), () => put([...changes, { up_to: 12 }]), {
        id: "change-add",
      }),
    ];
  }

  /** Which two targets are weighed against each other. */
  front(job) {
    const names = Object.keys(job.targets ?? {}).filter((name) => this.contract.targets[name]);
    const now = job.trade_off;
    if (names.length < 2 && !now) return null;
    const path = ["solve", "trade_off"];
    const words = names.map((name) => [name, this.contract.targets[name].label]);
    const choose = (member, text) => this.field(text, { words }, [...path, member], text, "choice").node;
    return fieldset(
      gettext("Two targets in conflict"),
      this.tick("front", gettext("Follow what the one costs the other"), Boolean(now), (on) =>
        this.put(path, on ? { first: names[0], second: names[1] } : undefined),
      ),
      now
        ? element(
            "div.grid",
            choose("first", gettext("From this target")),
            choose("second", gettext("to this one")),
            this.field(gettext("Points"), { assumed: this.contract.assumed.points }, [...path, "points"])
              .node,
          )
        : null,
    );
  }

  /** The parts that a ball has instead of those above, or beside them. */
  ownParts(ball, path) {
    const { compare, design } = this.editor.request;
    const put = (change) => {
      const { leave_out: _, replace: __, add: ___, ...rest } = ball;
      this.put(path, { ...rest, ...change });
    };
    const own = [...(ball.replace ?? []), ...(ball.add ?? [])].map((each) => each.name);
    const take = () => {
      const theirs = compare.design.solids;
      const named = (all, name) => all.find((each) => each.name === name);
      put({
        leave_out: design.solids.filter((each) => !named(theirs, each.name)).map((each) => each.name),
        replace: theirs.filter((each) => {
          const mine = named(design.solids, each.name);
          return mine && JSON.stringify(mine) !== JSON.stringify(each);
        }),
        add: theirs.filter((each) => !named(design.solids, each.name)),
      });
    };
    if (!own.length && !compare?.design) return null;
    return element(
      "p.tools",
      own.length ? element("span", gettext("Its own parts: {names}", { names: own.join(", ") })) : null,
      own.length
        ? action(gettext("Take them away"), () =>
            put({ ...(ball.leave_out && { leave_out: ball.leave_out }) }),
          )
        : null,
      compare?.design ? action(gettext("Its parts are those of the second design"), take) : null,
    );
  }

  field(label, unit, path, description = label, control = "text") {
    return this.editor.field({ ...unit, control, label, description }, path);
  }

  ball(ball, at) {
    const path = ["set", "variants", at];
    const label = gettext("Name of the ball");
    const name = this.field(label, {}, [...path, "name"], label, "line");
    return fieldset(
      ball.name ?? "",
      name.node,
      this.leftOut(ball, path, `out-${at}`),
      this.ownParts(ball, path),
      this.targets(ball.targets, [...path, "targets"]),
      action(
        gettext("Remove this ball"),
        () => this.put(["set", "variants"], except(this.editor.request.set.variants, at)),
        { disabled: this.editor.request.set.variants.length <= 2 },
      ),
    );
  }

  /** Ticks of the parts that a ball is without. */
  leftOut({ leave_out: out = [] }, path, start) {
    const put = (next) => this.put([...path, "leave_out"], some(next));
    const ticks = this.editor.request.design.solids
      .slice(1)
      .map((solid, index) =>
        this.tick(`${start}-${index}`, solid.name, out.includes(solid.name), (on) =>
          put(on ? [...out, solid.name] : out.filter((each) => each !== solid.name)),
        ),
      );
    return tickRow(gettext("Left out"), element("span.quiet", gettext("Left out:")), ticks);
  }

  tick(id, words, on, set) {
    const input = element("input", { type: "checkbox", id, checked: on, onchange: () => set(input.checked) });
    return element("label.tick", { for: id }, input, words);
  }

  targets(targets, path, kind = "") {
    const start = path.slice(0, -1).join("-");
    const rows = Object.entries(targets ?? {}).map(([name, target]) =>
      this.target(name, target, [...path, name]),
    );
    const rest = Object.entries(this.contract.targets).filter(
      ([name]) => !targets?.[name] && !(kind === "family" && name === "weight"),
    );
    const choice = select(
      { id: `${start}-number`, "aria-label": gettext("Number to reach") },
      rest.map(([name, { label }]) => [name, label]),
    );
    const add = action(
      kind === "family" ? gettext("Hold this number") : gettext("Add a target"),
      () => this.put([...path, choice.value], this.first(choice.value)),
      { id: `${start}-add` },
    );
    return element("div.targets", rows, element("p.tools", choice, add));
  }

  /** A first target: what the design has now, or else the contract's example. */
  first(name) {
    const now = this.numbers()?.[name];
    const { example, tolerance } = this.contract.targets[name];
    return {
      value: typeof now === "number" ? Number(now.toFixed(4)) : example,
      tolerance: FINE.includes(name) ? FINE_TOLERANCE : tolerance,
    };
  }

  target(name, target, path) {
    const { label, ...unit } = this.contract.targets[name];
    const kind = kindOf(target);
    const words = {
      value: gettext("is"),
      at_least: gettext("at least"),
      at_most: gettext("at most"),
      between: gettext("between"),
      hold: gettext("as it is now"),
      tolerance: gettext("within"),
    };
    const id = path.join(".");
    const turn = (to) => {
      const first = this.first(name);
      const known = target.value ?? target.at_least ?? target.at_most ?? first.value;
      const tolerance = target.tolerance ?? first.tolerance;
      const near = amount(known, unit.unit) || first.value;
      const own = {
        value: { value: known, tolerance },
        at_least: { at_least: known },
        at_most: { at_most: known },
        between: { at_least: round(near - first.tolerance), at_most: round(near + first.tolerance) },
        hold: { tolerance },
      }[to];
      this.put(path, { ...own, ...(target.weight !== undefined && { weight: target.weight }) });
    };
    const choice = select(
      {
        id: `${id}.kind`,
        "aria-label": gettext("How {number} is asked for", { number: label }),
        onchange: () => turn(choice.value),
      },
      Object.keys(KINDS).map((each) => [each, words[each]]),
      kind,
    );
    const own = (member, text, of = unit) =>
      this.field(text, of, [...path, member], gettext("{number}: {what}", { number: label, what: text }))
        .node;
    return numberRow(
      label,
      choice,
      KINDS[kind].map((member) => own(member, words[member])),
      own("weight", gettext("counts"), {}),
      remover(gettext("Remove the target {number}", { number: label }), () => this.put(path, undefined)),
    );
  }

  across(job) {
    const all = job.across ?? [];
    const rows = all.map((each, at) => {
      const { label, ...unit } = this.contract.targets[each.number] ?? { label: each.number };
      return numberRow(
        label,
        this.field(gettext("the same within"), unit, ["set", "across", at, "within"]).node,
        this.field(gettext("counts"), {}, ["set", "across", at, "weight"]).node,
        this.sameIn(job, each, at, label),
        remover(gettext("Remove what the balls share: {number}", { number: label }), () =>
          this.put(["set", "across"], except(all, at)),
        ),
      );
    });
    const choice = select(
      { id: "across-number", "aria-label": gettext("Number that the balls share") },
      Object.entries(this.contract.targets).map(([name, { label }]) => [name, label]),
    );
    return fieldset(
      gettext("The same in all balls"),
      rows,
      element(
        "p.tools",
        choice,
        action(
          gettext("Add a shared number"),
          () =>
            this.put(
              ["set", "across"],
              [...all, { number: choice.value, within: this.first(choice.value).tolerance }],
            ),
          { id: "across-add" },
        ),
      ),
    );
  }

  /** In which balls of a set a number is the same. */
  sameIn(job, each, at, label) {
    const names = job.variants.map((ball) => ball.name);
    if (names.length < 3 && !each.variants) return null;
    const now = each.variants ?? names;
    const ticks = names.map((name, index) =>
      this.tick(`across-${at}-${index}`, name, now.includes(name), (on) => {
        const next = names.filter((one) => (one === name ? on : now.includes(one)));
        this.put(["set", "across", at, "variants"], next.length === names.length ? undefined : next);
      }),
    );
    return tickRow(gettext("Where {number} is the same", { number: label }), ticks);
  }

  /** Ticks of what may move, by part, with bounds for what is ticked. */
  moving(kind, job) {
    const all = job.parameters ?? [];
    const told = new Set();
    const parts = this.editor.request.design.solids.map((solid, index) => {
      const names = this.movable(solid, index);
      const own = all.flatMap((each, at) =>
        each.solids?.length === 1 && each.solids[0] === solid.name && !(each.field in this.contract.bodies)
          ? [[each, at]]
          : [],
      );
      for (const [, at] of own) told.add(at);
      const ticks = names.map((field) =>
        this.tick(
          `move-${index}-${field}`,
          this.contract.parameters[field].label,
          own.some(([each]) => fieldOf(each) === field),
          (on) =>
            this.put(
              [kind, "parameters"],
              on
                ? [...all, { solids: [solid.name], field, ...this.bounds(solid, field) }]
                : all.filter((each) => !own.some(([mine]) => mine === each && fieldOf(each) === field)),
            ),
        ),
      );
      const summary = own.length
        ? gettext("{name}: {count} may move", { name: solid.name, count: own.length })
        : solid.name;
      return element(
        "details.more",
        {
          open: own.length > 0 || this.open === index,
          ontoggle: ({ target }) => {
            if (target.open) this.open = index;
          },
        },
        element("summary", { id: `moves-${index}` }, summary),
        element("div.ticks", ticks),
        this.further(kind, all, solid, index),
        own.map(([each, at]) => this.limits(kind, all, each, at, !names.includes(fieldOf(each)))),
      );
    });
    const others = all.flatMap((each, at) =>
      told.has(at) || each.field in this.contract.bodies ? [] : [this.limits(kind, all, each, at, true)],
    );
    return fieldset(gettext("What may move"), parts, this.body(kind, all), others);
  }

  /** What may move of a part beside its own numbers: ratios of two lengths, and points of a profile. */
  further(kind, all, solid, index) {
    const sizes = this.movable(solid, index).filter((field) => this.contract.sizes.includes(field));
    const ratios = sizes.flatMap((length) =>
      sizes.filter((over) => over !== length).map((over) => ({ field: "ratio", length, over })),
    );
    const points = (solid.points ?? []).flatMap((_, point) =>
      ["point_height", "point_radius"].map((field) => ({ field, point })),
    );
    const choices = [...ratios, ...points].filter(
      (each) => !all.some((one) => one.solids?.[0] === solid.name && this.nameOf(one) === this.nameOf(each)),
    );
    if (!choices.length) return null;
    const choice = select(
      { id: `further-${index}`, "aria-label": gettext("A ratio or a point of {name}", { name: solid.name }) },
      choices.map((each, at) => [at, this.nameOf(each)]),
    );
    return element(
      "p.tools",
      choice,
      action(
        gettext("Let it move"),
        () => {
          const added = { solids: [solid.name], ...choices[Number(choice.value)] };
          this.put([kind, "parameters"], [...all, { ...added, ...this.within(added) }]);
        },
        { id: `further-${index}-add` },
      ),
    );
  }

  /**
   * What a parameter is, in words.
   *
   * @param {Record<string, any>} parameter
   */
  nameOf({ field = "density", length, over, point }) {
    const label = (name) => (this.contract.parameters[name] ?? this.contract.bodies[name])?.label ?? name;
    if (field === "ratio")
      return gettext("{length} over {over}", { length: label(length), over: label(over) });
    const number = point + 1;
    if (field === "point_height") return gettext("Height of point {number}", { number });
    if (field === "point_radius") return gettext("Radius of point {number}", { number });
    return label(field);
  }

  /** The unit of a parameter as fields have it. */
  unitOf({ field = "density" }) {
    if (field === "ratio") return { unit: "" };
    const { label: _, ...unit } =
      this.contract.parameters[field] ?? this.contract.bodies[field] ?? this.contract.parameters.height;
    return unit;
  }

  /** The present value of a parameter, NaN where it has none that can be read. */
  present(parameter) {
    const { field = "density", solids, length, over, point } = parameter;
    if (field in this.contract.bodies) return field === "group_scale" ? 1 : 0;
    const solid = this.editor.request.design.solids.find((each) => each.name === solids?.[0]) ?? {};
    const at = (name) => amount(solid[name], "in");
    if (field === "ratio") return at(length) / at(over);
    if (field.startsWith("point_"))
      return amount(solid.points?.[point]?.[field === "point_height" ? 0 : 1], "in");
    if (field.startsWith("position_")) return amount(solid.position?.["xyz".indexOf(field.at(-1))], "in", 0);
    return amount(solid[field], this.contract.parameters[field].unit || "1", 1);
  }

  within(parameter) {
    return { within: HALF[this.unitOf(parameter).unit] };
  }

  /** The bounds of a parameter: between two values, or about its present one. */
  limits(kind, all, parameter, at, isRemoved) {
    const unit = this.unitOf(parameter);
    const path = [kind, "parameters", at];
    const isAbout = parameter.within !== undefined;
    const several = parameter.solids?.length > 1 && !(parameter.field in this.contract.bodies);
    const label = several
      ? `${parameter.solids.join(", ")}: ${this.nameOf(parameter)}`
      : this.nameOf(parameter);
    const { within, lower, upper, ...rest } = parameter;
    const turn = (about) => {
      if (about) {
        const half = (amount(upper, unit.unit || "1") - amount(lower, unit.unit || "1")) / 2;
        this.put(path, { ...rest, ...(half > 0 ? { within: round(half) } : this.within(parameter)) });
      } else {
        const half = amount(within, unit.unit || "1") || this.within(parameter).within;
        const now = this.present(parameter) || 0;
        this.put(path, { ...rest, lower: round(now - half), upper: round(now + half) });
      }
    };
    const choice = select(
      {
        id: `${path.join(".")}.bounds`,
        "aria-label": gettext("How {number} is bounded", { number: label }),
        onchange: () => turn(choice.value === "about"),
      },
      [
        ["between", gettext("between")],
        ["about", gettext("about its value")],
      ],
      isAbout ? "about" : "between",
    );
    const ends = isAbout
      ? [["within", gettext("by ±")]]
      : [
          ["lower", gettext("from")],
          ["upper", gettext("to")],
        ];
    return numberRow(
      label,
      choice,
      ends.map(
        ([end, text]) =>
          this.field(text, unit, [...path, end], gettext("{number}: {what}", { number: label, what: text }))
            .node,
      ),
      kind === "set" ? this.movesIn(path, parameter, label) : null,
      isRemoved
        ? remover(gettext("{number} stays", { number: label }), () =>
            this.put([kind, "parameters"], except(all, at)),
          )
        : null,
    );
  }

  /** In which balls of a set a parameter moves. */
  movesIn(path, parameter, label) {
    const names = this.editor.request.set.variants.map((each) => each.name);
    const now = JSON.stringify(parameter.variants ?? null);
    const choices = [[gettext("in all balls"), null], ...names.map((name) => [name, [name]])];
    if (!choices.some(([, value]) => JSON.stringify(value) === now))
      choices.push([parameter.variants.join(", "), parameter.variants]);
    const choice = select(
      {
        id: `${path.join(".")}.variants`,
        "aria-label": gettext("Where {number} moves", { number: label }),
        onchange: () => this.put([...path, "variants"], JSON.parse(choice.value) ?? undefined),
      },
      choices.map(([text, value]) => [JSON.stringify(value), text]),
      now,
    );
    return choice;
  }

  /** Parts that may be shifted, turned and scaled as one body. */
  body(kind, all) {
    const { bodies } = this.contract;
    const solids = this.editor.request.design.solids.slice(1);
    const has = (each) => each.field in bodies;
    const at = (field) => all.findIndex((each) => each.field === field);
    const usual = solids.filter((solid) => solid.role !== "outer_core").map((solid) => solid.name);
    const group = all.find(has)?.solids ?? this.group ?? usual;
    const parts = solids.map((solid, index) =>
      this.tick(`body-${index}`, solid.name, group.includes(solid.name), (on) => {
        this.group = solids
          .map((each) => each.name)
          .filter((name) => (name === solid.name ? on : group.includes(name)));
        if (!this.group.length) this.group = [solid.name];
        const next = all.map((each) => (has(each) ? { ...each, solids: this.group } : each));
        if (all.some(has)) this.put([kind, "parameters"], next);
      }),
    );
    const moves = Object.keys(bodies).map((field) =>
      this.tick(`body-${field}`, bodies[field].label, at(field) >= 0, (on) =>
        this.put(
          [kind, "parameters"],
          on ? [...all, { solids: group, field, ...BODY[bodies[field].unit] }] : except(all, at(field)),
        ),
      ),
    );
    const bounds = all.flatMap((each, index) =>
      has(each) ? [this.limits(kind, all, each, index, false)] : [],
    );
    return element(
      "details.more",
      { open: bounds.length > 0 },
      element("summary", { id: "moves-body" }, gettext("Several parts as one body")),
      tickRow(gettext("Parts of the body"), parts),
      tickRow(gettext("How it may move"), moves),
      bounds,
    );
  }

  movable(solid, index) {
    if (index === 0) return ["density"];
    const own = (this.contract.shapes[solid.shape] ?? []).map((spec) => spec.name);
    return Object.keys(this.contract.parameters).filter(
      (name) => own.includes(name) || name.startsWith("position_"),
    );
  }

  bounds(solid, field) {
    const now = this.present({ field, solids: [solid.name] });
    if (field.startsWith("position_")) return { lower: round(now - SHIFT), upper: round(now + SHIFT) };
    const share = field === "density" ? SHARES.density : SHARES.length;
    return { lower: round((now || 0.1) * (1 - share)), upper: round((now || 0.1) * (1 + share)) };
  }

  asked() {
    return jobAlone(this.editor.request, this.kind, this.job);
  }

  async solve() {
    const request = this.asked();
    const answer = await this.asking.ask(request);
    if (answer) {
      this.result = { request, answer };
      this.show();
    }
    document.documentElement.dataset.solved = String(
      Number(document.documentElement.dataset.solved ?? 0) + 1,
    );
  }

  get solutions() {
    const { answer } = this.result ?? {};
    return (answer?.solved ?? answer?.set)?.solutions ?? [];
  }

  show() {
    const { answer, request } = this.result;
    const found = answer.solved ?? answer.set ?? familyOf(answer.family);
    const isSolved = request.set ? request.set.parameters?.length > 0 : true;
    const head = !isSolved
      ? gettext("The set as it is")
      : found.met
        ? gettext("Every target is met.")
        : gettext("Not every target can be met: the nearest that was found.");
    this.box.replaceChildren(
      element(
        "p.old",
        { id: "solutions-old", hidden: true },
        gettext("Old: the design, or what is asked, has changed since."),
      ),
      element("h2", head),
      list(found.conflicts.map((each) => each.message)),
      ...(request.family
        ? [this.members(found.members, request)]
        : [
            element(
              "ol.solution-list",
              found.solutions.map((each, index) => this.solution(each, index, request, isSolved)),
            ),
            this.costs(found.trade_off),
          ]
      ).filter(Boolean),
      list(
        answer.cautions
          .filter(({ pointer }) => /^\/(solve|set|family)/.test(pointer ?? ""))
          .map(({ message }) => message),
      ),
    );
    this.mark();
  }

  solution(solution, index, request, isSolved) {
    const balls = solution.variants ?? [solution];
    const targets = request.set
      ? request.set.variants.map((each) => each.targets ?? {})
      : [request.solve.targets];
    const names = [
      ...new Set([
        ...targets.flatMap((each) => Object.keys(each)),
        ...(request.set?.across ?? []).map((each) => each.number),
        ...(request.set
          ? ["weight", "rg", "differential", "intermediate_differential", "asymmetry_ratio"]
          : []),
      ]),
    ];
    const cell = (ball, name, at) => {
      const miss = ball.misses[name];
      const number = quantity(ball.numbers[name], this.contract.targets[name].unit);
      if (!targets[at][name]) return number;
      return `${number} ${Math.abs(miss) <= 1 ? "✓" : `✕ ${plain(miss, 1)}`}`;
    };
    const rows = names.map((name) => [
      this.contract.targets[name].label,
      ...balls.map((ball, at) => cell(ball, name, at)),
    ]);
    for (const { number, unit, apart, within, met } of solution.across ?? [])
      rows.push([
        gettext("{number}: apart, of {within}", {
          number: this.contract.targets[number].label,
          within: quantity(within, unit),
        }),
        `${quantity(apart, unit)} ${met ? "✓" : "✕"}`,
        ...balls.slice(1).map(() => ""),
      ]);
    rows.push([gettext("rules of approval"), ...balls.map((ball) => outcomeWord(ball.outcome))]);
    const values = solution.values.map((each) =>
      [
        `${each.solids.join(", ")}:`,
        this.valueName(each, request),
        quantity(each.value, each.unit),
        each.at_bound ? gettext("(at its bound)") : "",
      ]
        .join(" ")
        .trim(),
    );
    const title = gettext("Solution {number}", { number: index + 1 });
    return element(
      "li.solution",
      { "data-met": String(solution.met) },
      wide(
        title,
        table(
          [title, solution.met ? gettext("met") : gettext("not met")].join(" · "),
          [gettext("quantity"), ...balls.map((ball) => ball.name ?? gettext("value"))],
          rows,
        ),
      ),
      element("p.quiet", values.join(" · ")),
      isSolved
        ? element(
            "p.tools",
            action(gettext("Take this one"), () => this.use(solution), {
              class: "primary",
              id: `take-${index}`,
            }),
            balls.map((ball, at) =>
              action(
                balls.length > 1 ? gettext("Lay {name} over", { name: ball.name }) : gettext("Lay it over"),
                () => this.lay(ball.design, `${title}${balls.length > 1 ? `, ${balls[at].name}` : ""}`),
              ),
            ),
          )
        : null,
    );
  }

  /** The balls of a family side by side. */
  members(members, request) {
    const names = [...new Set(["weight", ...members.flatMap((each) => Object.keys(each.changes))])];
    const { targets } = this.contract;
    const title = gettext("The family, ball by ball");
    const rows = names.flatMap((name) => {
      const { label, unit } = targets[name];
      const own = [label, ...members.map((each) => quantity(each.numbers[name], unit))];
      if (name === "weight") return [own];
      const change = members.map((each) => quantity(each.changes[name], unit, { signed: true }));
      return [own, [gettext("{number}: change", { number: label }), ...change]];
    });
    rows.push(
      [gettext("what was asked"), ...members.map((each) => (each.met ? gettext("met") : gettext("not met")))],
      [gettext("rules of approval"), ...members.map((each) => outcomeWord(each.outcome))],
      ...members[0].values.map((value, at) => [
        `${value.solids.join(", ")}: ${this.valueName(value, request)}`,
        ...members.map(({ values }) => quantity(values[at].value, values[at].unit)),
      ]),
      ["", ...members.map((each) => this.ballTools(each, quantity(each.weight, "lb")))],
    );
    const heads = [gettext("quantity"), ...members.map((each) => quantity(each.weight, "lb"))];
    return element(
      "div.wide.solution",
      {
        "data-met": String(members.every((each) => each.met)),
        tabindex: 0,
        role: "region",
        "aria-label": title,
      },
      table(title, heads, rows),
    );
  }

  /** Buttons that take a found ball over, and lay it over. */
  ballTools(ball, name) {
    const { request } = this.editor;
    const button = (words, onclick) => action(words, onclick, { "aria-label": `${words}: ${name}` });
    return element(
      "span.tools",
      button(gettext("Take this one"), () => this.take({ ...request.design, solids: ball.design.solids })),
      button(gettext("Lay it over"), () => this.lay(ball.design, name)),
    );
  }

  /** The front of two targets: drawn, and point by point. */
  costs(front) {
    if (!front) return null; // a caution says so where it was asked for
    const ends = [front.first, front.second].map((name) => ({ name, ...this.contract.targets[name] }));
    const [across, upward] = ends.map(({ name, unit }) =>
      front.points.map((point) => shownIn(point.numbers[name], unit)[0]),
    );
    const titled = ({ label, unit }) => [label, shownIn(1, unit)[1]].filter(Boolean).join(", ");
    const title = gettext("What {first} costs {second}", { first: ends[0].label, second: ends[1].label });
    const drawn = chart({
      label: title,
      xRange: around(across),
      yRange: around(upward),
      xTitle: titled(ends[0]),
      yTitle: titled(ends[1]),
    });
    const places = across
      .map((value, index) => [drawn.x(value), drawn.y(upward[index])])
      .sort(([one], [other]) => one - other);
    drawn.add(
      svg("path.front-line", { d: line(places) }),
      places.map(([cx, cy]) => svg("circle.front-point", { cx, cy, r: 4 })),
    );
    const rows = front.points.map((point, index) => [
      gettext("Point {number}", { number: index + 1 }),
      ...ends.map(({ name, unit }) => quantity(point.numbers[name], unit)),
      point.met ? gettext("met") : gettext("not met"),
      outcomeWord(point.outcome),
      this.ballTools(point, gettext("Point {number}", { number: index + 1 })),
    ]);
    const heads = [
      "",
      ...ends.map((end) => end.label),
      gettext("what was asked"),
      gettext("rules of approval"),
      "",
    ];
    return element(
      "div",
      { id: "front-found" },
      element("h3", title),
      drawn.picture,
      wideTable(title, heads, rows),
    );
  }

  /** What a value of a solution is; the request tells which ratio or point. */
  valueName({ field, solids }, request) {
    const asked = (request.set ?? request.solve ?? request.family).parameters ?? [];
    const same = asked.filter((each) => fieldOf(each) === field && String(each.solids) === String(solids));
    return same.length === 1 ? this.nameOf(same[0]) : this.nameOf({ field });
  }

  use(solution) {
    const design = taken(this.editor.request, solution);
    if (!design) this.told.textContent = gettext("It cannot be taken: a part of it is no longer there.");
    else this.take(design);
  }

  /** Say whether the solutions still belong to what is on the page. */
  mark() {
    const old = document.getElementById("solutions-old");
    if (!old || !this.result) return;
    old.hidden = JSON.stringify(this.asked()) === JSON.stringify(this.result.request);
    this.box.classList.toggle("stale", !old.hidden);
  }

  forget() {
    this.result = null;
    this.box.replaceChildren();
    this.told.textContent = "";
  }
}

/** A family's members as a search finds them. */
const familyOf = (family) => ({
  met: family.members.every((each) => each.met),
  conflicts: [],
  members: family.members,
});

const round = (value) => Number(value.toFixed(4));
const fieldOf = ({ field = "density" }) => field;

function kindOf(target) {
  const has = (name) => target?.[name] !== undefined;
  if (has("value")) return "value";
  if (has("at_least")) return has("at_most") ? "between" : "at_least";
  return has("at_most") ? "at_most" : "hold";
}
