// The page of a run: what to do now, the rigs, the day; and the operator's words.

import { RunClock, localTime, timeLeft } from "./clock.js";
import { DayPicture } from "./daypicture.js";
import { holdable } from "./hold.js";
import { Link } from "./link.js";
import { Rigs, setText } from "./rigs.js";
import { Voice } from "./voice.js";
import { Words, spoken } from "./words.js";

const OVER = ["stopped", "finished"];
const STATES = ["on", "off"];
/** A second act counts so long; the service forgets its question a little later. */
const QUESTION_MS = 12_000;
/** The second act cannot be the end of the first. */
const QUESTION_DEAF_MS = 350;

const $ = (id) => document.getElementById(id);
const clock = new RunClock();
const voice = new Voice(clock);
const rigs = new Rigs($("rigs"), pick);
const words = new Words({ told, question: ask, stranger });
const link = new Link({ day: takeDay, view: takeView, say: takeSentence, stranger, beat });

let day = null;
let view = null;
let picture = null;
let selected = null;
let drawnDay = "";
let announced = { asked: "", wrong: "", said: "", lost: false };
let yes = null;
let yesFromMs = 0;
let questionTimer = 0;
let questionAsked = "";
let askedFrom = null;
let screenLock = null;

// --- what comes ---------------------------------------------------------------------------------

function takeDay(newDay) {
  $("pairing").hidden = true;
  day = newDay;
  if (drawnDay === JSON.stringify(day)) return;
  drawnDay = JSON.stringify(day);
  setText($("day-title"), day.title);
  $("cue-text").lang = day.language;
  show(true);
  picture = new DayPicture($("day-picture"), $("day-words"), day);
}

function takeView(newView) {
  if (view && newView.now_utc_ms < view.now_utc_ms) clock.forget(); // another run, by another time
  if (newView.now_utc_ms !== view?.now_utc_ms) clock.take(newView.now_utc_ms); // else told once more
  const before = view;
  view = newView;
  words.take(view.heard);
  if (askedKey(before) !== askedKey(view)) {
    if (!document.querySelector(".holding")) selected = null;
    if (questionAsked && questionAsked !== askedKey(view)) closeQuestion();
    if (before && !view.asked) words.settled();
  }
  show(true);
  render();
}

function takeSentence(sentence) {
  if (view) voice.say(sentence);
}

/** This browser is not paired, or not any more. */
function stranger() {
  link.close();
  view = null;
  drawnDay = "";
  announced = { asked: "", wrong: "", said: "", lost: false };
  shout("");
  closeQuestion();
  show(false);
  $("pairing").hidden = false;
  document.title = "holdfire";
}

function show(run) {
  document.body.classList.toggle("running", run);
}

function askedKey(of) {
  return of ? `${of.state} ${of.rigs.map((rig) => rig.filter_asked ?? "").join(",")}` : "";
}

// --- what is shown ------------------------------------------------------------------------------

function beat() {
  if (view) render();
}

/** Seconds without news that matter: after the end none do. */
function silentS() {
  return OVER.includes(view.state) ? 0 : link.silentS;
}

function render() {
  const lostS = silentS();
  // An old view may ask for what is no longer safe: without news nothing is asked.
  const asked = lostS || OVER.includes(view.state) ? null : view.asked;
  const now = clock.now;
  document.body.classList.toggle("lost", lostS > 0);
  document.body.dataset.asked = asked ?? "";
  setText($("run-state"), day.wording.states[view.state]);
  setText($("clock"), localTime(now, view.time_zone));
  renderNow(asked, lostS, now);
  renderWords(asked);
  rigs.show(view.rigs, selected);
  $("rigs-hint").hidden = view.rigs.length < 2;
  const over = OVER.includes(view.state);
  $("pause").hidden = $("stop").hidden = over;
  $("go-on").hidden = over || !view.rigs.some((rig) => rig.paused);
  setText($("pause"), selected ? `Pause ${selected}` : "Pause");
  setText($("go-on"), selected ? `Go on ${selected}` : "Go on");
  picture?.point(now);
  announce(asked, lostS);
}

