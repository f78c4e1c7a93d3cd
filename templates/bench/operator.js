// The operator of a real machine: heartbeat, what is held, halt; how the machine is reached, and whether it still is.
import { dialMessage, Reports } from "./frames.js";
import { heldSlider, Holding } from "./holding.js";
import { Outbox } from "./outbox.js";
import { $, each, machine, put } from "./page.js";
import { Stick } from "./stick.js";
import { bluetooth, bridge, serial } from "./ways.js";

/** What the page around does with a report, and whenever something has changed. */
export const around = { report: () => {}, show: () => {} };

const PULSE_MS = 20;
const SLEPT_MS = 500; // a page that has not run for so long was asleep
const LATE_MS = 1500; // something is told twice a second, by the machine or the bridge
const LOST_MS = 3000;
const AGAIN_MS = 1000;
const HALT_AGAIN_MS = 100;
const HALTS = 3;
const CENTRE_MS = 3000; // for so long a stick says that it was let go
const STICK_MS = 40; // a stick that moves says so no more often

let way = null; // how the machine is reached, once it is
let wayName = "";
let outbox = null;
let armed = false; // the operator drives: heartbeat, held buttons
let seat = "free"; // at the bridge: yours, free, taken
let portOpen = true;
let lastWord = 0; // when the machine last said something
let lastNews = 0; // likewise the bridge
let lastPulse = performance.now();
let beatDue = 0;
let haltsLeft = 0;
let haltDue = 0;
let lastHalt = null;
let wrongTable = "";
let reports = new Reports();
const sticks = [];
const due = new Map(); // held buttons: when each is to be sent again
const named = new Map([...machine.halts, ...machine.held, ...machine.once].map((button) => [button.name, button]));

// ------------------------------------------------------------------------------------------------------------ sending

const holding = new Holding(
  (button) => {
    const what = named.get(button.dataset.hold);
    if (!armed) return flash("Press Drive first.");
    button.dataset.on = "";
    send(what);
    due.set(what, performance.now() + what.every);
  },
  (button) => {
    delete button.dataset.on;
    due.delete(named.get(button.dataset.hold));
    if (outbox) outbox.clear();
  },
);

/** Nothing is held any more, whoever may have a finger on it. */
function letGo() {
  holding.releaseAll();
  for (const stick of sticks) stick.release();
}

function send(button) {
  if (outbox && armed) outbox.say(button.name, button.message, false);
}

/** The halt goes out at once, then again a few times: one may be lost on the way. Whoever halts takes the seat. */
function halt(button) {
  const seated = way && (wayName !== "bridge" || seat === "yours");
  if (seated) {
    outbox.say("halt", button.message, true);
    haltsLeft = HALTS - 1;
    haltDue = performance.now() + HALT_AGAIN_MS;
    lastHalt = button;
  }
  letGo(); // only now: a stick says that it is let go, and the halt is before it
  if (!way) flash("Not connected. Use the hardware switch.");
  else if (!seated) way.ask({ do: "drive", halt: button.message });
}

/** Once every few milliseconds, for as long as the page is alive and seen. */
function pulse() {
  const now = performance.now();
  const slept = now - lastPulse > SLEPT_MS;
  lastPulse = now;
  if (slept) letGo();
  else if (due.size && unheard(now)) {
    letGo();
    flash("Nothing has come back for a while. Press again.");
  }
  if (way && armed && !document.hidden) {
    for (const [button, at] of due) {
      if (now < at) continue;
      send(button);
      due.set(button, now + button.every);
    }
    if (machine.beat && now >= beatDue) {
      send(machine.beat);
      beatDue = now + machine.beat.every;
    }
  }
  if (outbox && haltsLeft && now >= haltDue) {
    outbox.say("halt", lastHalt.message, true);
    haltsLeft -= 1;
    haltDue = now + HALT_AGAIN_MS;
  }
}
setInterval(pulse, PULSE_MS);

/** Whether nobody is known to hear: the machine or the bridge was heard before, and is not any more. */
function unheard(now) {
  const last = [machine.reports && lastWord, wayName === "bridge" && lastNews].filter(Boolean);
  return last.some((at) => now - at > LATE_MS);
}

