// The stream of events, and whether anything still comes. It heals by itself.

const BEAT_MS = 100;
/** Views come twice a second at least. */
const LOST_MS = 1500;
const AGAIN_MS = 1500;

export class Link {
  #source = null;
  #heardMs = 0;
  #heardDateMs = 0;
  #triedMs = 0;
  #opening = null;
  #told = 0;
  #on;

  /** `on` takes `day`, `view`, `say`, `stranger` (not paired) and `beat`. */
  constructor(on) {
    this.#on = on;
    setInterval(() => this.#beat(), BEAT_MS);
  }

  /** Seconds without news, whole ones; 0 while news comes. */
  get silentS() {
    // The steady clock of some browsers stands still while the phone sleeps; the other one does not.
    const silentMs = Math.max(performance.now() - this.#heardMs, Date.now() - this.#heardDateMs);
    return this.#heardMs && silentMs > LOST_MS ? Math.max(1, Math.floor(silentMs / 1000)) : 0;
  }

  /** Ask for the day and listen; true when this browser is paired and the run answers. */
  open() {
    this.#triedMs = performance.now();
    if (!this.#heardMs) this.#news();
    this.#opening ??= this.#open().finally(() => (this.#opening = null));
    return this.#opening;
  }

  async #open() {
    try {
      const answer = await fetch("/api/day", { signal: AbortSignal.timeout(AGAIN_MS) });
      if (answer.status === 403) {
        this.close();
        this.#on.stranger();
        return false;
      }
      if (!answer.ok) return false;
      this.#on.day(await answer.json());
      this.#listen();
      return true;
    } catch {
      return false; // the beat tries again
    }
  }

  close() {
    this.#source?.close();
    this.#source = null;
    this.#heardMs = 0;
  }

  #news() {
    this.#heardMs = performance.now();
    this.#heardDateMs = Date.now();
  }

  #listen() {
    this.#source?.close();
    this.#source = new EventSource("/api/events");
    this.#source.addEventListener("view", (event) => {
      const view = JSON.parse(event.data);
      if (view.now_utc_ms !== this.#told) this.#news(); // the last view once more is no news
      this.#told = view.now_utc_ms;
      this.#on.view(view);
    });
    this.#source.addEventListener("say", (event) => this.#on.say(JSON.parse(event.data)));
  }

  #beat() {
    if (this.silentS && performance.now() - this.#triedMs > AGAIN_MS) this.open();
    this.#on.beat();
  }
}
