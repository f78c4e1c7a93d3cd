// How the machine stands, on the bench's page: what the server says is shown, and nothing is worked out here.
import { $, each, machine, put } from "./page.js";

const SPAN_S = 30; // what the timeline shows
const BAND = 34; // pixels of a part's band in it

export const bench = { now: null };

/** Show how it stands. */
export function stands(told) {
  const before = bench.now;
  bench.now = told;
  put("clock", told.time);
  put("busy", told.busy || "");
  put("trouble", told.trouble);
  put("counts", told.counts);
  for (const part of machine.parts) {
    const mode = told.modes[part.name];
    put(`mode-${part.name}`, mode ? mode.replaceAll("_", " ") : "not known");
    $(`mode-${part.name}`).className = `mode ${machine.kinds[part.name][mode] || ""}`;
    if (!before || before.modes[part.name] !== mode)
      each(`.drawing [data-part="${part.name}"][data-mode]`, (card) => {
        card.classList.toggle("lit", card.dataset.mode === mode);
        if (card.dataset.mode === mode) bring(card);
      });
    const row = told.last[part.name];
    if (!before || before.last[part.name] !== row)
      each(`.drawing [data-part="${part.name}"] [data-rows]`, (line) =>
        line.classList.toggle("took", row !== undefined && line.dataset.rows.split(" ").includes(String(row))),
      );
  }
  for (const [name, text] of Object.entries(told.is)) put(`is-${name}`, text);
  (told.pins || []).forEach((text, place) => put(`pin-${place}`, text));
  const last = told.did[0];
  put("last", last ? `${seconds(last.tick)}  ${last.text}` : "");
  const did = told.did.map((each) => `${seconds(each.tick)}  ${each.text}`);
  fill("did", did.join("\n"), () => did.map(item));
}

export const seconds = (tick) => `${((tick * machine.tickMs) / 1000).toFixed(2)} s`;

/** Scroll the picture, where it is wider than its place, so that a card is seen. */
function bring(card) {
  const place = card.closest(".look");
  if (place.scrollWidth <= place.clientWidth) return;
  const [seen, wanted] = [place.getBoundingClientRect(), card.getBoundingClientRect()];
  if (wanted.left < seen.left || wanted.right > seen.right)
    place.scrollLeft += (wanted.left + wanted.right - seen.left - seen.right) / 2;
}

/** Put items into a list if they are not those that are there. */
export function fill(id, as, items) {
  const list = $(id);
  if (!list || list.dataset.is === as) return;
  list.dataset.is = as;
  list.replaceChildren(...items());
}

export function item(text) {
  const made = document.createElement("li");
  made.textContent = text;
  return made;
}

/** The timeline: each part's modes as bands, the newest at the right. */
function drawLine() {
  requestAnimationFrame(drawLine);
  const told = bench.now;
  if (!told) return;
  const canvas = $("line");
  const wide = canvas.clientWidth;
  const high = BAND * machine.parts.length;
  const sharp = devicePixelRatio || 1;
  if (canvas.width !== Math.round(wide * sharp)) canvas.width = Math.round(wide * sharp);
  if (canvas.height !== Math.round(high * sharp)) canvas.height = Math.round(high * sharp);
  if (canvas.clientHeight !== high) canvas.style.height = `${high}px`;
  const pen = canvas.getContext("2d");
  const ink = getComputedStyle(document.body);
  const [paper, dark, shade, go] = ["--shade", "--ink", "--go-card", "--go"].map((name) => ink.getPropertyValue(name));
  pen.setTransform(sharp, 0, 0, sharp, 0, 0);
  pen.clearRect(0, 0, wide, high);
  const ticks = (SPAN_S * 1000) / machine.tickMs;
  const from = Math.max(0, told.tick - ticks);
  const x = (tick) => ((tick - from) / ticks) * wide;
  pen.font = "14px Liberation Sans, Arial, sans-serif";
  machine.parts.forEach((part, row) => {
    const list = told.bands[part.name] || [];
    const top = row * BAND;
    list.forEach(([tick, mode], place) => {
      const end = place + 1 < list.length ? list[place + 1][0] : told.tick;
      if (end < from || !mode) return;
      const left = x(Math.max(tick, from));
      const width = Math.max(1, x(end) - left);
      const stop = machine.kinds[part.name][mode] === "stop";
      pen.fillStyle = stop ? paper : shade;
      pen.fillRect(left, top + 2, width, 28);
      pen.strokeStyle = stop ? dark : go;
      pen.lineWidth = 1.5;
      pen.strokeRect(left, top + 2, width, 28);
      pen.fillStyle = dark;
      if (stop) pen.fillRect(left, top + 26, width, 5);
      const text = mode.replaceAll("_", " ");
      if (pen.measureText(text).width < width - 8) pen.fillText(text, left + 5, top + 20);
    });
  });
}
drawLine();

/** The tick of the timeline at a place of the page. */
export function tickAt(clientX) {
  const { left, width } = $("line").getBoundingClientRect();
  const ticks = (SPAN_S * 1000) / machine.tickMs;
  return Math.round(Math.max(0, bench.now.tick - ticks) + ((clientX - left) / width) * ticks);
}
