// A button that takes a deliberate act: held down by finger, mouse or key. A touch that is too short, or made by
// something that cannot hold, asks for a second act instead.

const HOLD_MS = 800;
/** A finger may slip off the button by so much. */
const SLIP_PX = 30;
const CLICK_FOLLOWS_MS = 500;

/** `meant()` says what the button means now; `held(meaning)` and `tapped(meaning)` take it. */
export function holdable(button, { meant, held, tapped }) {
  let timer = 0;
  let meaning = null;
  let touchedMs = -Infinity;

  function begin() {
    meaning = meant();
    if (!meaning || timer) return;
    button.classList.add("holding");
    timer = setTimeout(() => {
      end();
      navigator.vibrate?.(60);
      held(meaning);
    }, HOLD_MS);
  }

  function end() {
    clearTimeout(timer);
    timer = 0;
    button.classList.remove("holding");
  }

  function letGo() {
    if (!timer) return;
    end();
    tapped(meaning);
  }

  button.addEventListener("pointerdown", (event) => {
    if (!event.isPrimary || event.button !== 0) return;
    button.setPointerCapture(event.pointerId);
    begin();
  });
  button.addEventListener("pointermove", (event) => {
    const box = button.getBoundingClientRect();
    const away =
      event.clientX < box.left - SLIP_PX || event.clientX > box.right + SLIP_PX ||
      event.clientY < box.top - SLIP_PX || event.clientY > box.bottom + SLIP_PX;
    if (away) end();
  });
  button.addEventListener("pointerup", () => {
    touchedMs = performance.now();
    letGo();
  });
  button.addEventListener("pointercancel", end);
  button.addEventListener("blur", end);
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    if (!event.repeat) begin();
  });
  button.addEventListener("keyup", (event) => {
    if (event.key !== "Enter" && event.key !== " ") return;
    event.preventDefault();
    letGo();
  });
  button.addEventListener("click", () => {
    // One that follows a touch has been dealt with; one of its own comes from a screen reader or a switch.
    const follows = performance.now() - touchedMs < CLICK_FOLLOWS_MS;
    touchedMs = -Infinity;
    const meansNow = meant();
    if (!follows && meansNow) tapped(meansNow);
  });
}
