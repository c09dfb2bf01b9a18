// The day as a picture: each rig's phases and frames, the holds, the contacts, and now. And the same in words.

import { localTime } from "./clock.js";

const SVG = "http://www.w3.org/2000/svg";
const TOP = 18;
const FOOT = 16;
const BINS = 160;
const ROOM_MS = 60_000;

export class DayPicture {
  #day;
  #box;
  #strips = [];
  #width = 0;

  constructor(box, words, day) {
    this.#box = box;
    this.#day = day;
    const all = [...day.contacts.map((one) => one.utc_ms)];
    for (const phase of day.phases) all.push(phase.starts_utc_ms, phase.ends_utc_ms);
    const whole = { label: "the whole day", from: Math.min(...all), to: Math.max(...all) };
    const off = day.holds.filter((hold) => hold.needs === "off");
    this.#strips = [whole];
    if (off.length) {
      const back = day.contacts.find((one) => one.name === "C3")?.utc_ms ?? off[0].closes_utc_ms;
      const from = Math.min(...off.map((hold) => hold.opens_utc_ms)) - ROOM_MS;
      const to = Math.max(back, ...off.map((hold) => hold.closes_utc_ms)) + ROOM_MS;
      if (to - from < (whole.to - whole.from) / 2) this.#strips.push({ label: "around totality", from, to });
    }
    this.#tell(words);
    this.draw();
  }

  /** Draw all but now; again when the width has changed. */
  draw() {
    const width = Math.max(200, this.#box.clientWidth);
    if (width === this.#width) return;
    this.#width = width;
    this.#box.replaceChildren(...this.#strips.map((strip) => this.#draw(strip, width)));
  }

  /** Set now. */
  point(nowMs) {
    for (const strip of this.#strips) {
      const inside = nowMs >= strip.from && nowMs <= strip.to;
      strip.now.setAttribute("visibility", inside ? "visible" : "hidden");
      if (inside) strip.now.setAttribute("transform", `translate(${strip.x(nowMs)} 0)`);
    }
  }

  #draw(strip, width) {
    const day = this.#day;
    const lane = day.rigs.length > 4 ? 9 : 16;
    const height = TOP + day.rigs.length * (lane + 3) + FOOT;
    const svg = make("svg", { viewBox: `0 0 ${width} ${height}`, width, height, role: "img" });
    svg.setAttribute("aria-label", `A picture of ${strip.label}; the same is told in words below it.`);
    strip.x = (utcMs) => Math.round(((utcMs - strip.from) / (strip.to - strip.from)) * (width - 2) * 10) / 10 + 1;
    const clip = (utcMs) => strip.x(Math.min(strip.to, Math.max(strip.from, utcMs)));

    day.rigs.forEach((rig, number) => {
      const y = TOP + number * (lane + 3);
      for (const phase of day.phases.filter((one) => one.rig === rig.name)) {
        const from = clip(phase.starts_utc_ms);
        const length = Math.max(1.5, clip(phase.ends_utc_ms) - from);
        if (phase.ends_utc_ms < strip.from || phase.starts_utc_ms > strip.to) continue;
        const kind = phase.filter === "off" ? "bare" : phase.filter === "on" ? "filtered" : "no-filter";
        svg.append(make("rect", { class: kind, x: from, y, width: length, height: lane }));
      }
      svg.append(make("path", { class: "frames", d: frames(day.frames[rig.name] ?? [], strip, y, lane) }));
      for (const hold of day.holds.filter((one) => one.rig === rig.name)) {
        if (hold.due_utc_ms < strip.from || hold.due_utc_ms > strip.to) continue;
        const x = strip.x(hold.due_utc_ms);
        svg.append(make("path", { class: "hold-mark", d: `M${x - 4} ${y - 2}h8l-4 6z` }));
      }
    });
    let free = 0;
    for (const contact of day.contacts) {
      if (contact.utc_ms < strip.from || contact.utc_ms > strip.to) continue;
      const x = strip.x(contact.utc_ms);
      svg.append(make("path", { class: "contact", d: `M${x} ${TOP - 4}V${height - FOOT + 2}` }));
      if (x - 12 < free) continue;
      const anchor = x < 14 ? "start" : x > width - 14 ? "end" : "middle";
      svg.append(make("text", { x, y: 12, "text-anchor": anchor }, contact.name));
      free = x + 14;
    }
    svg.append(make("text", { x: 1, y: height - 3 }, strip.label));
    strip.now = make("g", { class: "now-mark", visibility: "hidden" });
    strip.now.append(make("path", { d: `M0 ${TOP - 4}V${height - FOOT + 3}M-5 ${height - FOOT + 9}l5 -7l5 7z` }));
    svg.append(strip.now);
    return svg;
  }

  #tell(list) {
    const day = this.#day;
    const at = (utcMs) => localTime(utcMs, day.time_zone);
    const lines = day.contacts.map((one) => `${one.name} at ${at(one.utc_ms)}`);
    for (const phase of day.phases) {
      const due = (day.frames[phase.rig] ?? []).filter(
        (utcMs) => utcMs >= phase.starts_utc_ms && utcMs <= phase.ends_utc_ms,
      );
      lines.push(
        `${phase.rig}, ${phase.name}: ${at(phase.starts_utc_ms)} to ${at(phase.ends_utc_ms)}, ` +
          `filter ${phase.filter.toUpperCase()}, ${due.length} frames`,
      );
    }
    list.replaceChildren(
      ...lines.map((line) => Object.assign(document.createElement("li"), { textContent: line })),
    );
  }
}

/** How dense the frames are: a stroke for each stretch of the strip, as high as they are many. */
function frames(due, strip, y, lane) {
  const bins = new Array(BINS).fill(0);
  for (const utcMs of due) {
    const bin = Math.floor(((utcMs - strip.from) / (strip.to - strip.from)) * BINS);
    if (bin >= 0 && bin < BINS) bins[bin] += 1;
  }
  const most = Math.max(1, ...bins);
  const step = (strip.to - strip.from) / BINS;
  return bins
    .map((count, bin) => {
      if (!count) return "";
      const high = Math.max(2, Math.round((count / most) * (lane - 2)));
      return `M${strip.x(strip.from + (bin + 0.5) * step)} ${y + lane - 1}v${-high}`;
    })
    .join("");
}

function make(name, attributes, text = "") {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  element.textContent = text;
  return element;
}
