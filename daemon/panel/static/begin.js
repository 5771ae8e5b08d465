// The form that begins a test: shown when none runs, filled with the last values once, never while somebody types.

import { $, h } from "./dom.js";

let filledFor = null;
let touched = false;

/** Show or hide the form. */
export function showBegin(visible, present) {
  const section = $("begin");
  if (section.hidden === visible) {
    section.hidden = !visible;
    $("begin-details").open = present.test === null;
    touched = false;
  }
  const key = JSON.stringify(present.last_setup);
  if (!visible || touched || filledFor === key || present.last_setup === null) return;
  filledFor = key;
  const form = $("begin-form");
  for (const [name, value] of Object.entries(present.last_setup)) {
    if (form.elements[name]) form.elements[name].value = value;
  }
  form.elements.read.checked = false;
}

function problem(form) {
  for (const field of form.elements) {
    if (field.willValidate && !field.checkValidity()) {
      const label = field.closest("label").firstChild.textContent.trim() || field.closest("label").textContent.trim();
      return [field, `${label}: ${field.validationMessage}`];
    }
  }
  return null;
}

/** Let the form send. */
export function prepareBegin(act) {
  const form = $("begin-form");
  const error = $("begin-error");
  form.addEventListener("input", (event) => {
    touched = true;
    event.target.removeAttribute("aria-invalid");
  });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    error.textContent = "";
    const wrong = problem(form);
    if (wrong !== null) {
      wrong[0].setAttribute("aria-invalid", "true");
      wrong[0].setAttribute("aria-describedby", "begin-error");
      error.textContent = wrong[1];
      wrong[0].focus();
      return;
    }
    const field = (name) => form.elements[name].value.trim();
    const number = (name) => Number(form.elements[name].value);
    const setup = {
      lamp: field("lamp"), lamp_type: field("lamp_type"), rated_power_w: number("rated_power_w"),
      burning_hours: number("burning_hours"), ballast: field("ballast"), ballast_setting: field("ballast_setting"),
      fixture: field("fixture"), rotation_deg: number("rotation_deg"), burning_position: field("burning_position"),
      height_mm: number("height_mm"), fan: field("fan"),
    };
    const reply = await act("begin", field("test_id") ? { setup, test_id: field("test_id") } : { setup });
    if (reply.accepted) {
      touched = false;
      form.elements.test_id.value = "";
      form.elements.read.checked = false;
      $("now").focus();
    } else {
      error.replaceChildren(h("span", {}, reply.text));
    }
  });
}
