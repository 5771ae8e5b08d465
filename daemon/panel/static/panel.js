// The panel: keeps what the bench has told and shows it. All decisions are the bench's.

import { $, h, clock, duration, figure, pairs, plain, quantity, say, unbroken, words } from "./dom.js";
import { prepareBegin, showBegin } from "./begin.js";
import { prepareGrid, showGrid } from "./grid.js";
import { command, follow } from "./link.js";
import { addLive, showSpectrum, startTrends } from "./plots.js";
import { prepareSounds, sound } from "./sounds.js";

let present = null;
let heard = { monotonic_s: 0, at: performance.now() };
let highest = null;
let dismiss = 0;

// Bench time goes on between two messages, at the bench's speed.
const benchNow = () => heard.monotonic_s + ((performance.now() - heard.at) / 1000) * (present?.speed ?? 1);

const take = {
  present(body) {
    present = body;
    startTrends(body);
    showBench();
    take.live(body.live);
    take.now(body.now);
    take.test(body.test);
    take.instruments(body.instruments);
    take.summary(body.summary);
    showSpectrum(body.spectrum);
    $("events").replaceChildren();
    body.events.forEach(addEvent);
    document.documentElement.dataset.ready = "yes";
  },
  now(body) {
    present.now = body;
    hear(body.status);
    showNow();
  },
  live(body) {
    present.live = body;
    hear(body);
    addLive(body, present.rules);
    showLight(body.ppfd.value);
  },
  test(body) {
    if (body !== null && present.test !== null && body.test_id !== present.test.test_id) {
      present.summary = null;
      present.spectrum = null;
      showSpectrum(null);
      $("events").replaceChildren();
    }
    present.test = body;
    if (body !== null) {
      present.last_setup = body.setup;
      showGrid(body, present.colours);
    }
    $("grid").hidden = body === null;
    $("result").hidden = body === null;
    showFigures();
    showNow();
  },
  instruments(body) {
    showInstruments(body);
  },
  event(body) {
    addEvent(body);
  },
  spectrum(body) {
    showSpectrum(body);
  },
  summary(body) {
    present.summary = body;
    showFigures();
    showNow();
  },
  tone(body) {
    sound(body.tone);
    if (body.tone === "not_yet") answer(body.text, false);
  },
};

function hear(message) {
  if (message.monotonic_s < heard.monotonic_s) return;
  heard = { monotonic_s: message.monotonic_s, at: performance.now(), time: message.time };
}

function showBench() {
  document.title = `${present.title} – lamp bench`;
  say($("bench-title"), present.title);
  $("simulated").hidden = !present.simulated;
  document.body.classList.toggle("is-simulated", present.simulated);
  say($("bench-speed"), present.speed === 1 ? "" : `, ${plain(present.speed)} × real time`);
  $("made-by").hidden = false;
  say($("version"), present.version);
  say($("bench-id"), present.bench);
  say($("first-caution"), present.first_caution);
  say($("footer-caution"), present.first_caution);
  $("cautions").replaceChildren(...present.cautions.map((caution) => h("li", {}, caution)));
}

const isRunning = () => present.test !== null && !present.test.over;

function showNow() {
  const { status } = present.now;
  say($("prompt"), status.prompt === null ? "Waiting for the bench …" : short(status));
  $("now").dataset.action = status.prompt?.action ?? "";
  const running = isRunning();
  const pressing = ["await_press", "settle", "window"].includes(status.state) || status.prompt?.action === "strike";
  const byPress = !present.rules.roles.includes("power_meter");
  const opening = running && present.test.leg === "opening" && status.state !== "await_strike" && status.state !== "cool_down";
  $("press").hidden = !running || !pressing || opening || (status.prompt?.action === "strike" && !byPress);
  const press = { settle: "Press again (settles anew)", window: "Press (voids this reading)" }[status.state] ?? "Press";
  say($("press"), status.prompt?.action === "strike" ? "The lamp is struck" : press);
  $("press").classList.toggle("main", status.state !== "settle" && status.state !== "window");
  $("read-anyway").hidden = status.prompt?.action !== "read_anyway";
  $("abandon").hidden = !running;
  const test = present.test;
  $("report").hidden = test === null || !test.over;
  if (test !== null) $("report").href = `/reports/${encodeURIComponent(test.test_id)}`;
  showBegin(!running, present);
  showLamp();
  tick();
}

// Why a gate holds stands below the prompt, in smaller letters: from two metres the prompt must stay one line.
function short(status) {
  if (!status.waits.some((wait) => wait.earliest_in_s <= 0)) return status.prompt.text;
  return status.prompt.text.replace(/^Held: .*\. (?=Wait)/, "").replace(/ Held: .*$/, "");
}

