// Spoken cues by the browser. Off until it is pressed: browsers speak only after a touch.

/** A sentence later than this is dropped, not spoken late. */
const LATE_MS = 1000;

export class Voice {
  #clock;
  #waiting = [];
  on = false;

  constructor(clock) {
    this.#clock = clock;
  }

  get possible() {
    return "speechSynthesis" in window;
  }

  toggle() {
    this.on = !this.on;
    this.#waiting = [];
    speechSynthesis.cancel();
    if (this.on) this.#speak({ text: "Speaking here", language: "en" });
  }

  /** Speak a `say` event: urgent ones at once, the others after what is being said. */
  say(sentence) {
    if (!this.on || this.#late(sentence)) return;
    if (sentence.urgent) {
      this.#waiting = [];
      speechSynthesis.cancel();
    } else if (speechSynthesis.speaking) {
      this.#waiting.push(sentence);
      return;
    }
    this.#speak(sentence);
  }

  #late(sentence) {
    return this.#clock.now - sentence.utc_ms > LATE_MS;
  }

  #speak(sentence) {
    const utterance = new SpeechSynthesisUtterance(sentence.text);
    utterance.lang = sentence.language;
    utterance.onend = () => {
      let next;
      while ((next = this.#waiting.shift())) if (!this.#late(next)) return this.#speak(next);
    };
    speechSynthesis.speak(utterance);
  }
}
