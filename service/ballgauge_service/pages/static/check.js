import { run } from "./bench.js";

run({});
