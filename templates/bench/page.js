// What every page of the bench has: its machine, and short words for what is on it.

export const machine = JSON.parse(document.getElementById("machine").textContent);
export const $ = (id) => document.getElementById(id);
export const each = (selector, act) => document.querySelectorAll(selector).forEach(act);

/** Put a text where it is not there already: what is read aloud is told once. */
export function put(id, text) {
  const element = $(id);
  if (element && element.textContent !== text) element.textContent = text;
}
