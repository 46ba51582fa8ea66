import type { paths } from "./api.js";

type Checks = paths["/v1/checks"]["post"];
type Asked = Checks["requestBody"]["content"]["application/json"];
type Told = Checks["responses"]["200"]["content"]["application/json"];
declare const process: { argv: string[] };

async function check(asked: Asked): Promise<Told> {
  const answer = await fetch(`${process.argv[2]}/v1/checks`, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(asked),
  });
  if (!answer.ok) throw new Error(await answer.text());
  return (await answer.json()) as Told;
}

async function main(): Promise<void> {
  const drilled: Asked = EXAMPLE;
  const one = await check(drilled);
  if (!("findings" in one)) throw new Error("a single check has findings");
  const many = await check({ checks: [drilled, { ball: { weight: "6.8 kg" } }], detail: "brief" });
  if (!("results" in many)) throw new Error("a batch has results");
  console.log(JSON.stringify([one.outcome, many.results.map((each) => ("outcome" in each ? each.outcome : null))]));
}

void main();
