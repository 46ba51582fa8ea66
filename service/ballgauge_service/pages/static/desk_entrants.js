// The entrants of an event: a CSV file of players and their balls, matched by serial, kept in this browser.

import { cells } from "./csv.js";
import { sameSerial } from "./desk_list.js";
import { ofBrowser } from "./store.js";

const KEPT = "ballgauge.entrants";
const MOST = 20000;

/** Headings as the lists that desks are given have them, without blanks and marks. */
const HEADINGS = {
  player:
    "player playername bowler entrant firstname lastname surname " +
    "spieler spielerin vorname nachname jugador joueur",
  serial: "serial serialnumber serialno sn seriennummer seriennr numerodeserie",
  ball:
    "ball ballname brand maker manufacturer model makerandmodel " +
    "marke hersteller modell marca modelo marque modele",
};

export class Entrants {
  constructor(changed) {
    this.use(kept());
    window.addEventListener("storage", ({ key }) => {
      if (key !== null && key !== KEPT) return;
      this.use(kept());
      changed();
    });
  }

  use(rows) {
    this.rows = rows;
    this.bySerial = new Map();
    for (const row of rows) {
      const serial = sameSerial(row.serial);
      this.bySerial.set(serial, [...(this.bySerial.get(serial) ?? []), row]);
    }
  }

  /** The rows of a serial: more than one where the file has it more than once. */
  find(serial) {
    return this.bySerial.get(sameSerial(serial)) ?? [];
  }

  /** Rows whose ball is in no entry. */
  unseen(entries) {
    const seen = new Set(entries.map(({ request }) => sameSerial(request.ball.serial)));
    return this.rows.filter(({ serial }) => !seen.has(sameSerial(serial)));
  }

  /**
   * Take a file's text; null where it has no column of serials. Gives the count of balls, the headings that
   * were left out, and how many rows have no serial.
   */
  load(text) {
    const [heads = [], ...lines] = cells(text);
    const places = fieldsOf(heads);
    if (!places.includes("serial") || lines.length > MOST) return null;
    const joined = (line, field) =>
      line
        .filter((cell, place) => places[place] === field && cell.trim())
        .map((cell) => cell.trim())
        .join(" ");
    const rows = lines.map((line) => ({
      player: joined(line, "player"),
      serial: joined(line, "serial"),
      name: joined(line, "ball"),
    }));
    this.keep(rows.filter(({ serial }) => serial));
    return {
      count: this.rows.length,
      leftOut: heads.filter((head, place) => head.trim() && !places[place]),
      without: rows.length - this.rows.length,
    };
  }

  keep(rows) {
    this.use(rows);
    ofBrowser.write(KEPT, JSON.stringify(rows)); // where it is not kept, it is there until the page is left
  }
}

/** What each heading is; a bare "name" is the player's where no other heading is, or else the ball's. */
function fieldsOf(heads) {
  const plain = heads.map((head) =>
    head
      .normalize("NFD")
      .replaceAll(/[^a-zA-Z]/g, "")
      .toLowerCase(),
  );
  const places = plain.map((head) =>
    Object.keys(HEADINGS).find((field) => HEADINGS[field].split(" ").includes(head)),
  );
  const name = places.includes("player") ? "ball" : "player";
  return places.map((field, place) => (plain[place] === "name" ? name : field));
}

function kept() {
  const rows = ofBrowser.parsed(KEPT);
  const isSound = (row) => ["player", "serial", "name"].every((name) => typeof row?.[name] === "string");
  return Array.isArray(rows) && rows.every(isSound) ? rows : [];
}
