// Holes by the names that people give them: by role, and where several have one role by which of them.

import { gettext } from "./words.js";

/** Names of holes from their roles, in their order. */
export function names(roles) {
  return roles.map((role, index) => {
    const alike = roles.filter((other) => other === role).length;
    const word = role ? gettext(role) : gettext("hole");
    return alike > 1 ? `${word} ${roles.slice(0, index + 1).filter((other) => other === role).length}` : word;
  });
}

/**
 * What holes do that no drilling should: one sentence for each two that meet, and each that passes the
 * center.
 */
export function clashes(holes) {
  const named = names((holes ?? []).map((hole) => hole.role));
  return (holes ?? []).flatMap((hole, index) => [
    ...(hole.meets ?? [])
      .filter((other) => other < index)
      .map((other) =>
        gettext("The {this} hole runs into the {that} hole: look at spans and pitches.", {
          this: named[index],
          that: named[other],
        }),
      ),
    ...(hole.past_centre
      ? [gettext("The {this} hole reaches past the center of the ball.", { this: named[index] })]
      : []),
  ]);
}
