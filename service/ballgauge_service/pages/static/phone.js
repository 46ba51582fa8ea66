// The page's address as a QR code, for a phone to take the ball on.

import * as address from "./address.js";
import * as calls from "./calls.js";
import { at, element } from "./elements.js";
import { tried } from "./record.js";
import { gettext } from "./words.js";

/** Bytes of an address whose code a phone still reads from a screen (ours). */
const LONGEST = 1500;
const HERE = ["localhost", "127.0.0.1", "[::1]"];

/** Offer the code of the page's address; `ready` makes the address say all. Gives what puts the code away. */
export function offerPhone(ready) {
  const button = at("phone");
  const box = at("phone-code");
  let call = new AbortController();

  function away() {
    call.abort();
    box.replaceChildren();
    button.setAttribute("aria-expanded", "false");
  }

  button.addEventListener("click", () => {
    const isOpen = button.getAttribute("aria-expanded") === "true";
    if (!isOpen) ready();
    away();
    if (isOpen) return;
    button.setAttribute("aria-expanded", "true");
    call = new AbortController();
    show(box, call.signal);
  });
  return away;
}

async function show(box, signal) {
  address.flush();
  const told = (words) => box.replaceChildren(element("p", words));
  if (new TextEncoder().encode(location.href).length > LONGEST) {
    told(gettext("The address is too long for a code. Save the ball to a file, or copy the address."));
    return;
  }
  await tried(
    async () => {
      const ask = () => calls.postForFile("/code", { address: location.href }, signal);
      const picture = await calls.insist(ask, told, signal);
      const alt = gettext("QR code of this page's address");
      const local = gettext(
        "A phone cannot follow it: open this page under the machine's name in the network.",
      );
      box.replaceChildren(
        element("img.code", { alt, src: URL.createObjectURL(picture) }),
        element("p.quiet", gettext("It opens this ball, with its units, on a phone.")),
        ...(HERE.includes(location.hostname) ? [element("p.refused", local)] : []),
      );
    },
    signal,
    (refused) => box.replaceChildren(...refused),
  );
}
