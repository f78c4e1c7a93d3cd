import { Holding } from "./holding.js";

// The bench's page: sends what is done, shows how things stand. It decides nothing.
const machine = JSON.parse(document.getElementById("machine").textContent);
const $ = (id) => document.getElementById(id);
const each = (selector, act) => document.querySelectorAll(selector).forEach(act);
const socket = new WebSocket(`ws://${location.host}/socket`);
const send = (what, name, value) => socket.readyState === 1 && socket.send(JSON.stringify({ do: what, name, value }));

const holding = new Holding(
  (button) => {
    button.dataset.on = "";
    send("hold", button.dataset.hold, true);
  },
  (button) => {
    delete button.dataset.on;
    send("hold", button.dataset.hold, false);
  },
);
each("[data-hold]", (button) => holding.add(button));
each("[data-hear]", (button) => button.addEventListener("click", () => send("hear", button.dataset.hear)));
each("[data-switch]", (box) => box.addEventListener("change", () => send("switch", box.dataset.switch, box.checked)));
each("[data-dial]", (input) => input.addEventListener("input", () => send("dial", input.dataset.dial, Number(input.value))));
each("[data-sensor]", (input) =>
  input.addEventListener("input", () => {
    document.querySelector(`[data-fault="${input.dataset.sensor}"]`).checked = false;
    send("sensor", input.dataset.sensor, Number(input.value));
  }),
);
each("[data-fault]", (box) =>
  box.addEventListener("change", () => {
    const slider = document.querySelector(`[data-sensor="${box.dataset.fault}"]`);
    send("sensor", box.dataset.fault, box.checked ? null : Number(slider.value));
  }),
);
$("linked").addEventListener("change", (event) => {
  holding.releaseAll();
  send("link", "", event.target.checked);
});

let now = null;
const run = (on) => send("run", "", on);
const step = (ticks) => send("step", "", ticks);
const back = (ticks) => now && send("back", "", Math.max(0, now.tick - ticks));
$("run").addEventListener("click", () => run(!now.running));
$("speed").addEventListener("change", (event) => send("speed", "", Number(event.target.value)));
each("[data-step]", (button) => button.addEventListener("click", () => step(Math.max(1, button.dataset.step / machine.tickMs))));
each("[data-back]", (button) =>
  button.addEventListener("click", () => back(Math.max(1, Math.round(button.dataset.back / machine.tickMs)))),
);
$("to").addEventListener("change", (event) => send("back", "", Math.round((Number(event.target.value) * 1000) / machine.tickMs)));
$("trial").addEventListener("click", () => send("trial", $("title").value));
$("add").addEventListener("click", () => send("add", $("title").value));
addEventListener("keydown", (event) => {
  if (event.target.matches("input, select, textarea, button, summary") || event.ctrlKey || event.metaKey || event.altKey) return;
  const keys = { " ": () => run(!now.running), ".": () => step(1), ",": () => back(1), b: () => back(10000 / machine.tickMs) };
  if (!keys[event.key]) return;
  event.preventDefault();
  keys[event.key]();
});

// ------------------------------------------------------------------------------------------------------------- showing

const put = (id, text) => {
  const element = $(id);
  if (element && element.textContent !== text) element.textContent = text;
};
const bands = {}; // by part: [tick, mode], as they were entered
const span = 30; // seconds that the timeline shows

socket.onmessage = ({ data }) => {
  const told = JSON.parse(data);
  if (told.trial !== undefined) $("text").value = told.trial;
  else if (told.added !== undefined) put("added", told.added);
  else show(told);
};
socket.onclose = () => {
  put("clock", "The bench has ended.");
  each("button, input", (element) => (element.disabled = true));
};

