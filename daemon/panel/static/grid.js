// The grid as a map of figures, and one spot with its attempts.

import { $, h, figure, say, unbroken } from "./dom.js";

const cells = new Map();
let shape = "";
let chosen = null;
let shownSpot = "";

const LABEL = { unread: "", accepted: "", doubtful: "doubtful", confirmed: "confirmed", void: "no value" };

const letters = (column) => (column < 26 ? String.fromCharCode(65 + column) : `A${String.fromCharCode(39 + column)}`);

function build(test) {
  const { columns, rows } = test.grid;
  shape = JSON.stringify(test.grid);
  cells.clear();
  const head = h("tr", {}, h("td"));
  for (let column = 0; column < columns; column += 1) head.append(h("th", { scope: "col" }, letters(column)));
  const body = h("tbody");
  for (let row = 0; row < rows; row += 1) {
    const line = h("tr", {}, h("th", { scope: "row" }, String(row + 1)));
    for (let column = 0; column < columns; column += 1) {
      const name = `${letters(column)}${row + 1}`;
      const cell = {
        button: h("button", { type: "button", class: "cell", "data-spot": name, tabindex: cells.size === 0 ? 0 : -1 }),
        name: h("span", { class: "cell-name" }, name),
        value: h("span", { class: "cell-value" }),
        mark: h("span", { class: "cell-mark" }),
        more: h("span", { class: "hidden" }),  // for screen readers: what the small cell has no room for
      };
      cell.button.append(cell.name, " ", cell.value, " ", cell.mark, " ", cell.more);
      cells.set(name, cell);
      line.append(h("td", {}, cell.button));
    }
    body.append(line);
  }
  $("grid-table").replaceChildren(
    h("caption", { class: "hidden" }, "Light at each spot, columns A onwards, rows 1 onwards"), h("thead", {}, head), body,
  );
}

function marks(test, spot) {
  const found = [];
  if (spot.spot === test.now) {
    if (test.leg === "closing") found.push("closing");
    else if (test.phase === "settle") found.push("settling");
    else if (test.phase === "window") found.push("reading");
    else if (test.phase === "await_press") found.push("now");
  } else if (spot.spot === test.following[0] && test.leg !== "opening") {
    found.push("next");
  }
  if (LABEL[spot.state]) found.push(LABEL[spot.state]);
  if (spot.chosen) found.push("chosen");
  return found;
}

/** Draw the grid of a test; colours are the daemon's ramp. */
export function showGrid(test, colours) {
  if (shape !== JSON.stringify(test.grid)) build(test);
  const values = test.spots.map((spot) => spot.ppfd_umol).filter((value) => value !== null);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const span = high > low ? high - low : 1;
  for (const spot of test.spots) {
    const { button, value, mark, more } = cells.get(spot.spot);
    const told = marks(test, spot);
    say(value, spot.ppfd_umol === null ? "–" : spot.ppfd_umol.toFixed(spot.ppfd_umol < 1000 ? 1 : 0));
    const isReference = spot.spot === test.grid.reference;
    say(mark, [...told, ...(isReference ? ["ref."] : [])].join(" "));
    button.dataset.state = spot.state;
    button.classList.toggle("current", told.some((m) => ["now", "settling", "reading", "closing"].includes(m)));
    button.classList.toggle("next", told.includes("next"));
    if (spot.ppfd_umol === null) {
      button.style.removeProperty("--fill");
      button.style.removeProperty("--ink");
    } else {
      const step = colours[Math.round(((spot.ppfd_umol - low) / span) * (colours.length - 1))];
      button.style.setProperty("--fill", step.fill);
      button.style.setProperty("--ink", step.ink);
    }
    button.classList.toggle("filled", spot.ppfd_umol !== null);
    const light = spot.ppfd_umol === null ? "not read" : figure(spot.ppfd_umol, 2 * spot.u_umol, "umol/m2/s");
    say(more, [light, spot.why].filter(Boolean).join(", "));
  }
  showKey(values.length ? [low, high] : null, colours);
  if (chosen !== null) showSpot(test);
}

