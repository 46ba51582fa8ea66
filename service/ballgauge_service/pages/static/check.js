import { run } from "./bench.js";
import { keepSheet } from "./sheet.js";

const { form, state } = run({});
keepSheet(form, state);
