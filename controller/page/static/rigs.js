// One row a rig: the filter said and asked, frames, card, battery, what is wrong, the last picture.

export class Rigs {
  #list;
  #rows = new Map();
  #pick;

  /** `pick(name)` is called when a rig's name is pressed. */
  constructor(list, pick) {
    this.#list = list;
    this.#pick = pick;
  }

  /** Show the rigs of a view; `selected` is the rig that the next word is for, null: all. */
  show(rigs, selected) {
    const names = rigs.map((rig) => rig.name);
    if (names.join("\n") !== [...this.#rows.keys()].join("\n")) this.#make(names);
    this.#list.classList.toggle("many", rigs.length > 3);
    for (const rig of rigs) {
      const row = this.#rows.get(rig.name);
      row.item.classList.toggle("asked", rig.filter_asked !== null);
      row.item.classList.toggle("troubled", rig.troubles.length > 0);
      if (row.name.getAttribute("aria-pressed") !== null) {
        row.name.setAttribute("aria-pressed", String(rig.name === selected));
      }
      const said = rig.filter_said === "not needed" ? "none" : rig.said_short.toUpperCase();
      setText(row.said, said);
      row.said.dataset.said = rig.filter_said;
      setText(row.asked, rig.filter_asked === null ? "" : `asked ${rig.asked_short}`);
      setText(row.fired, `${rig.fired}/${rig.planned}`);
      const lost = [];
      if (rig.missed) lost.push(`${rig.missed} missed`);
      if (rig.failed) lost.push(`${rig.failed} failed`);
      setText(row.lost, lost.join(", ") || "0 missed");
      row.lost.classList.toggle("bad", lost.length > 0);
      setText(row.card, rig.frames_left === null ? "card ?" : `card ${rig.frames_left}`);
      setText(row.battery, rig.battery_percent === null ? "batt. ?" : `batt. ${rig.battery_percent}%`);
      setText(row.trouble, rig.troubles.length ? `! ${rig.troubles.join("; ")}` : "");
      this.#picture(row, rig);
    }
  }

  #make(names) {
    this.#rows.clear();
    this.#list.replaceChildren();
    for (const name of names) {
      const item = document.createElement("li");
      const row = { item };
      row.name = document.createElement(names.length > 1 ? "button" : "strong");
      row.name.className = "rig-name";
      row.name.textContent = name;
      if (names.length > 1) {
        row.name.type = "button";
        row.name.setAttribute("aria-pressed", "false");
        row.name.title = `The next word only for ${name}`;
        row.name.addEventListener("click", () => this.#pick(name));
      }
      const facts = document.createElement("p");
      facts.className = "facts";
      for (const [key, before] of [
        ["said", "filter "], ["asked", ""], ["fired", "fired "], ["lost", ""], ["card", ""], ["battery", ""],
      ]) {
        row[key] = document.createElement("span");
        row[key].className = key;
        const fact = document.createElement("span");
        fact.className = "fact";
        fact.append(before, row[key], " ");
        facts.append(fact);
      }
      row.trouble = document.createElement("p");
      row.trouble.className = "trouble";
      row.picture = document.createElement("img");
      row.picture.hidden = true;
      row.picture.alt = `Last picture of ${name}`;
      row.picture.addEventListener("error", () => (row.picture.hidden = true));
      item.append(row.name, facts, row.picture, row.trouble);
      this.#list.append(item);
      this.#rows.set(name, row);
    }
  }

  #picture(row, rig) {
    if (rig.picture === null || row.number === rig.picture) return;
    row.number = rig.picture;
    row.picture.hidden = false;
    row.picture.src = `/api/pictures/${encodeURIComponent(rig.name)}?number=${rig.picture}`;
  }
}

/** Change a text only where it differs: nothing is drawn or read out anew for nothing. */
export function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
