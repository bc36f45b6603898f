// The ladder as an instrument: a head's rail is moved by eighths, rungs slide from ghost to new.
import { places, slide, tellRung } from "./rungs.js";
import { playPartials, silence } from "./model-sound.js";

const main = document.querySelector("#view");
const drum = main.dataset.drum;
const form = document.querySelector("form.turn");
const MOST = 8;
const cache = new Map();            // "batter,resonant" -> promise of places and words
let at = form ? [+form.batter.value, +form.resonant.value] : [0, 0];
let shown = null;                   // what the drawing shows now
let hearing = false;

const say = (id, words) => { document.getElementById(id).textContent = words; };

function ask(b, r) {
  const key = `${b},${r}`;
  if (!cache.has(key)) {
    const place = encodeURIComponent(main.dataset.place);
    cache.set(key, fetch(`/api/drums/${drum}/ladder?batter=${b}&resonant=${r}&place=${place}`).then(async answer => {
      const body = await answer.json();
      if (!answer.ok) throw new Error(body.error);
      return body;
    }).catch(error => { cache.delete(key); throw error; }));
  }
  return cache.get(key);
}

function trouble(error) {
  const box = document.getElementById("state");
  box.hidden = !error;
  document.body.toggleAttribute("data-offline", !!error && error instanceof TypeError);
  if (!error) return;
  const [head, text] = error instanceof TypeError
    ? ["The reader has stopped", "The page cannot reach the program on this machine. Start it again with: bothheads serve."]
    : ["No forecast", error.message];
  const b = document.createElement("b");
  b.textContent = head;
  box.replaceChildren(b, text);
}

function words(state) {
  say("kind", state.note.kind); say("note", state.note.figure); say("was", state.note.name); say("tail", state.note.tail);
  say("asked", state.asked);
  const told = document.getElementById("told");
  const b = document.createElement("b");
  b.textContent = state.told[0];
  told.replaceChildren(b, " " + state.told[1]);
  const still = !state.eighths[0] && !state.eighths[1];
  document.getElementById("reset").setAttribute("aria-disabled", still);
  for (const id of ["hear", "plan"]) {
    const link = document.getElementById(id);
    if (link) link.href = link.href.replace(/\?.*$/, "") + `?batter=${state.eighths[0]}&resonant=${state.eighths[1]}`;
  }
  const plan = document.getElementById("plan");
  if (plan) plan.setAttribute("aria-disabled", still);
  form.batter.value = state.eighths[0];
  form.resonant.value = state.eighths[1];
  form.querySelectorAll("[data-d]").forEach(button => {
    const n = state.eighths[button.dataset.head === "batter" ? 0 : 1] + +button.dataset.d;
    button.disabled = Math.abs(n) > MOST;
  });
}

function neighbours([b, r]) {      // what one more press would ask is reckoned beforehand
  const near = [[b - 1, r], [b + 1, r], [b, r - 1], [b, r + 1]];
  return near.filter(([x, y]) => Math.abs(x) <= MOST && Math.abs(y) <= MOST && (y === 0 || form.querySelector("[data-head=resonant]")));
}

async function ahead(point) {
  for (const [b, r] of neighbours(point)) {
    if (point !== at) return;
    await ask(b, r).catch(() => {});
  }
}

async function go(b, r) {
  b = Math.max(-MOST, Math.min(MOST, b)); r = Math.max(-MOST, Math.min(MOST, r));
  if (b === at[0] && r === at[1]) return;
  const point = at = [b, r];
  const asked = performance.now();
  try {
    const [now, state] = await Promise.all([ask(0, 0), ask(b, r)]);
    if (point !== at) return;       // moved on meanwhile
    trouble(null);
    slide(shown ?? now, state, now);
    shown = state;
    words(state);
    if (hearing) playPartials(state.sound);
    performance.measure("rail-to-rung", { start: asked });
    history.replaceState(null, "", b || r ? `?batter=${b}&resonant=${r}` : location.pathname);
    ahead(point);
  } catch (error) { trouble(error); }
}