function showLamp() {
  const { lamp, status } = present.now;
  const rows = [["Lamp", words(lamp.state)]];
  if (lamp.struck_s !== null) rows.push(["Burning for", duration(benchNow() - lamp.struck_s)]);
  if (lamp.cool_until_s !== null) rows.push(["Cooling, at least", duration(lamp.cool_until_s - benchNow())]);
  if (isRunning()) rows.push(["Spots", `${status.spots_done} of ${status.spots_total}`]);
  pairs($("lamp"), rows);
}

const GATES = { warm_up: "Warm-up", settle: "Settling", supply: "Supply" };

// Countdowns: what is left of a minimum time, why a gate holds beyond it, and when one may read anyway.
function tick() {
  if (present === null) return;
  if (heard.time) {
    const moment = new Date(Date.parse(heard.time) + (benchNow() - heard.monotonic_s) * 1000);
    say($("bench-time"), `${moment.toISOString().slice(0, 10)} ${clock(moment.toISOString())} UTC`);
  }
  const { status, lamp } = present.now;
  const passed = benchNow() - status.monotonic_s;
  const rows = [];
  if (status.window_left_s !== null) rows.push(["Reading", duration(status.window_left_s - passed), "", false]);
  const first = status.waits.find((wait) => wait.earliest_in_s > 0);
  if (first) rows.push([GATES[first.gate], duration(first.earliest_in_s - passed), "at least", false]);
  for (const wait of status.waits.filter((w) => w.earliest_in_s <= 0)) {
    const left = wait.overrule_in_s - passed;
    const anyway = wait.overrule_in_s === null ? "" : left > 0 ? `; read anyway in ${duration(left)}` : "; you may read anyway";
    rows.push([`${GATES[wait.gate]} holds:`, "", `${wait.reason.replace("not yet: ", "")}${anyway}`, true]);
  }
  if (lamp.cool_until_s !== null && isRunning()) {
    rows.push(["Cooling", duration(lamp.cool_until_s - benchNow()), "at least", false]);
  }
  const box = $("waits");
  if (box.children.length !== rows.length) {
    box.replaceChildren(...rows.map(() => h("p", {}, h("span", { class: "wait-name" }), " ", h("span", { class: "wait-left" }), " ", h("span", { class: "wait-why" }))));
  }
  rows.forEach(([name, left, why, held], i) => {
    const line = box.children[i];
    line.className = held ? "wait held" : "wait";
    say(line.children[0], name);
    say(line.children[1], left);
    say(line.children[2], unbroken(why));
  });
  if (document.visibilityState === "visible") showLamp();
}

function showLight(value) {
  if (value !== null) highest = highest === null ? value : Math.max(highest, value);
  $("light").textContent = value === null ? "–" : value.toFixed(1);
  $("highest").textContent = highest === null ? "–" : highest.toFixed(1);
  const share = value === null || !highest ? null : value / highest;
  $("share").textContent = share === null ? "–" : `${(100 * share).toFixed(1)} %`;
  $("share-bar").style.setProperty("width", `${100 * Math.max(0, Math.min(1, share ?? 0))}%`);
}

function showFigures() {
  const { test, summary } = present;
  if (test === null) return;
  const isResult = summary !== null && summary.test_id === test.test_id;
  say($("result-title"), isResult ? "Result" : "So far");
  if (isResult) {
    const k = summary.coverage_factor ?? 2;
    pairs($("figures"), [
      ["Canopy average", quantity(summary.canopy_average, k)],
      ["Uniformity ratio (max/min)", quantity(summary.uniformity_ratio)],
      ["Min/average", quantity(summary.minimum_to_average)],
      ["Coefficient of variation", quantity(summary.coefficient_of_variation)],
      ["Drift at the reference point", `${quantity(summary.drift)}, ${words(summary.drift_treatment)}`],
      ["Photons at the canopy plane", quantity(summary.photons_per_joule)],
      ["Readings taken", String(summary.readings_taken)],
      ["Uncertainty", summary.coverage_factor === null ? "± is expanded, k = 2"
        : `± is expanded: k = ${k.toFixed(2)} (95 %) for the average, k = 2 elsewhere`],
    ]);
  } else {
    const { so_far: now } = test;
    const rows = [["Spots", `${now.spots} of ${now.of}`]];
    rows.push(["Average of these spots", told(now.average, now.average_expanded)]);
    rows.push(["Uniformity ratio (max/min)", told(now.uniformity, now.uniformity_expanded)]);
    if (test.opening !== null && test.opening.ppfd_umol !== null) {
      rows.push(["Opening reading", figure(test.opening.ppfd_umol, 2 * test.opening.u_umol, "umol/m2/s")]);
    }
    if (test.integration !== null) rows.push(["Integration time", test.integration.text.replace("integration time ", "")]);
    rows.push(["Uncertainty", "no result yet; ± is expanded, 95 %"]);
    pairs($("figures"), rows);
  }
  const flags = isResult ? summary.flags : test.flags;
  const list = $("flags");
  if (list.dataset.shown !== JSON.stringify(flags)) {
    list.dataset.shown = JSON.stringify(flags);
    list.replaceChildren(...flags.map((flag) => h("li", {}, `Flag: ${flag}`)));
  }
}

