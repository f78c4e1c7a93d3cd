// A stick for two numbers of one message: it goes where a finger, the mouse or the arrow keys take it, and springs back.

const ARROWS = { ArrowUp: [0, 1], ArrowDown: [0, -1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };
const ARROW_MS = 50; // an arrow key takes it further every so often
const ARROW_STEP = 0.1; // by so much of the way

export class Stick {
  /**
   * plate: where it moves; it says of each axis its lowest, first and highest number. moved(numbers): called whenever they
   * change while it is held, up and down first. released(numbers): it has sprung back, to these.
   */
  constructor(plate, { moved, released }) {
    Object.assign(this, { plate, moved, released, pointer: null, keys: new Set(), at: [0, 0], timer: 0 });
    const axis = (name) => plate.dataset[name].split(" ").map(Number);
    this.axes = [axis("up"), axis("across")];
    plate.addEventListener("pointerdown", (event) => this.down(event));
    document.addEventListener("pointermove", (event) => event.pointerId === this.pointer && this.follow(event), true);
    for (const name of ["pointerup", "pointercancel", "lostpointercapture"])
      document.addEventListener(name, (event) => event.pointerId === this.pointer && this.release(), true);
    plate.addEventListener("keydown", (event) => this.key(event, true));
    plate.addEventListener("keyup", (event) => this.key(event, false));
    plate.addEventListener("blur", () => this.release());
    plate.addEventListener("contextmenu", (event) => event.preventDefault());
    plate.addEventListener("dragstart", (event) => event.preventDefault());
    for (const name of ["blur", "pagehide"]) addEventListener(name, () => this.release());
    document.addEventListener("freeze", () => this.release());
    document.addEventListener("visibilitychange", () => document.hidden && this.release());
    this.draw();
  }

  get held() {
    return this.pointer !== null || this.keys.size > 0;
  }

  /** The numbers, up and down first. */
  get numbers() {
    return [this.at[1], this.at[0]].map((part, place) => {
      const [low, first, high] = this.axes[place];
      return Math.round(first + part * (part < 0 ? first - low : high - first));
    });
  }

  down(event) {
    if (event.button !== 0) return;
    event.preventDefault();
    this.plate.focus({ preventScroll: true });
    if (this.pointer !== null) return this.release(); // a second finger: it is not sure any more what is meant
    this.keys.clear();
    this.pointer = event.pointerId;
    this.follow(event);
  }

  follow({ clientX, clientY }) {
    const { left, top, width, height } = this.plate.getBoundingClientRect();
    const inside = (value) => Math.max(-1, Math.min(1, value));
    this.go(inside(((clientX - left) / width) * 2 - 1), inside(1 - ((clientY - top) / height) * 2));
  }

  key(event, down) {
    if (!ARROWS[event.key]) return;
    event.preventDefault();
    if (down && !event.repeat && this.pointer === null) {
      this.keys.add(event.key);
      this.push();
    } else if (!down && this.keys.has(event.key)) {
      if (this.keys.size === 1) return this.release();
      this.keys.delete(event.key);
      // The axis whose key was let go springs back at once; the other is held on.
      const along = ARROWS[event.key][0] ? 0 : 1;
      const others = [...this.keys].some((name) => ARROWS[name][along]);
      if (!others) this.go(along ? this.at[0] : 0, along ? 0 : this.at[1]);
    }
  }

  push() {
    clearTimeout(this.timer);
    if (!this.keys.size) return;
    const along = [0, 1].map((axis) => [...this.keys].reduce((sum, name) => sum + ARROWS[name][axis], 0));
    const [x, y] = this.at.map((at, axis) => (along[axis] ? Math.max(-1, Math.min(1, at + along[axis] * ARROW_STEP)) : at));
    this.go(x, y);
    this.timer = setTimeout(() => this.push(), ARROW_MS);
  }

  go(x, y) {
    this.at = [x, y];
    this.draw();
    this.moved(this.numbers);
  }

  release() {
    if (!this.held) return;
    clearTimeout(this.timer);
    this.pointer = null;
    this.keys.clear();
    this.at = [0, 0];
    this.draw();
    this.released(this.numbers);
  }

  draw() {
    const [x, y] = this.at;
    this.plate.toggleAttribute("data-on", this.held);
    this.plate.style.setProperty("--x", `${50 + x * 38}%`);
    this.plate.style.setProperty("--y", `${50 - y * 38}%`);
    const numbers = this.numbers;
    const units = this.plate.dataset.units.split(",");
    const text = this.plate.dataset.names.split(",").map((name, place) => `${name} ${numbers[place]} ${units[place]}`.trim());
    const out = document.getElementById(this.plate.getAttribute("aria-describedby"));
    if (out.textContent !== text.join(", ")) out.textContent = text.join(", ");
  }
}
