// Small trends and the last spectrum, as inline SVG. Every plot stands beside its figures in words.

import { $, h, s, pairs, plain, quantity } from "./dom.js";

const SPAN_S = 1800;
const WIDTH = 300;
const HEIGHT = 48;

const SERIES = [
  { key: "ppfd", name: "Light", unit: "µmol m⁻² s⁻¹", digits: 1 },
  { key: "power", name: "Power", unit: "W", digits: 1 },
  { key: "voltage", name: "Voltage", unit: "V", digits: 1 },
  { key: "frequency", name: "Frequency", unit: "Hz", digits: 2 },
  { key: "inside_temperature", name: "Air inside", unit: "°C", digits: 1 },
  { key: "inside_humidity", name: "Humidity inside", unit: "%", digits: 0 },
  { key: "outside_temperature", name: "Air outside", unit: "°C", digits: 1 },
];

const trends = new Map();

/** Begin with what the bench remembers. */
export function startTrends(present) {
  trends.clear();
  for (const { key } of SERIES) {
    const known = present.trends[key];
    trends.set(key, known.time_s.map((time, i) => [time, known.value[i]]));
  }
}

/** Add the latest readings and draw. */
export function addLive(live, rules) {
  for (const { key } of SERIES) {
    const value = live[key].value;
    const points = trends.get(key);
    if (value !== null) points.push([live.monotonic_s, value]);
    while (points.length && points[0][0] < live.monotonic_s - SPAN_S) points.shift();
    if (points.length > 720) trends.set(key, thinned(points));
  }
  drawTrends(live, rules);
}

// Half of the older points: of each four the lowest and the highest, so that no dip gets lost.
function thinned(points) {
  const kept = [];
  for (let i = 0; i < 600; i += 4) {
    const four = points.slice(i, i + 4);
    const low = four.reduce((a, b) => (b[1] < a[1] ? b : a));
    const high = four.reduce((a, b) => (b[1] > a[1] ? b : a));
    kept.push(...(low === high ? [low] : low[0] < high[0] ? [low, high] : [high, low]));
  }
  return [...kept, ...points.slice(600)];
}

function drawTrends(live, rules) {
  const box = $("trends");
  const shown = SERIES.filter(({ key }) => trends.get(key).length > 0);
  if (box.children.length !== shown.length) {
    box.replaceChildren(...shown.map(({ key, name }) => h("div", { class: "trend", "data-key": key },
      h("span", { class: "trend-name" }, name), h("span", { class: "trend-now" }),
      s("svg", { viewBox: `0 0 ${WIDTH} ${HEIGHT}`, "aria-hidden": "true", focusable: "false", preserveAspectRatio: "none" },
        s("rect", { class: "limits", x: 0, width: WIDTH }), s("polyline", { class: "line", fill: "none" })),
      h("span", { class: "trend-range quiet" }))));
  }
  for (const line of box.children) {
    const series = SERIES.find(({ key }) => key === line.dataset.key);
    draw(line, series, trends.get(series.key), live, rules);
  }
}

function draw(line, { key, unit, digits }, points, live, rules) {
  const values = points.map((point) => point[1]);
  const low = Math.min(...values);
  const high = Math.max(...values);
  const least = Math.max(Math.abs(high) * 0.004, 10 ** -digits);
  const pad = Math.max(least, (high - low) * 0.08);
  const y = (value) => HEIGHT - ((value - low + pad) / (high - low + 2 * pad)) * HEIGHT;
  const from = live.monotonic_s - SPAN_S;
  const path = points.map(([time, value]) => `${(((time - from) / SPAN_S) * WIDTH).toFixed(1)},${y(value).toFixed(1)}`);
  line.querySelector("polyline").setAttribute("points", path.join(" "));
  const rect = line.querySelector("rect");
  if (key === "voltage") {
    const half = (rules.nominal_voltage_v * rules.voltage_tolerance_percent) / 100;
    const top = Math.max(0, y(rules.nominal_voltage_v + half));
    const bottom = Math.min(HEIGHT, y(rules.nominal_voltage_v - half));
    rect.setAttribute("y", top);
    rect.setAttribute("height", Math.max(0, bottom - top));
  } else {
    rect.setAttribute("height", 0);
  }
  const now = live[key].value;
  line.querySelector(".trend-now").textContent = now === null ? "no reading" : `${now.toFixed(digits)} ${unit}`;
  const minutes = Math.round(Math.min(SPAN_S, live.monotonic_s - points[0][0]) / 60);
  line.querySelector(".trend-range").textContent = `${low.toFixed(digits)} to ${high.toFixed(digits)} in ${minutes} min`;
}