function show(told) {
  const before = now;
  now = told;
  put("clock", told.time);
  put("run", told.running ? "Pause" : "Run");
  $("linked").checked = told.linked;
  put("trouble", told.trouble);
  for (const part of machine.parts) {
    const mode = told.modes[part.name];
    const list = (bands[part.name] ||= []);
    while (list.length && list[list.length - 1][0] > told.tick) list.pop();
    if (!list.length || list[list.length - 1][1] !== mode) list.push([told.tick, mode]);
    put(`mode-${part.name}`, mode.replaceAll("_", " "));
    if (!before || before.modes[part.name] !== mode) {
      each(`.drawing [data-part="${part.name}"]`, (card) => {
        card.classList.toggle("lit", card.dataset.mode === mode);
      });
    }
  }
  for (const kind of ["readings", "dials", "outputs"]) for (const [name, text] of Object.entries(told[kind])) put(`is-${name}`, text);
  for (const [name, on] of [...Object.entries(told.levels), ...Object.entries(told.switches)]) put(`is-${name}`, on ? "on" : "off");
  for (const [name, value] of Object.entries(told.counters)) put(`is-${name}`, String(value));
  for (const [name, value] of Object.entries(told.at)) {
    const slider = document.querySelector(`[data-sensor="${name}"]`);
    if (!slider || document.activeElement === slider) continue;
    document.querySelector(`[data-fault="${name}"]`).checked = value === null;
    if (value !== null) slider.value = value;
  }
  for (const [name, on] of Object.entries(told.switches)) document.querySelector(`[data-switch="${name}"]`).checked = on;
  const last = told.did[told.did.length - 1];
  put("last", last ? `${((last.tick * machine.tickMs) / 1000).toFixed(2)} s  ${last.text}  (line ${last.line})` : "");
  if (!before || before.did.length !== told.did.length || before.did.at(-1)?.tick !== last?.tick) {
    $("did").replaceChildren(...told.did.slice(-40).reverse().map((did) => item(`${((did.tick * machine.tickMs) / 1000).toFixed(2)} s  ${did.text}`)));
  }
  const asked = told.running ? "" : told.asked.map((row) => `${row.line} ${row.why}`).join();
  if ($("asked").dataset.is !== asked) {
    $("asked").dataset.is = asked;
    $("asked").replaceChildren(...told.asked.map((row) => {
      const line = item(`line ${row.line}: ${row.text}`);
      line.className = row.why === "decided" ? "decided" : "";
      const why = document.createElement("strong");
      why.textContent = ` ${row.why}`;
      line.append(why);
      return line;
    }));
    $("asked-note").hidden = !told.running;
  }
}

function item(text) {
  const made = document.createElement("li");
  made.textContent = text;
  return made;
}

/** The timeline: each part's modes as bands, the newest at the right. */
function draw() {
  requestAnimationFrame(draw);
  if (!now) return;
  const canvas = $("line");
  const wide = canvas.clientWidth;
  const high = 34 * machine.parts.length;
  const sharp = devicePixelRatio || 1;
  if (canvas.width !== Math.round(wide * sharp)) canvas.width = Math.round(wide * sharp);
  if (canvas.height !== Math.round(high * sharp)) canvas.height = Math.round(high * sharp);
  canvas.style.height = `${high}px`;
  const pen = canvas.getContext("2d");
  const ink = getComputedStyle(document.body);
  pen.setTransform(sharp, 0, 0, sharp, 0, 0);
  pen.clearRect(0, 0, wide, high);
  const ticks = (span * 1000) / machine.tickMs;
  const from = Math.max(0, now.tick - ticks);
  const x = (tick) => ((tick - from) / ticks) * wide;
  pen.font = "14px Liberation Sans, Arial, sans-serif";
  machine.parts.forEach((part, row) => {
    const list = bands[part.name] || [];
    list.forEach(([tick, mode], place) => {
      const end = place + 1 < list.length ? list[place + 1][0] : now.tick;
      if (end < from) return;
      const left = x(Math.max(tick, from));
      const width = Math.max(1, x(end) - left);
      const stop = machine.stops[part.name].includes(mode);
      pen.fillStyle = ink.getPropertyValue(stop ? "--shade" : "--go-card");
      pen.fillRect(left, row * 34 + 2, width, 28);
      pen.strokeStyle = ink.getPropertyValue(stop ? "--ink" : "--go");
      pen.lineWidth = 1.5;
      pen.strokeRect(left, row * 34 + 2, width, 28);
      if (stop) {
        pen.fillStyle = ink.getPropertyValue("--ink");
        pen.fillRect(left, row * 34 + 26, width, 5);
      }
      pen.fillStyle = ink.getPropertyValue("--ink");
      const text = mode.replaceAll("_", " ");
      if (pen.measureText(text).width < width - 8) pen.fillText(text, left + 5, row * 34 + 20);
    });
  });
}
draw();