function showKey(range, colours) {
  const key = $("grid-key");
  const text = range === null ? "" : JSON.stringify(range);
  if (key.dataset.shown === text) return;
  key.dataset.shown = text;
  if (range === null) {
    key.replaceChildren();
    return;
  }
  const strip = h("span", { class: "strip", "aria-hidden": "true" });
  for (const colour of colours) {
    const step = h("span");
    step.style.setProperty("background", colour.fill);
    strip.append(step);
  }
  const digits = range[1] < 1000 ? 1 : 0;  // as many at both ends
  const [low, high] = range.map((value) => value.toFixed(digits));
  key.replaceChildren(`least\u00a0${low} `, strip, unbroken(` most\u00a0${high} µmol m⁻² s⁻¹`));
}

function showSpot(test) {
  const spot = test.spots.find((s) => s.spot === chosen);
  const panel = $("spot");
  const key = JSON.stringify([spot, test.over, test.leg]);
  panel.hidden = false;
  if (shownSpot === key) return;
  shownSpot = key;
  const rows = spot.attempts.map((attempt) => {
    const light = attempt.ppfd_umol === null ? "no light reading" : figure(attempt.ppfd_umol, 2 * attempt.u_umol, "umol/m2/s");
    const text = `Attempt ${attempt.attempt}: ${light}${attempt.counts ? " (counts)" : ""}${attempt.why ? `: ${attempt.why}` : ""} `;
    const usable = !test.over && !attempt.counts && attempt.ppfd_umol !== null;
    return h("li", {}, unbroken(text), usable ? h("button", { type: "button", "data-choose": attempt.attempt }, `Let attempt ${attempt.attempt} count`) : null);
  });
  const choosable = rows.some((row) => row.querySelector("button"));
  panel.replaceChildren(
    h("h3", {}, `Spot ${spot.spot}`),
    rows.length ? h("ul", {}, ...rows) : h("p", {}, "Not read yet."),
    choosable ? h("label", {}, "Why it should count ", h("input", { id: "choose-reason", maxlength: 120 })) : "",
    test.over ? "" : h("p", {}, h("button", { type: "button", id: "reread" }, `Read ${spot.spot} again`)),
  );
}

/** Let people choose spots and say what to do with them. */
export function prepareGrid(currentTest, act) {
  $("grid-table").addEventListener("click", (event) => {
    const button = event.target.closest("button.cell");
    const test = currentTest();
    if (!button || !test) return;
    chosen = button.dataset.spot;
    for (const cell of cells.values()) {
      cell.button.setAttribute("aria-pressed", String(cell.button === button));
      cell.button.tabIndex = cell.button === button ? 0 : -1;
    }
    showSpot(test);
  });
  $("grid-table").addEventListener("keydown", (event) => {
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const step = steps[event.key];
    const test = currentTest();
    const from = event.target.dataset.spot;
    if (!step || !from || !test) return;
    const spot = test.spots.find((s) => s.spot === from);
    const to = cells.get(`${letters(spot.column + step[0])}${spot.row + 1 + step[1]}`);
    if (!to) return;
    event.preventDefault();
    for (const cell of cells.values()) cell.button.tabIndex = -1;
    to.button.tabIndex = 0;
    to.button.focus();
  });
  $("spot").addEventListener("click", (event) => {
    if (event.target.id === "reread") act("reread", { spot: chosen });
    if (event.target.dataset.choose) {
      const reason = $("choose-reason");
      if (!reason.value.trim()) {
        reason.setCustomValidity("Say why: it stands in the record.");
        reason.reportValidity();
        reason.setCustomValidity("");
        return;
      }
      act("choose", { spot: chosen, attempt: Number(event.target.dataset.choose), reason: reason.value.trim() });
    }
  });
}
