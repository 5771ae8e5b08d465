// The line to the bench: the stream of news, which comes back by itself, and commands, which are safe to repeat.

const STALE_MS = 4000;
const COMMAND_MS = 8000;
const TRIES = 4;

/** Follow the stream; `on` gets (kind, body), `onState` gets "live", "stale" or "lost". */
export function follow(on, onState) {
  let source = null;
  let lastNews = performance.now();
  let wait = 500;

  function open() {
    source = new EventSource("/news");
    for (const kind of ["present", "now", "live", "test", "instruments", "event", "spectrum", "summary", "tone"]) {
      source.addEventListener(kind, (event) => {
        lastNews = performance.now();
        wait = 500;
        onState("live", 0);
        on(kind, JSON.parse(event.data));
      });
    }
    source.addEventListener("error", () => {
      source.close();
      onState("lost", performance.now() - lastNews);
      setTimeout(again, wait);
      wait = Math.min(wait * 2, 5000);
    });
  }

  async function again() {
    try {
      const response = await fetch("/session", { cache: "no-store" });
      if (response.status === 401) {
        location.reload();
        return;
      }
    } catch {
      // The bench is not there yet: the stream will say so again.
    }
    open();
  }

  setInterval(() => {
    const silent = performance.now() - lastNews;
    if (silent > STALE_MS) onState(source.readyState === EventSource.OPEN ? "stale" : "lost", silent);
  }, 500);
  // A page that is left may be kept for "back" with its stream open, and a browser has six connections to one bench: after
  // some reloads a new page would wait a minute for one of them.
  addEventListener("pagehide", () => source.close());
  addEventListener("pageshow", (event) => {
    if (event.persisted) open();
  });
  open();
}

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** Send a command; a lost answer is asked for again with the same id, which does nothing twice. */
export async function command(verb, body = {}) {
  const text = JSON.stringify({ ...body, id: `panel-${newId()}` });
  let trouble = "the bench does not answer";
  for (let attempt = 0; attempt < TRIES; attempt += 1) {
    if (attempt > 0) await new Promise((resolve) => setTimeout(resolve, 500 * attempt));
    try {
      const response = await fetch(`/commands/${verb}`, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: text,
        signal: AbortSignal.timeout(COMMAND_MS),
      });
      if (response.ok) return await response.json();
      trouble = (await response.text()).trim();
      if (response.status < 500) break;
    } catch {
      trouble = "the bench does not answer";
    }
  }
  return { accepted: false, text: trouble };
}