const told = (q, expanded) => (q.value === null ? q.reason : figure(q.value, expanded, q.unit));

function showInstruments(list) {
  $("instrument-list").replaceChildren(...list.map((one) => {
    const good = one.state === "ok";
    const day = one.calibration?.due_on ? h("span", { class: "date" }, one.calibration.due_on) : null;
    const due = day === null ? "" : one.calibration.overdue ? "; calibration overdue since " : "; calibrated until ";
    return h("li", { class: good ? "good" : "bad" }, h("strong", {}, one.instrument), ` (${words(one.role)}): `,
      h("span", { class: "state" }, good ? "answers" : `${words(one.state)}: ${one.text}`), due, day,
      h("br"), h("span", { class: "quiet" }, `${one.identity ?? "not identified"} at ${one.port}`));
  }));
}

const shownEvents = 300;

function addEvent(event) {
  const list = $("events");
  if (list.querySelector(`[data-seq="${event.seq}"]`)) return;
  const bad = /doubt|held|overdue|lost|void|again|abandoned/.test(event.event);
  list.prepend(h("li", { "data-seq": event.seq, class: bad ? "notable" : "" },
    h("time", { datetime: event.time }, clock(event.time)), " ", unbroken(event.text)));
  while (list.children.length > shownEvents) list.lastElementChild.remove();
}

function answer(text, accepted) {
  say($("answer"), text);
  $("answer").className = accepted ? "accepted" : "refused";
  clearTimeout(dismiss);
  dismiss = setTimeout(() => say($("answer"), ""), 12000);
}

async function act(verb, body) {
  const reply = await command(verb, body);
  if (!reply.accepted) answer(reply.text, false);
  else if (verb !== "press") answer(reply.text === "done" ? `${words(verb)}: done` : reply.text, true);
  return reply;
}

function showLink(state, silentMs) {
  const note = $("stale");
  if (state === "live") {
    note.hidden = true;
    document.body.classList.remove("is-stale");
    return;
  }
  if (silentMs < 2000) return;
  document.body.classList.add("is-stale");
  note.hidden = false;
  const since = heard.time ? ` What you see is from ${clock(heard.time)}.` : "";
  say(note, state === "lost"
    ? `No connection to the bench.${since} Trying again by itself.`
    : `No news from the bench for ${Math.round(silentMs / 1000)} s.${since}`);
}

function prepareTheme() {
  const themes = { system: "as system", light: "light", dark: "dark" };
  const show = (theme) => {
    if (theme === "system") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = theme;
    $("theme").textContent = `Theme: ${themes[theme]}`;
  };
  let theme = localStorage.getItem("lampwarden.theme");
  if (!(theme in themes)) theme = "system";
  show(theme);
  $("theme").addEventListener("click", () => {
    const names = Object.keys(themes);
    theme = names[(names.indexOf(theme) + 1) % names.length];
    localStorage.setItem("lampwarden.theme", theme);
    show(theme);
  });
}

prepareTheme();
prepareSounds();
prepareGrid(() => present?.test ?? null, act);
prepareBegin(act);
$("press").addEventListener("click", () => act("press"));
$("read-anyway").addEventListener("click", () => act("read_anyway"));
$("reset-highest").addEventListener("click", () => {
  highest = null;
  showLight(present?.live.ppfd.value ?? null);
});
$("abandon").addEventListener("click", () => $("abandon-dialog").showModal());
$("abandon-dialog").addEventListener("close", () => {
  const dialog = $("abandon-dialog");
  if (dialog.returnValue === "yes") act("abandon", { reason: $("abandon-reason").value.trim() || "abandoned by the operator" });
  dialog.returnValue = "";
});
follow((kind, body) => {
  if (kind === "present" || present !== null) take[kind](body);
}, showLink);
setInterval(tick, 250);
