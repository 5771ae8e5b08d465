// Short tones, made here (Web Audio). They repeat what the page says; they are never the only sign.

import { $ } from "./dom.js";

// Each: pairs of [frequency in Hz, length in s]; 0 is silence. Told apart by rhythm and by direction, not by pitch alone.
const TONES = {
  accepted: [[660, 0.09], [880, 0.14]],
  doubtful: [[520, 0.16], [0, 0.06], [390, 0.26]],
  hold: [[330, 0.4]],
  not_yet: [[300, 0.08], [0, 0.07], [300, 0.08]],
  finished: [[523, 0.14], [659, 0.14], [784, 0.32]],
};
const LOUDNESS = 0.2;
const KEY = "lampwarden.sound";

let context = null;

const isOn = () => context !== null && context.state === "running";

function show() {
  $("sound").setAttribute("aria-pressed", String(isOn()));
  $("sound").textContent = isOn() ? "Sound on" : "Sound off";
}

async function turn(on) {
  if (on) {
    context ??= new AudioContext();
    await context.resume();
  } else if (context !== null) {
    await context.suspend();
  }
  localStorage.setItem(KEY, on ? "on" : "off");
  show();
}

/** Browsers let a page sound only after somebody has touched it: a wish from last time is carried out then. */
export function prepareSounds() {
  $("sound").addEventListener("click", async () => {
    const on = !isOn();
    await turn(on);
    if (on) sound("accepted");
  });
  if (localStorage.getItem(KEY) === "on") {
    const wake = async (event) => {
      removeEventListener("pointerdown", wake);
      removeEventListener("keydown", wake);
      if (event.target !== $("sound")) await turn(true);
    };
    addEventListener("pointerdown", wake);
    addEventListener("keydown", wake);
  }
  show();
}

/** Sound a tone, if sound is on. */
export function sound(name) {
  document.documentElement.dataset.lastTone = name;
  if (!isOn() || !(name in TONES)) return;
  let at = context.currentTime + 0.02;
  for (const [frequency, seconds] of TONES[name]) {
    if (frequency > 0) {
      const oscillator = context.createOscillator();
      const gain = context.createGain();
      oscillator.type = "triangle";
      oscillator.frequency.value = frequency;
      gain.gain.setValueAtTime(0, at);
      gain.gain.linearRampToValueAtTime(LOUDNESS, at + 0.01);
      gain.gain.setValueAtTime(LOUDNESS, at + seconds - 0.02);
      gain.gain.linearRampToValueAtTime(0, at + seconds);
      oscillator.connect(gain).connect(context.destination);
      oscillator.start(at);
      oscillator.stop(at + seconds);
    }
    at += seconds;
  }
}
