"use strict";
const pairing = document.getElementById("pairing");
const told = document.getElementById("told");

async function begin() {
  const day = await fetch("/api/day");
  pairing.hidden = day.ok;
  if (!day.ok) return;
  new EventSource("/api/events").addEventListener("view", (event) => {
    const view = JSON.parse(event.data);
    told.textContent = `${view.state}, next ${view.next_contact ?? "nothing"}: ${view.alarm || "all is well"}`;
  });
}

async function pair(code) {
  const headers = { "Content-Type": "application/json" };
  const answer = await fetch("/api/pair", { method: "POST", headers, body: JSON.stringify({ code }) });
  told.textContent = answer.ok ? "" : "This code does not count.";
  await begin();
}

pairing.addEventListener("submit", (event) => {
  event.preventDefault();
  pair(document.getElementById("code").value);
});
if (location.hash.length > 1) {
  const code = location.hash.slice(1);
  history.replaceState(null, "", "/");
  pair(code);
} else {
  begin();
}
