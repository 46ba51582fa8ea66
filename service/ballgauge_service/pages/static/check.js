import { run } from "./bench.js";
import { offer } from "./record.js";

run({ shown: (answer, request) => offer(request) });
