// The entrants of an event: a CSV file of players and their balls, matched by serial, kept in this browser.

import { sameSerial } from "./desk_list.js";

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
    try {
      localStorage.setItem(KEPT, JSON.stringify(rows));
    } catch {
      return; // a browser that keeps nothing has them until the page is left
    }
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
  try {
    const rows = JSON.parse(localStorage.getItem(KEPT));
    const isSound = (row) => ["player", "serial", "name"].every((name) => typeof row?.[name] === "string");
    return Array.isArray(rows) && rows.every(isSound) ? rows : [];
  } catch {
    return [];
  }
}

/** The cells of a CSV text (RFC 4180), the mark between them being the most frequent of the first line's. */
export function cells(text) {
  const body = text.replace(/^\uFEFF/, "");
  const first = body.split(/[\r\n]/, 1)[0].replaceAll(/"[^"]*"/g, "");
  const mark = [",", ";", "\t", "|"].reduce((a, b) =>
    first.split(b).length > first.split(a).length ? b : a,
  );
  const cell = new RegExp(`(?:"((?:[^"]|"")*)"|([^${mark}\\r\\n]*))([${mark}]|\\r\\n|\\r|\\n|$)`, "gy");
  const rows = [[]];
  for (const [, quoted, plain, end] of body.matchAll(cell)) {
    rows.at(-1).push(quoted === undefined ? plain : quoted.replaceAll('""', '"'));
    if (end === "") break;
    if (end !== mark) rows.push([]);
  }
  return rows.filter((row) => row.some((each) => each.trim()));
}

/** A file's text: UTF-8, or what spreadsheets write where it is not. */
export async function textOf(file) {
  const bytes = await file.arrayBuffer();
  try {
    return new TextDecoder("utf-8", { fatal: true }).decode(bytes);
  } catch {
    return new TextDecoder("windows-1252").decode(bytes);
  }
}
