// What the operator says, on its way: sent, heard by the engine, or not heard.

const HEARD_WITHIN_MS = 2000;
const GIVE_UP_MS = 4000;
const SHOWN_MS = 6000;

/** A word as the terminal says it back. */
export function spoken({ kind, state, rigs }) {
  if (kind === "stop") return "stop the run";
  if (kind === "filter") return `filter is ${state.toUpperCase()} (${rigs})`;
  return `${kind} (${rigs})`;
}

export class Words {
  #on;
  #word = null;
  #timer = 0;

  /** `on` takes `told(stage, text)`, `question(text, yes)` and `stranger()`. */
  constructor(on) {
    this.#on = on;
  }

  /** Say a word: `kind`, `state`, `rig` (null: all), `rigs` (for people), at sight of the view of `seenUtcMs`. */
  say(meaning, seenUtcMs) {
    const { kind, state = null, rig = null } = meaning;
    this.#send({ id: newId(), kind, state, rig, confirmed: false, seen_utc_ms: seenUtcMs }, spoken(meaning));
  }

  /** Look in a view for what the engine has heard. */
  take(heard) {
    if (this.#word && heard.includes(this.#word.id)) {
      this.#on.told("heard", `HEARD: ${this.#word.text}`);
      navigator.vibrate?.([40, 60, 40]);
      this.#word = null;
      this.#after(SHOWN_MS, () => this.#on.told("", ""));
    }
  }

  /** What was asked has been settled otherwise: a word that was not heard is worth no alarm any more. */
  settled() {
    if (!this.#word) return;
    this.#word = null;
    this.#after(0, () => this.#on.told("", ""));
  }

  async #send(body, text) {
    this.#word = { id: body.id, text };
    const mine = this.#word;
    this.#on.told("sent", `Sent, not heard yet: ${text}`);
    this.#after(HEARD_WITHIN_MS, () => this.#notHeard());
    let answer;
    try {
      answer = await fetch("/api/words", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(body),
        signal: AbortSignal.timeout(GIVE_UP_MS),
      });
      if (this.#word !== mine) return;
      if (answer.status === 202) return;
      if (answer.status === 403) return void this.#on.stranger();
      const said = await answer.json();
      if (this.#word !== mine) return;
      clearTimeout(this.#timer);
      if (answer.status === 409) {
        this.#on.told("", "");
        this.#word = null;
        this.#on.question(said.question, text, () => this.#send({ ...body, confirmed: true }, text));
      } else {
        this.#on.told("not-heard", `NOT HEARD: ${text}. ${typeof said.detail === "string" ? said.detail : ""}`);
      }
    } catch {
      if (this.#word === mine) this.#notHeard();
    }
  }

  #notHeard() {
    this.#on.told("not-heard", `NOT HEARD: ${this.#word.text}. Say it again, here or at the terminal.`);
  }

  #after(ms, what) {
    clearTimeout(this.#timer);
    this.#timer = setTimeout(what, ms);
  }
}

/** A random UUID (RFC 9562, version 4); `randomUUID` is only there over HTTPS and on this computer. */
function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}