const BANDS = [[400, 500, "blue"], [500, 600, "green"], [600, 700, "red"], [700, 800, "far-red"]];

/** Draw the last spectrum against full scale. */
export function showSpectrum(spectrum) {
  if (spectrum === null) {
    $("spectrum-text").textContent = "No spectrum yet.";
    $("spectrum-plot").replaceChildren();
    pairs($("bands"), []);
    return;
  }
  const percent = (100 * spectrum.peak_fraction).toFixed(0);
  const where = spectrum.leg === "spot" ? `spot ${spectrum.spot}` : `reference point, ${spectrum.leg}`;
  const verdict = spectrum.saturated ? "SATURATED: no figures from it" : `peak at ${percent} % of full scale`;
  const exposure = `${plain(spectrum.integration_s * 1000)} ms × ${spectrum.averages}`;
  $("spectrum-text").textContent = `${where}, attempt ${spectrum.attempt}: ${exposure}, ${verdict}.`;
  const [width, height, left, bottom, top] = [520, 210, 40, 24, 18];
  const from = 350;
  const to = 850;
  const x = (nm) => left + ((nm - from) / (to - from)) * (width - left - 6);
  const y = (fraction) => height - bottom - (fraction / 1.1) * (height - bottom - top);
  const plot = s("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": `Counts over wavelength, ${where}: ${verdict}` });
  BANDS.forEach(([low, high, name], i) => {
    plot.append(s("rect", { class: i % 2 ? "band" : "band odd", x: x(low), y: top, width: x(high) - x(low), height: height - bottom - top }));
    plot.append(s("text", { x: (x(low) + x(high)) / 2, y: top - 5, "text-anchor": "middle" }, name));
  });
  for (const nm of [400, 500, 600, 700, 800]) {
    plot.append(s("line", { class: "tick", x1: x(nm), x2: x(nm), y1: height - bottom, y2: height - bottom + 4 }));
    plot.append(s("text", { x: x(nm), y: height - 6, "text-anchor": "middle" }, nm === 800 ? "800 nm" : String(nm)));
  }
  for (const fraction of [0, 0.5, 1]) {
    plot.append(s("text", { x: left - 5, y: y(fraction) + 4, "text-anchor": "end" }, `${100 * fraction}%`));
  }
  plot.append(s("line", { class: "axis", x1: left, x2: width - 6, y1: y(0), y2: y(0) }));
  plot.append(s("line", { class: "saturation", x1: left, x2: width - 6, y1: y(1), y2: y(1) }));
  plot.append(s("text", { class: "saturation-name", x: left + 4, y: y(1) + 13 }, "full scale: saturation"));
  const path = [];
  spectrum.wavelength_nm.forEach((nm, i) => {
    if (nm >= from && nm <= to) path.push(`${x(nm).toFixed(1)},${y(Math.max(0, spectrum.fraction[i])).toFixed(1)}`);
  });
  plot.append(s("polyline", { class: "line", fill: "none", points: path.join(" ") }));
  $("spectrum-plot").replaceChildren(plot);
  const names = { ppfd: "PPFD, 400–700 nm", epar: "ePAR, 400–750 nm", blue: "blue, 400–500 nm", green: "green, 500–600 nm",
    red: "red, 600–700 nm", far_red: "far-red, 700–800 nm", red_to_far_red: "red to far-red, 655–665 / 725–735 nm" };
  pairs($("bands"), spectrum.saturated ? [] : Object.entries(names).map(([key, name]) => [name, quantity(spectrum.figures[key])]));
}
