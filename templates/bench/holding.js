// Buttons that count only while a finger, a pointer or a key is on them, and every way of letting go.

/** A slider: held() when a finger or the mouse takes hold of it, released() when it lets go. */
export function heldSlider(input, held, released) {
  input.addEventListener("pointerdown", held);
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) document.addEventListener(name, released, true);
  for (const name of ["blur", "pagehide"]) addEventListener(name, released);
  document.addEventListener("visibilitychange", () => document.hidden && released());
}

export class Holding {
  /** pressed, released: called with the button. */
  constructor(pressed, released) {
    Object.assign(this, { pressed, released, on: new Map() });
    addEventListener("blur", () => this.releaseAll());
    addEventListener("pagehide", () => this.releaseAll());
    document.addEventListener("freeze", () => this.releaseAll());
    document.addEventListener("visibilitychange", () => document.hidden && this.releaseAll());
    // Whatever happens to a pointer anywhere else: it is no longer on its button.
    for (const name of ["pointerup", "pointercancel", "lostpointercapture"])
      document.addEventListener(name, (event) => this.lost(event.pointerId), true);
    // A finger stays the business of the button it came down on, wherever it goes: where it is, is looked at.
    document.addEventListener("pointermove", (event) => this.slid(event), true);
  }

  /** Let this button be held. */
  add(button) {
    button.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      event.preventDefault();
      this.press(button, event.pointerId);
    });
    button.addEventListener("pointerleave", (event) => this.lost(event.pointerId));
    button.addEventListener("keydown", (event) => {
      if (event.key !== " " && event.key !== "Enter") return;
      event.preventDefault();
      if (!event.repeat) this.press(button, event.code);
    });
    button.addEventListener("keyup", (event) => this.lost(event.code));
    button.addEventListener("blur", () => ["Space", "Enter", "NumpadEnter"].forEach((key) => this.lost(key)));
    button.addEventListener("contextmenu", (event) => event.preventDefault());
    button.addEventListener("dragstart", (event) => event.preventDefault());
  }

  press(button, by) {
    const first = !this.on.has(button);
    if (first) this.on.set(button, new Set());
    this.on.get(button).add(by);
    if (first) this.pressed(button);
  }

  /** One of two fingers on a button that lets go ends it, too: it is not sure any more that it is meant. */
  lost(by) {
    for (const [button, pointers] of this.on) if (pointers.has(by)) this.release(button);
  }

  slid({ pointerId, clientX, clientY }) {
    for (const [button, pointers] of this.on) {
      if (!pointers.has(pointerId)) continue;
      const { left, right, top, bottom } = button.getBoundingClientRect();
      if (clientX < left || clientX > right || clientY < top || clientY > bottom) this.release(button);
    }
  }

  release(button) {
    if (this.on.delete(button)) this.released(button);
  }

  releaseAll() {
    for (const button of [...this.on.keys()]) this.release(button);
  }
}
