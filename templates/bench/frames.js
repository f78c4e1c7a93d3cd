// The bytes of a link: what is sent, and the machine's reports (samples/REPORTS.md).

/** The exclusive or of a text's bytes. */
export function checksum(text) {
  let sum = 0;
  for (const char of text) sum ^= char.charCodeAt(0);
  return sum;
}

/** The message that sets dials to whole numbers in the symbols of their units. */
export function dialMessage(checked, prefix, numbers) {
  const text = prefix + numbers.join(",");
  if (!checked) return text + "\n";
  return `$${text}*${checksum(text).toString(16).toUpperCase().padStart(2, "0")}`;
}

/** Takes bytes as they come, and gives reports. Lines that are damaged are counted, and change nothing. */
export class Reports {
  line = null;
  damaged = 0;

  feed(bytes) {
    const found = [];
    for (const byte of bytes) {
      if (byte === 0x3e) {
        this.damaged += this.line !== null;
        this.line = "";
      } else if (this.line === null) {
        continue;
      } else if (byte === 13 || byte === 10) {
        const report = readReport(this.line);
        this.line = null;
        if (report) found.push(report);
        else this.damaged += 1;
      } else if (this.line.length >= 200) {
        this.line = null;
        this.damaged += 1;
      } else {
        this.line += String.fromCharCode(byte);
      }
    }
    return found;
  }
}

/** What the text between `>` and the line's end says; null when it is no report. */
export function readReport(line) {
  const whole = /^([a-z])([0-9a-f]+(?:,[0-9a-f]+)*)\*([0-9a-f]{2})$/.exec(line);
  if (!whole || checksum(line.slice(0, -3)) !== parseInt(whole[3], 16)) return null;
  const n = whole[2].split(",").map((word) => parseInt(word, 16));
  const table = (number) => number.toString(16).padStart(8, "0");
  switch (whole[1]) {
    case "s": return n.length === 2 ? { kind: "started", cause: n[0], table: table(n[1]) } : null;
    case "t": return n.length === 1 ? { kind: "table", table: table(n[0]) } : null;
    case "r": return n.length === 3 ? { kind: "row", tick: n[0], part: n[1], row: n[2] } : null;
    case "b": return n.length > 2 ? { kind: "modes", tick: n[0], first: n[1], modes: n.slice(2) } : null;
    case "n": return n.length > 2 ? { kind: "counters", first: n[1], values: n.slice(2).map((value) => value - (value >> 15 << 16)) } : null;
    case "o": case "p": return { kind: "more" };
    case "c": return n.length === 5 ? { kind: "counts", counts: n } : null;
    default: return null;
  }
}
