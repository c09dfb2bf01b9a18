// The run's clock as this browser can know it, and times in words. No time is taken from the browser's own clock.

const REMEMBERED = 20;

export class RunClock {
  #offsets = [];

  /** Take the instant that a view carries, UTC milliseconds. It is old by its way here, never early. */
  take(nowUtcMs) {
    this.#offsets.push(nowUtcMs - performance.now());
    if (this.#offsets.length > REMEMBERED) this.#offsets.shift();
  }

  forget() {
    this.#offsets = [];
  }

  /** UTC milliseconds by the run's clock: the least delayed of the last views. */
  get now() {
    return performance.now() + Math.max(...this.#offsets);
  }
}

/** The time until an instant: `M:SS`, `H:MM:SS` or `2D 03:00`. Part of a second counts as one. */
export function timeLeft(untilMs, nowMs) {
  const seconds = Math.max(0, Math.ceil((untilMs - nowMs) / 1000));
  const two = (number) => String(number).padStart(2, "0");
  const minutes = Math.floor(seconds / 60);
  const hours = Math.floor(minutes / 60);
  const days = Math.floor(hours / 24);
  if (days) return `${days}D ${two(hours % 24)}:${two(minutes % 60)}`;
  if (hours) return `${hours}:${two(minutes % 60)}:${two(seconds % 60)}`;
  return `${minutes}:${two(seconds % 60)}`;
}

/** An instant on the clocks of the place, `HH:MM:SS`; in UTC where the browser does not know the zone. */
export function localTime(utcMs, timeZone) {
  const how = { hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23" };
  try {
    return new Intl.DateTimeFormat("en-GB", { ...how, timeZone }).format(utcMs);
  } catch {
    return `${new Intl.DateTimeFormat("en-GB", { ...how, timeZone: "UTC" }).format(utcMs)} UTC`;
  }
}
