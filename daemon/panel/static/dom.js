// Small helpers: make elements, write figures. Text from the bench only ever becomes text, never markup.

export const $ = (id) => document.getElementById(id);

/** Make an element: h("p", {class: "quiet"}, "text", child). */
export function h(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

/** The same in SVG. */
export function s(tag, attributes = {}, ...children) {
  return fill(document.createElementNS("http://www.w3.org/2000/svg", tag), attributes, children);
}

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, String(value));
  }
  element.append(...children.filter((child) => child !== null && child !== undefined));
  return element;
}

const UNITS = "µmol|µmol/J|mW|W|V|A|Hz|%|°C|K|nm|mm|m|ms|s|min|h|hPa|J";
const TOGETHER = [
  [new RegExp(`(\\d) (?=(?:${UNITS})(?![\\w/]))`, "g"), "$1\u00a0"],
  [/([\wµ/⁻¹²³]) (?=\w{1,2}⁻[¹²³])/g, "$1\u00a0"],
  [/(\d) ± (?=\d)/g, "$1\u00a0±\u00a0"],
  [/(\d) × (?=\d)/g, "$1\u00a0×\u00a0"],
];

/** The text with its figures kept on one line with their units; the report does the same. */
export const unbroken = (text) => TOGETHER.reduce((line, [pattern, kept]) => line.replace(pattern, kept), text);

/** Set a text only when it changes, so that screen readers are told once. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

const SYMBOLS = {
  "umol/m2/s": "µmol m⁻² s⁻¹", "umol/J": "µmol/J", Cel: "°C", 1: "", s: "s",
};

export const symbol = (unit) => SYMBOLS[unit] ?? unit;

/** Value ± expanded uncertainty, rounded to two digits of the uncertainty (GUM 7.2.6). */
export function figure(value, expanded, unit) {
  const tail = symbol(unit) ? ` ${symbol(unit)}` : "";
  if (!expanded) return `${alone(value, unit)}${tail}`;
  const digits = Math.max(0, 1 - Math.floor(Math.log10(expanded)));
  return `${value.toFixed(digits)} ± ${expanded.toFixed(digits)}${tail}`;
}

/** A figure of a record; k is what its combined uncertainty is multiplied by. */
export function quantity(q, k = 2) {
  if (q.value === null) return `not given: ${q.reason}`;
  const u = q.u_own === null && q.u_common === null ? 0 : Math.hypot(q.u_own ?? 0, q.u_common ?? 0);
  return figure(q.value, k * u, q.unit);
}

// Of a figure whose uncertainty is not known; as in the daemon's rounding.
const DECIMALS = { "umol/m2/s": 1, "umol/J": 3, Cel: 1, K: 1, "%": 1, hPa: 1, V: 1, A: 2, W: 1, Hz: 2, 1: 3 };

const alone = (value, unit) => (unit in DECIMALS ? value.toFixed(DECIMALS[unit]) : plain(value));

/** Five significant digits at most. */
export function plain(value) {
  return Number(value.toPrecision(5)).toString();
}

/** 0:07, 12:30, 1:02:03. */
export function duration(seconds) {
  const whole = Math.max(0, Math.ceil(seconds));
  const parts = [Math.floor(whole / 3600), Math.floor((whole % 3600) / 60), whole % 60];
  if (parts[0] === 0) parts.shift();
  return parts.map((part, i) => (i === 0 ? String(part) : String(part).padStart(2, "0"))).join(":");
}

/** Hours, minutes and seconds of a moment, UTC. */
export const clock = (moment) => moment.slice(11, 19);

/** Put pairs into a definition list, only when they changed. */
export function pairs(list, rows) {
  const key = JSON.stringify(rows);
  if (list.dataset.shown === key) return;
  list.dataset.shown = key;
  list.replaceChildren(...rows.map(([name, value]) => h("div", {}, h("dt", {}, unbroken(name)), h("dd", {}, unbroken(value)))));
}

export const words = (name) => String(name).replaceAll("_", " ");
