// The drilling of a design: its fields, made from the contract, and its holes.

import { action, details, element } from "./elements.js";
import { except } from "./history.js";
import { gettext } from "./words.js";

const FIRST = {
  hand: "right",
  pap: { over: 5, up: 0.5 },
  layout: { drilling_angle: 50, pin_to_pap: 4.5, val_angle: 35 },
  grip: { span_middle: "4 1/4 in", span_ring: "4 3/8 in", bridge: "1/4 in" },
  holes: [
    { role: "thumb", diameter: "31/32 in", depth: 2.5 },
    { role: "middle", diameter: "31/32 in", depth: 2.25 },
    { role: "ring", diameter: "31/32 in", depth: 2.25 },
  ],
}; // a usual drilling to begin with (ours)

const keys = (name) => name.split(".").map((each) => (/^\d+$/.test(each) ? Number(each) : each));

export class Drilling {
  constructor({ editor, contract }) {
    const all = contract.fields.filter((each) => each.name.startsWith("drilling."));
    this.editor = editor;
    this.own = all.filter((each) => !each.name.includes(".holes."));
    this.hole = all.filter((each) => each.name.includes(".holes."));
    this.holder = document.getElementById("drilling");
    this.built = "";
    document
      .getElementById("drilled")
      .addEventListener("change", ({ target }) =>
        editor.set(["drilling"], target.checked ? FIRST : undefined),
      );
  }

  draw() {
    const drilling = this.editor.request.drilling;
    document.getElementById("drilled").checked = Boolean(drilling);
    const structure = drilling ? `${drilling.holes?.length ?? 0}` : "";
    if (structure === this.built) return;
    this.built = structure;
    this.editor.drop("drilling.");
    this.holder.replaceChildren(...(drilling ? this.parts(drilling) : []));
  }

  parts(drilling) {
    const field = (spec, name) => this.editor.field(spec, keys(name)).node;
    const holes = (drilling.holes ?? []).map((_, index) =>
      element(
        "li",
        element(
          "div.grid",
          this.hole.map((spec) => field(spec, spec.name.replace("*", index))),
        ),
        action(gettext("Remove this hole"), () => this.setHoles((all) => except(all, index))),
      ),
    );
    return [
      element(
        "div.grid",
        this.own.map((spec) => field(spec, spec.name)),
      ),
      details(
        gettext("Holes"),
        element("ol.hole-list", holes),
        action(
          gettext("Add a hole"),
          () => this.setHoles((all) => [...all, { role: "vent", diameter: 0.25, depth: 1 }]),
          { id: "add-hole" },
        ),
      ),
    ];
  }

  setHoles(change) {
    const { editor } = this;
    editor.set(["drilling", "holes"], change(editor.request.drilling.holes ?? []));
    this.holder.querySelector("details").open = true;
  }
}
