"use strict";
// Before anything is drawn: the palette that was chosen, or the one the system asks for. Nobody is dazzled at night.
{
  let chosen = null;
  try {
    chosen = localStorage.getItem("palette");
  } catch {
    // no storage: the system's wish counts
  }
  const system = matchMedia("(prefers-color-scheme: light)").matches ? "day" : "night";
  document.documentElement.dataset.palette = ["day", "night"].includes(chosen) ? chosen : system;
}
