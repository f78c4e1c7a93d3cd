// What waits to be sent: little, nothing twice, nothing old, and a halt before all else.

const FRESH_MS = 250;
const MOST_HALTS = 4;

export class Outbox {
  /**
   * write: sends bytes, and resolves once they are handed over. pace: milliseconds that a byte takes on the line, 0 where
   * whoever takes the bytes keeps to the line's pace himself. failed: called when they cannot be sent.
   */
  constructor(write, pace, failed) {
    Object.assign(this, { write, pace, failed, halts: [], others: new Map(), busy: false, closed: false, wake: null });
  }

  /** Let a message wait. An urgent one drops all others; else the newest of a name is the only one. */
  say(name, text, urgent) {
    if (this.closed) return;
    const bytes = new TextEncoder().encode(text);
    if (urgent) {
      this.others.clear();
      if (this.halts.length < MOST_HALTS) this.halts.push(bytes);
      if (this.wake) this.wake();
    } else {
      this.others.set(name, { bytes, since: performance.now() });
    }
    this.pump();
  }

  /** Forget what is not urgent. */
  clear() {
    this.others.clear();
  }

  close() {
    this.closed = true;
    this.halts.length = 0;
    this.others.clear();
  }

  next() {
    if (this.halts.length) return this.halts.shift();
    for (const [name, { bytes, since }] of this.others) {
      this.others.delete(name);
      if (performance.now() - since <= FRESH_MS) return bytes;
    }
    return null;
  }

  async pump() {
    if (this.busy) return;
    this.busy = true;
    try {
      for (let bytes = this.next(); bytes && !this.closed; bytes = this.next()) {
        await this.write(bytes);
        if (this.pace && !this.halts.length) {
          await new Promise((done) => {
            this.wake = done;
            setTimeout(done, bytes.length * this.pace);
          });
          this.wake = null;
        }
      }
    } catch (error) {
      this.close();
      this.failed(error);
    } finally {
      this.busy = false;
    }
  }
}