function renderNow(asked, lostS, now) {
  const [top, figures] = headline(asked, lostS, now);
  setText($("headline-top"), top);
  setText($("headline-figures"), figures);
  $("headline").style.setProperty("--characters", Math.max(3, figures.length));
  $("headline").classList.toggle("in-letters", !/\d/.test(figures));
  const paused = view.state === "paused" && asked ? ` ${view.to_do}` : "";
  const noNews = day.wording.no_news.replace("{seconds}", lostS);
  setText(
    $("sentence"),
    lostS ? `${noNews} Go by the terminal. In doubt the filter goes ON.` : asked ? view.ask + paused : view.to_do,
  );
  const other = asked === "on" ? "off" : "on";
  const others = view.rigs.filter((rig) => rig.filter_asked === other).map((rig) => rig.name);
  $("then").hidden = !asked || !others.length;
  setText($("then"), others.length ? `Then filter ${other.toUpperCase()}: ${others.join(", ")}.` : "");
  $("wrong").hidden = !view.wrong;
  setText($("wrong-text"), view.wrong);
  const over = OVER.includes(view.state);
  let coming = over ? "" : "All contacts are past.";
  if (view.next_contact !== null) {
    const left = timeLeft(view.next_contact_utc_ms, now);
    const counted = figures === left ? "" : `in ${left}, `;
    coming = `${view.next_contact} ${counted}at ${localTime(view.next_contact_utc_ms, view.time_zone)}`;
  }
  setText($("coming"), coming);
  const cue = view.next_cue && view.next_cue_utc_ms !== null && !lostS;
  setText($("cue-when"), cue ? `In ${timeLeft(view.next_cue_utc_ms, now)} you hear:` : "");
  setText($("cue-text"), cue ? `“${view.next_cue}”` : "");
  setText($("caution"), `Caution: ${asked || lostS || yes ? day.wording.caution : day.wording.caution_short}`);
  document.title = asked ? `FILTER ${asked.toUpperCase()} - holdfire` : lostS ? "NO NEWS - holdfire" : "holdfire";
}

/** The biggest thing: a line above, and the word or figures. */
function headline(asked, lostS, now) {
  if (OVER.includes(view.state)) return ["", day.wording.states[view.state]];
  if (lostS) return ["NO NEWS", `${lostS} s`];
  if (asked) return ["FILTER", asked.toUpperCase()];
  if (view.looks_bare) return ["! FILTER", "ON"];
  if (view.state === "paused") return ["", day.wording.states.paused];
  const mark = view.wrong ? "! " : "";
  if (view.next_contact === null) return [mark, "LAST"];
  return [`${mark}${view.next_contact.toUpperCase()} in`, timeLeft(view.next_contact_utc_ms, now)];
}

function renderWords(asked) {
  const withFilter = view.rigs.filter((rig) => rig.filter_said !== "not needed");
  const none = !withFilter.length || OVER.includes(view.state);
  $("words").classList.toggle("nothing-to-say", none);
  for (const state of STATES) {
    const button = $(`word-${state}`);
    const meaning = meant(state);
    const word = state.toUpperCase();
    button.disabled = meaning === null;
    button.classList.toggle("asked", asked === state && meaning !== null);
    const many = meaning !== null && meaning.count > 1;
    const fact = many ? `they ALL are ${word}` : `it IS ${word}`;
    setText(button.firstElementChild, asked === state ? `Hold here when ${fact}` : `Filter IS ${word}`);
    const rigsText = meaning === null ? `${selected ?? ""} has no filter` : meaning.rigs;
    const how = button.classList.contains("holding") ? "keep holding" : asked === state ? "not before" : "hold";
    setText(button.lastElementChild, `${how} · ${rigsText}`);
  }
}

/** Tell a screen reader what is new, and nothing each second. */
function announce(asked, lostS) {
  const key = asked ? askedKey(view) : "";
  if (key !== announced.asked) {
    announced.asked = key;
    if (asked) alarm(`FILTER ${asked.toUpperCase()}. ${view.ask} ${day.wording.caution_short}`);
    else shout(""); // nobody who reads on from here may find what is asked no more
  }
  if (view.wrong !== announced.wrong) {
    announced.wrong = view.wrong;
    if (view.wrong) alarm(view.wrong);
    else if (!asked) shout("");
  }
  if ((lostS > 0) !== announced.lost) {
    announced.lost = lostS > 0;
    if (lostS) alarm(day.wording.no_news.replace("{seconds}", lostS));
    else tell("The run is heard again.", "en");
  }
  if (view.last_said !== announced.said) {
    announced.said = view.last_said;
    if (!voice.on) tell(view.last_said, day.language);
  }
}

/** What is new and urgent is read out, and seen wherever somebody has scrolled to. */
function alarm(text) {
  document.querySelector("main").scrollTo(0, 0);
  scrollTo(0, 0);
  shout(text);
}

function shout(text) {
  setText($("assertive"), text);
}

/** Have a screen reader say it when it has time, in its language. */
function tell(text, language) {
  $("polite").lang = language;
  setText($("polite"), text);
}

// --- what is said -------------------------------------------------------------------------------

/** What the word "on" or "off" means now; null when it means nothing. */
function meant(state) {
  if (!view) return null;
  const withFilter = view.rigs.filter((rig) => rig.filter_said !== "not needed");
  if (selected !== null) {
    const known = withFilter.some((rig) => rig.name === selected);
    return known ? { kind: "filter", state, rig: selected, rigs: `only ${selected}`, count: 1 } : null;
  }
  if (!withFilter.length) return null;
  const asked = withFilter.filter((rig) => rig.filter_asked === state);
  const meansAll = !asked.length || asked.length === withFilter.length;
  const those = meansAll ? withFilter : asked;
  const names = those.map((rig) => rig.name).join(", ");
  const rigs = meansAll && those.length > 1 ? "all rigs" : names;
  return { kind: "filter", state, rig: null, rigs, count: those.length };
}

