// The remote: what the machine reports, and how the hand that holds it likes it.
import { around } from "./operator.js";
import { $, each, machine } from "./page.js";

const COUNTED = [
  ["command overtaken by a halt", "commands overtaken by a halt"], ["message not understood", "messages not understood"],
  ["late tick", "late ticks"], ["sensor fault", "sensor faults"], ["report dropped", "reports dropped"],
];
const CAUSES = [[8, "watchdog"], [4, "low supply"], [2, "reset pin"], [1, "power"]];
const now = machine.parts.map(() => null);
const stands = []; // the counters, as they were last told
let counted = null;

around.report = (report) => {
  if (report.kind === "started") {
    const why = CAUSES.filter(([bit]) => report.cause & bit).map(([, word]) => word).join(", ");
    note(`started${why ? `: ${why}` : ""}`);
    now.fill(null);
    counted = null;
  }
  if (report.kind === "modes") report.modes.forEach((mode, place) => setMode(report.first + place, mode));
  if (report.kind === "row") tookRow(report);
  if (report.kind === "counters") tookCounters(report);
  if (report.kind === "counts") tookCounts(report.counts);
};

function setMode(part, mode) {
  const known = machine.parts[part];
  if (!known || !known.modes[mode]) return;
  now[part] = mode;
  const [name, kind] = known.modes[mode];
  const shown = $(`mode-${part}`);
  if (shown.textContent !== name) shown.textContent = name;
  shown.className = `mode ${kind}`;
}

function tookRow({ part, row, tick }) {
  const known = machine.parts[part];
  const told = known && known.rows[row];
  if (!told) return note(`row ${row} of part ${part}, which this file does not have`);
  const [target, when, dials = {}] = told;
  for (const [name, value] of Object.entries(dials)) { // the row set a dial: it stands there now
    const slider = $(`dial-${name}`);
    if (!slider) continue;
    slider.value = value;
    $(`dial-${name}-is`).textContent = `${value} ${slider.dataset.unit}`;
  }
  if (target >= 0) setMode(part, target);
  const where = machine.parts.length > 1 ? `${known.name}: ` : "";
  note(`${where}${when}${target >= 0 ? ` → ${known.modes[target][0]}` : ""}`, tick);
}

function tookCounters({ first, values }) {
  values.forEach((value, place) => { stands[first + place] = value; });
  const told = machine.counters.map((name, place) => [name, stands[place]]).filter(([, value]) => value !== undefined);
  $("counters").textContent = told.map(([name, value]) => `${name} ${value}`).join(" · ");
}

function tookCounts(counts) {
  const more = COUNTED.map(([one, many], place) => [counts[place], counts[place] === 1 ? one : many]).filter(([count]) => count);
  $("trouble").textContent = more.map(([count, word]) => `${count} ${word}`).join(" · ");
  if (counted && counts[3] > counted[3]) note("a sensor went into fault");
  counted = counts;
}

function note(text, tick) {
  const item = document.createElement("li");
  const time = tick === undefined ? "" : `${((tick * machine.tickMs) / 1000).toFixed(2)} s  `;
  item.textContent = time + text;
  const list = $("did");
  list.prepend(item);
  while (list.children.length > 40) list.lastChild.remove();
  $("last").textContent = text;
}

function keep(name, value) {
  document.body.dataset[name] = value;
  try {
    localStorage.setItem(`remote-${name}`, value);
  } catch { /* kept for this time only */ }
}
each("[data-keep]", (input) => {
  const { keep: name } = input.dataset;
  let value = null;
  try {
    value = localStorage.getItem(`remote-${name}`);
  } catch { /* none is kept */ }
  input.checked = value === input.value;
  if (input.checked) keep(name, input.value);
  input.addEventListener("change", () => keep(name, input.checked ? input.value : ""));
});