/** Begin to drive: with a halt, whoever drove before. */
function drive() {
  const first = machine.halts[0];
  if (wayName === "bridge") way.ask({ do: "drive", halt: first ? first.message : "" });
  else {
    if (first) halt(first);
    arm();
  }
}

function arm() {
  armed = true;
  beatDue = 0;
  each("[data-dial]", sendDial);
  each("[data-stick]", (plate, place) => {
    const message = dialMessage(machine.checked, plate.dataset.stick, sticks[place].numbers);
    send({ name: plate.dataset.stick, message });
  });
  if (navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
  show();
}

/** Stop driving: nothing more is sent, and the machine stops by its own table. */
function disarm(why) {
  letGo(); // a stick that is held says once more that it is not
  if (armed && wayName === "bridge" && way) way.ask({ do: "leave" });
  armed = false;
  haltsLeft = 0;
  due.clear();
  if (outbox) outbox.clear();
  if (why) flash(why);
  show();
}
document.addEventListener("visibilitychange", () => document.hidden && armed && disarm("You were away. Press Drive to go on."));
addEventListener("pagehide", () => armed && disarm(""));

// --------------------------------------------------------------------------------------------------------- connecting

async function connect(name, any) {
  if (way) return;
  const ways = { serial, bluetooth, bridge };
  try {
    reports = new Reports();
    way = await ways[name].open(machine, { heard, ended, told }, any);
    wayName = name;
    outbox = new Outbox((bytes) => way.write(bytes), way.pace, (error) => ended(error.message));
    lastWord = 0;
    lastNews = 0;
    flash("");
    if (name !== "bridge" && machine.role === "drive") drive();
  } catch (error) {
    way = null;
    if (error.name !== "NotFoundError") flash(error.message); // that one: nothing was chosen
    if (name === "bridge") setTimeout(() => connect("bridge"), AGAIN_MS);
  }
  show();
}

function ended(why) {
  if (!way) return;
  const gone = way;
  const was = wayName;
  disarm(why);
  way = null;
  outbox.close();
  outbox = null;
  seat = "free";
  gone.close();
  if (was === "bridge") setTimeout(() => connect("bridge"), AGAIN_MS);
  show();
}

function told(news) {
  const was = seat;
  lastNews = performance.now();
  seat = news.seat;
  portOpen = news.port === "open";
  put("watching", news.watching ? `${news.watching} watching` : "");
  if (seat === "yours" && was !== "yours") {
    const first = machine.halts[0];
    if (first) halt(first); // again: the bridge has sent one already
    arm();
  } else if (seat !== "yours" && armed) {
    disarm(portOpen ? "Somebody else has taken over, with a halt." : "The bridge has lost the machine's port.");
  }
  show();
}

function heard(bytes) {
  for (const report of reports.feed(bytes)) {
    lastWord = performance.now();
    if (report.table) wrongTable = report.table === machine.table ? "" : report.table;
    around.report(report);
  }
  show();
}

// ------------------------------------------------------------------------------------------------------------- the link

export function flash(text) {
  $("said").textContent = text;
}

function state() {
  if (!way) return ["off", "Not connected"];
  if (!portOpen) return ["lost", "The bridge has no port"];
  if (!machine.reports) return ["blind", "Connected; this machine tells nothing"];
  if (!lastWord) return ["lost", "Connected, no word yet"];
  const age = performance.now() - lastWord;
  return age < LATE_MS ? ["live", "Linked"] : age < LOST_MS ? ["late", "Late"] : ["lost", "No word"];
}

function show() {
  const [kind, word] = state();
  $("link").dataset.state = kind;
  document.body.dataset.link = kind;
  put("word", word);
  put("age", way && lastWord ? `last word ${((performance.now() - lastWord) / 1000).toFixed(1)} s ago` : "");
  const wrong = wrongTable && `The machine runs another table (${wrongTable}) than this page (${machine.table}). What it does may differ.`;
  put("table", wrong);
  $("table").hidden = !wrong;
  document.body.dataset.way = way ? wayName : "none";
  document.body.dataset.armed = armed ? "yes" : "no";
  const go = $("drive");
  go.hidden = !way || armed || machine.role !== "drive";
  const name = wayName === "bridge" && seat === "taken" ? "Take over" : "Drive";
  if (go.firstChild.textContent !== name) go.firstChild.textContent = name;
  around.show();
}
setInterval(show, 100);

// ------------------------------------------------------------------------------------------------------- what is pressed

/** The dials whose numbers go together in one message. */
const together = (input) => [...document.querySelectorAll("[data-dial]")].filter((other) => other.dataset.dial === input.dataset.dial);
const dialText = (input) => dialMessage(machine.checked, input.dataset.dial, together(input).map((other) => other.value));

function sendDial(input) {
  if (outbox && armed) outbox.say(together(input)[0].id, dialText(input), false);
}

/** A stick says where it is whenever it moves and again and again while it is held, and that it is let go at once. */
each("[data-stick]", (plate) => {
  const message = (numbers) => dialMessage(machine.checked, plate.dataset.stick, numbers);
  const name = plate.dataset.stick;
  const what = { every: Number(plate.dataset.every) };
  let lastAt = 0;
  sticks.push(
    new Stick(plate, {
      moved: (numbers) => {
        if (!armed) return flash("Press Drive first.");
        what.name = name;
        what.message = message(numbers);
        const now = performance.now();
        if (!due.has(what) || now - lastAt >= STICK_MS) {
          lastAt = now;
          send(what);
          due.set(what, now + what.every);
        } else {
          due.set(what, Math.min(due.get(what), lastAt + STICK_MS));
        }
      },
      released: (numbers) => {
        due.delete(what);
        if (!armed) return;
        // Again and again for longer than a link that passes nothing goes unnoticed: some may be lost on the way.
        const centre = { name, message: message(numbers) };
        const upTo = performance.now() + CENTRE_MS;
        const again = () => {
          if (due.has(what) || !armed) return;
          send(centre);
          if (performance.now() < upTo) setTimeout(again, what.every);
        };
        again();
      },
    }),
  );
});

each("[data-hold]", (button) => holding.add(button));
each("[data-once]", (button) => {
  const press = () => (armed ? send(named.get(button.dataset.once)) : flash("Press Drive first."));
  button.addEventListener("click", press);
});
each("[data-halt]", (button) => {
  const what = named.get(button.dataset.halt);
  button.addEventListener("pointerdown", (event) => {
    event.preventDefault();
    halt(what);
  });
  button.addEventListener("click", (event) => event.detail === 0 && halt(what)); // by keyboard
});
each("[data-dial]", (input) => {
  let waiting = 0;
  input.addEventListener("input", () => {
    $(`${input.id}-is`).textContent = `${input.value} ${input.dataset.unit}`;
    sendDial(input);
    clearTimeout(waiting);
    waiting = setTimeout(() => sendDial(input), 200); // once more: it may have been lost
  });
});
/** A dial whose message the table asks for is sent again and again while it is held, and no longer. */
each("[data-dial][data-every]", (input) => {
  const what = { name: together(input)[0].id, every: Number(input.dataset.every) };
  Object.defineProperty(what, "message", { get: () => dialText(input) });
  const held = () => {
    if (!armed) return;
    sendDial(input);
    due.set(what, performance.now() + what.every);
  };
  heldSlider(input, held, () => due.delete(what));
});
addEventListener("keydown", (event) => {
  if (event.key === "Escape" && machine.halts[0]) {
    event.preventDefault();
    halt(machine.halts[0]);
  }
});
$("drive").addEventListener("click", drive);
each("#leave", (button) =>
  button.addEventListener("click", () => {
    const gone = way;
    disarm("");
    if (gone && wayName !== "bridge") ended("");
  }),
);
each("[data-connect]", (button) => {
  const [name, any] = button.dataset.connect.split(" ");
  button.hidden = !{ serial, bluetooth }[name].offered() || bridge.offered();
  button.addEventListener("click", () => connect(name, any));
});
const offers = [
  serial.offered() ? "a cable or a radio that shows as a serial port" : "",
  bluetooth.offered() ? "a Bluetooth low energy radio" : "",
].filter(Boolean);
const said = bridge.offered()
  ? "This page speaks to the machine through the bridge that it came from."
  : offers.length
    ? `This browser offers ${offers.join(" and ")}.`
    : "This browser offers no way to a machine. Open this page in Chrome or Edge, on a computer or an Android phone; or " +
      "run “statecraft bridge” on a computer that has the radio, and open the address that it shows.";
put("offers", said);

if (bridge.offered()) connect("bridge");
show();
