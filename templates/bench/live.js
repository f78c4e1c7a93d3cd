// The bench on a simulation: sends what is done to it. It decides nothing.
import { bench, fill, item, stands, tickAt } from "./bench.js";
import { heldSlider, Holding } from "./holding.js";
import { $, each, machine, put } from "./page.js";
import { Stick } from "./stick.js";

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
each("[data-dial][data-every]", (input) => {
  const say = () => send("dial", input.dataset.dial, Number(input.value));
  let again = 0;
  const released = () => clearInterval(again);
  const held = () => {
    released();
    say();
    again = setInterval(say, Number(input.dataset.every));
  };
  heldSlider(input, held, released);
});

each("[data-stick]", (plate) => {
  const goes = (numbers) => send("stick", plate.dataset.stick, numbers);
  let again = 0;
  const moved = (numbers) => {
    clearInterval(again);
    goes(numbers);
    again = setInterval(() => goes(numbers), Number(plate.dataset.every)); // held still, it is said on
  };
  new Stick(plate, {
    moved,
    released: (numbers) => {
      clearInterval(again);
      goes(numbers);
    },
  });
});

const slider = (name) => document.querySelector(`[data-sensor="${name}"]`);
const exact = (name) => document.querySelector(`[data-number="${name}"]`);
const fault = (name) => document.querySelector(`[data-fault="${name}"]`);
function measures(name, value) {
  fault(name).checked = false;
  send("sensor", name, value);
}
each("[data-sensor]", (input) =>
  input.addEventListener("input", () => {
    exact(input.dataset.sensor).value = input.value;
    measures(input.dataset.sensor, Number(input.value));
  }),
);
each("[data-number]", (input) =>
  input.addEventListener("change", () => {
    if (input.value === "" || !input.validity.valid) return;
    slider(input.dataset.number).value = input.value;
    measures(input.dataset.number, Number(input.value));
  }),
);
each("[data-fault]", (box) =>
  box.addEventListener("change", () => {
    send("sensor", box.dataset.fault, box.checked ? null : Number(slider(box.dataset.fault).value));
  }),
);

const rate = (name) => document.querySelector(`[data-rate="${name}"]`);
const hertz = (name) => document.querySelector(`[data-hertz="${name}"]`);
function comes(name, value) {
  rate(name).value = value;
  hertz(name).value = value;
  send("rate", name, value);
}
each("[data-rate]", (input) => input.addEventListener("input", () => comes(input.dataset.rate, Number(input.value))));
each("[data-hertz]", (input) =>
  input.addEventListener("change", () => input.value !== "" && input.validity.valid && comes(input.dataset.hertz, Number(input.value))),
);
each("[data-still]", (button) => button.addEventListener("click", () => comes(button.dataset.still, 0)));
each("[data-pulse]", (button) => button.addEventListener("click", () => send("pulse", button.dataset.pulse, Number(button.value))));

function link(on) {
  holding.releaseAll();
  send("link", "", on);
}
each("#linked", (box) => box.addEventListener("change", () => link(box.checked)));

const run = (on) => send("run", "", on);
const step = (ticks) => send("step", "", ticks);
const back = (ticks) => bench.now && send("go", "", Math.max(0, bench.now.tick - ticks));
$("run").addEventListener("click", () => run(!bench.now.running));
$("speed").addEventListener("change", (event) => send("speed", "", Number(event.target.value)));
each("[data-step]", (button) => button.addEventListener("click", () => step(Math.max(1, button.dataset.step / machine.tickMs))));
each("[data-back]", (button) =>
  button.addEventListener("click", () => back(Math.max(1, Math.round(button.dataset.back / machine.tickMs)))),
);
$("to").addEventListener("change", (event) => {
  if (event.target.value !== "") send("go", "", Math.round((Number(event.target.value) * 1000) / machine.tickMs));
  event.target.value = "";
});
$("line").addEventListener("click", (event) => bench.now && send("go", "", Math.min(bench.now.tick, tickAt(event.clientX))));
$("from").addEventListener("change", ({ target }) => {
  if (target.selectedIndex) send("begin", target.value);
  target.selectedIndex = 0;
});
$("trial").addEventListener("click", () => send("trial", $("title").value));
$("add").addEventListener("click", () => send("add", $("title").value));

const KEYS = {
  " ": () => run(!bench.now.running),
  ".": () => step(1),
  ",": () => back(1),
  b: () => back(10000 / machine.tickMs),
  c: () => link(!bench.now.linked),
};
addEventListener("keydown", (event) => {
  if (!KEYS[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.matches("input:not([type=range]):not([type=checkbox]), select, textarea")) return;
  if (event.key === " " && event.target.matches("button, input, summary")) return; // it presses what has the focus
  event.preventDefault();
  KEYS[event.key]();
});

// ------------------------------------------------------------------------------------------------------------- showing

socket.onmessage = ({ data }) => {
  const told = JSON.parse(data);
  if (told.trial !== undefined) $("text").value = told.trial;
  else if (told.added !== undefined) put("added", told.added);
  else if (told.failed !== undefined) put("trouble", told.failed);
  else if (told.version !== machine.version) location.reload(); // the file has other controls, or another picture
  else simulated(told);
};
socket.onclose = () => {
  put("busy", "The bench has ended.");
  each("button, input, select", (element) => (element.disabled = true));
};

function simulated(told) {
  stands(told);
  put("run", told.running ? "Pause" : "Run");
  each("#linked", (box) => (box.checked = told.linked));
  each("#speed", (select) => document.activeElement !== select && (select.value = String(told.speed)));
  for (const [name, value] of Object.entries(told.at)) {
    if (!slider(name)) continue;
    if (document.activeElement === slider(name) || document.activeElement === exact(name)) continue;
    fault(name).checked = value === null;
    if (value === null || exact(name).value === String(value)) continue;
    slider(name).value = value;
    exact(name).value = value;
  }
  for (const [name, on] of Object.entries(told.switches)) document.querySelector(`[data-switch="${name}"]`).checked = on;
  for (const [name, value] of Object.entries(told.rates)) {
    if (document.activeElement === rate(name) || document.activeElement === hertz(name)) continue;
    if (hertz(name).value !== String(value)) rate(name).value = hertz(name).value = value;
  }
  for (const [name, text] of Object.entries(told.waits)) put(`waits-${name}`, text);
  fill("from", told.begins.join("\n"), () => [
    new Option("…", "-"), new Option("at the start", ""), ...told.begins.map((title) => new Option(`at the end of: ${title}`, title)),
  ]);
  const asked = told.running ? [] : told.asked;
  $("asked-note").hidden = !told.running;
  fill("asked", asked.map((row) => `${row.line} ${row.text} ${row.why}`).join("\n"), () =>
    asked.map((row) => {
      const line = item(`${machine.parts.length > 1 ? `${row.part}, ` : ""}line ${row.line}: ${row.text} `);
      line.className = row.why === "decided" ? "decided" : "";
      const why = document.createElement(row.why.startsWith("not so") ? "span" : "strong");
      why.className = "why";
      why.textContent = row.why;
      line.append(why);
      return line;
    }),
  );
}