function say(meaning) {
  closeQuestion();
  words.say(meaning, view.now_utc_ms);
  selected = null;
  render();
}

/** A touch too short, or made by what cannot hold: ask before it counts. */
function tapped(meaning) {
  const text = `Held too briefly. Is it so: ${spoken(meaning)}?`;
  ask(text, spoken(meaning), () => say(meaning));
}

function pick(name) {
  selected = selected === name ? null : name;
  render();
}

for (const state of STATES) {
  holdable($(`word-${state}`), { meant: () => meant(state), held: say, tapped });
}
for (const [id, kind] of [["pause", "pause"], ["go-on", "go on"], ["stop", "stop"]]) {
  $(id).addEventListener("click", () => {
    const rig = kind === "stop" ? null : selected;
    if (view) say({ kind, rig, rigs: rig ?? "all rigs" });
  });
}

function told(stage, text) {
  $("told").dataset.stage = stage;
  setText($("told"), text);
  if (stage === "not-heard") shout(text);
}

function ask(text, label, then) {
  askedFrom ??= document.activeElement;
  yes = then;
  yesFromMs = performance.now() + QUESTION_DEAF_MS;
  questionAsked = label.startsWith("filter") ? askedKey(view) : "";
  setText($("question-text"), text);
  setText($("question-yes"), `Yes: ${label}`);
  $("question").hidden = false;
  $("question-no").focus({ preventScroll: true });
  clearTimeout(questionTimer);
  questionTimer = setTimeout(closeQuestion, QUESTION_MS);
}

function closeQuestion() {
  clearTimeout(questionTimer);
  yes = null;
  questionAsked = "";
  const inside = $("question").contains(document.activeElement);
  $("question").hidden = true;
  if (inside) askedFrom?.focus({ preventScroll: true }); // where the keyboard was before the question
  askedFrom = null;
}

$("question-yes").addEventListener("click", () => {
  if (!yes || performance.now() < yesFromMs) return;
  const then = yes;
  closeQuestion();
  then();
});
$("question-no").addEventListener("click", closeQuestion);
addEventListener("keydown", (event) => {
  if (event.key === "Escape") closeQuestion();
});

// --- pairing ------------------------------------------------------------------------------------

async function pair() {
  const refused = $("pairing-told");
  setText(refused, "");
  try {
    const answer = await fetch("/api/pair", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ code: $("code").value }),
      signal: AbortSignal.timeout(5000),
    });
    if (answer.ok) {
      $("code").value = "";
      await link.open();
      return;
    }
    const { detail } = await answer.json();
    setText(refused, typeof detail === "string" ? detail : "This is no code. Write the eight digits.");
  } catch {
    setText(refused, "The computer of the run does not answer. Are both on the same network?");
  }
  $("code").focus();
}

$("pairing-form").addEventListener("submit", (event) => {
  event.preventDefault();
  pair();
});
$("leave").addEventListener("click", async () => {
  try {
    await fetch("/api/leave", { method: "POST", signal: AbortSignal.timeout(5000) });
    stranger();
  } catch {
    told("not-heard", "The computer of the run does not answer: this browser is still paired.");
  }
});

// --- the browser --------------------------------------------------------------------------------

function namePalette() {
  const other = document.documentElement.dataset.palette === "night" ? "Day" : "Night";
  setText($("palette"), other);
  $("palette").setAttribute("aria-label", `${other} colours`);
}

$("palette").addEventListener("click", () => {
  const root = document.documentElement;
  root.dataset.palette = root.dataset.palette === "night" ? "day" : "night";
  try {
    localStorage.setItem("palette", root.dataset.palette);
  } catch {
    // no storage: it counts until the page is closed
  }
  namePalette();
});

$("speak").addEventListener("click", () => {
  voice.toggle();
  $("speak").setAttribute("aria-pressed", String(voice.on));
  setText($("speak"), voice.on ? "Speaking" : "Speak here");
});
if (!voice.possible) $("speak").remove();

async function keepScreenOn() {
  if (!navigator.wakeLock) {
    setText($("screen-note"), "This browser cannot keep the screen on here: set the phone itself to do so.");
    return;
  }
  try {
    const held = screenLock && !screenLock.released;
    if (document.visibilityState === "visible" && !held) screenLock = await navigator.wakeLock.request("screen");
  } catch {
    // refused now, as with a low battery: tried again at the next touch
  }
}

document.addEventListener("visibilitychange", keepScreenOn);
addEventListener("pointerdown", keepScreenOn, { once: true });
new ResizeObserver(() => picture?.draw()).observe($("day-picture"));

function useCode() {
  const code = location.hash.slice(1);
  if (!code) return;
  history.replaceState(null, "", "/");
  $("code").value = code;
  return code;
}

async function begin() {
  const code = useCode();
  if (!(await link.open()) && code && !$("pairing").hidden) await pair();
}

addEventListener("hashchange", begin);
addEventListener("pageshow", (event) => {
  if (event.persisted) begin();
});
namePalette();
keepScreenOn();
begin();