if (form) {
  form.addEventListener("click", event => {
    const button = event.target.closest("[data-d]");
    if (!button) return;
    event.preventDefault();
    const d = +button.dataset.d;
    go(at[0] + (button.dataset.head === "batter" ? d : 0), at[1] + (button.dataset.head === "resonant" ? d : 0));
  });
  document.getElementById("reset").addEventListener("click", event => { event.preventDefault(); go(0, 0); });
  document.getElementById("hear").addEventListener("click", async event => {
    event.preventDefault();
    const started = performance.now();
    hearing = true;
    try {
      await playPartials((await ask(...at)).sound);
      performance.measure("rail-to-sound", { start: started });
    } catch (error) { trouble(error); }
  });
  form.place?.addEventListener("change", () => { location.search = `?batter=${at[0]}&resonant=${at[1]}&place=${encodeURIComponent(form.place.value)}`; });
  ask(...at).then(state => { shown = state; words(state); form.dataset.ready = "yes"; ahead(at); }, trouble);
  if (at[0] || at[1]) ask(0, 0).catch(() => {});
}

addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input, select, textarea")) return;
  const rung = document.activeElement?.closest?.(".rung");
  if (rung && /^Arrow(Up|Down)$/.test(event.key)) {
    const all = [...rung.parentNode.querySelectorAll(".rung")].sort((p, q) => +p.querySelector(".hit").getAttribute("y") - +q.querySelector(".hit").getAttribute("y"));
    all[all.indexOf(rung) + (event.key === "ArrowUp" ? -1 : 1)]?.focus();
    event.preventDefault();
  } else if (form && event.key === "-") go(at[0] - 1, at[1]);
  else if (form && (event.key === "+" || event.key === "=")) go(at[0] + 1, at[1]);
  else if (form && event.key === "[") go(at[0], at[1] - 1);
  else if (form && event.key === "]") go(at[0], at[1] + 1);
  else if (form && event.key === "0") go(0, 0);
  else if (event.key === "Escape") silence();
});

// The whole space between the rails is the target: the nearest rung speaks.
const speak = id => { if (shown) tellRung(shown, id); };
for (const svg of document.querySelectorAll("svg.ladder")) {
  const nearest = event => {
    const rect = svg.getBoundingClientRect();
    const y = (event.clientY - rect.top) * svg.viewBox.baseVal.height / rect.height;
    const found = Object.entries(places(shown, svg)).map(([id, row]) => [Math.abs(row.v[0] - y), id]).sort((a, b) => a[0] - b[0])[0];
    if (found && found[0] < 40) speak(found[1]);
  };
  svg.addEventListener("pointermove", event => { if (!dragging && shown) nearest(event); });
  svg.addEventListener("pointerdown", event => { if (shown) nearest(event); });
  svg.addEventListener("focusin", event => speak(event.target.closest(".rung")?.dataset.id));
}

// A rail can be pulled: up is tighter, one eighth every 24 px.
let dragging = null;
if (form) for (const svg of document.querySelectorAll("svg.ladder")) {
  for (const [index, side] of [[0, "b"], [1, "r"]]) {
    const grip = svg.querySelector(`.grip${side}`);
    if (!grip || !form.querySelector(`[data-head=${index ? "resonant" : "batter"}]`)) continue;
    grip.classList.add("live");
    grip.addEventListener("pointerdown", event => {
      dragging = { y: event.clientY, from: at[index], index };
      grip.setPointerCapture(event.pointerId);
      event.preventDefault();
    });
    grip.addEventListener("pointermove", event => {
      if (!dragging) return;
      const n = dragging.from + Math.round((dragging.y - event.clientY) / 24);
      go(index ? at[0] : n, index ? n : at[1]);
    });
    for (const end of ["pointerup", "pointercancel"]) grip.addEventListener(end, () => { dragging = null; });
  }
}
