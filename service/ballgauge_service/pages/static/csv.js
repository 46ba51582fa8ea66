// CSV files as spreadsheets write them.

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
