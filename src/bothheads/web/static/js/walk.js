// Walk-round: strikes go to the reader, the place is chosen on the plan by pointer or keys.
import { follow, say } from "./follow.js";

const view = document.querySelector("#view"), drum = view.dataset.drum, $ = id => document.getElementById(id);
const plans = $("plans"), fields = $("newplace");
let cross = null;

function element(name, words, attributes = {}) {
  const made = document.createElement(name);
  made.textContent = words;
  for (const key in attributes) made.setAttribute(key, attributes[key]);
  return made;
}

function placeRow(row) {
  const li = document.createElement("li"), name = document.createElement("span"), hits = document.createElement("span");
  if (row.now) { li.className = "now"; li.setAttribute("aria-current", "step"); }
  name.append(element("b", row.name), " ", element("span", row.where, { class: "small" }));
  hits.className = "hits";
  for (const strike of row.strikes) {
    const drop = element("button", `${strike.peak} ×`, { class: "slim", type: "button", "aria-label": `${strike.peak} ×: leave out strike ${strike.number} at the ${row.name}` });
    drop.addEventListener("click", () => change("drop", { strike: strike.number }));
    hits.append(drop);
  }
  const go = element("button", row.now ? "Here" : "Go there", { class: "slim", type: "button", "aria-label": `${row.now ? "Here" : "Go there"}: ${row.name}` });
  go.disabled = row.now;
  go.addEventListener("click", () => change("go", { to: row.name }));
  li.append(name, hits, go);
  return li;
}

function show(walk) {
  const held = plans.contains(document.activeElement);
  plans.innerHTML = walk.plans.w + walk.plans.n;
  $("spectra").innerHTML = walk.spectra ? walk.spectra.w + walk.spectra.n : "";
  $("now").textContent = walk.now; $("next").textContent = walk.next ?? "";
  $("on").hidden = !walk.next; $("on").querySelector("input").value = walk.next ?? "";
  $("roundness").textContent = walk.roundness ?? (walk.count ? "one place only" : "nothing heard yet");
  $("note").textContent = walk.note; $("sure").textContent = walk.sure;
  $("places").replaceChildren(...walk.rows.map(placeRow));
  $("to").replaceChildren(...walk.rows.map(row => new Option(row.name, row.name, row.now, row.now)));
  $("keepit").disabled = walk.count < 2;
  const here = walk.rows.find(row => row.now), n = here?.strikes.length ?? 0;
  $("do").textContent = n < 3 ? `Heard ${n} of 3 here. Strike the centre, a breath between.` : walk.next ? "Enough here: move the microphone to the next place." : "Every place is heard: keep it, or name another place.";
  live();
  if (held) [...plans.querySelectorAll("svg")].find(svg => svg.getClientRects().length)?.focus();
}

async function change(what, given) {
  const answer = await fetch(`/api/drums/${drum}/walk/${what}`, { method: "POST", body: given instanceof FormData ? given : new URLSearchParams(given) });
  const said = await answer.json();
  if (!answer.ok) { say("Not done", said.error.charAt(0).toUpperCase() + said.error.slice(1), "refused"); return; }
  show(said);
}

// The plan: a press on a square goes there, on open ground offers a new place with its centimetres.
const cm = value => String(Math.round(100 * value));

function offer(x, z) {
  $("new").open = true;
  fields.aside.value = cm(x); fields.ahead.value = cm(z);
  fields.name.focus();
}

function drawCross(svg) {
  svg.querySelector(".cross")?.remove();
  if (!cross) return;
  const { x, z, scale } = ground(svg), path = document.createElementNS("http://www.w3.org/2000/svg", "path");
  path.setAttribute("class", "cross");
  path.setAttribute("d", `M${x - scale * cross[0] - 12} ${z - scale * cross[1]}h24M${x - scale * cross[0]} ${z - scale * cross[1] - 12}v24`);
  svg.append(path);
}

const ground = svg => ({ x: +svg.dataset.x, z: +svg.dataset.z, scale: +svg.dataset.scale });

function squareAt(svg, px, py) {
  const marks = [...svg.querySelectorAll("rect")].filter(r => r.getAttribute("width") === "18" && r.getAttribute("height") === "18");
  const found = marks.findIndex(r => Math.hypot(+r.getAttribute("x") + 9 - px, +r.getAttribute("y") + 9 - py) < 14);
  return found < 0 ? null : svg.dataset.names.split("|")[found];
}

function live() {
  for (const svg of plans.querySelectorAll("svg")) {
    svg.tabIndex = 0; svg.setAttribute("role", "application"); svg.setAttribute("aria-roledescription", "plan of places");
    svg.addEventListener("click", event => {
      const rect = svg.getBoundingClientRect(), box = svg.viewBox.baseVal;
      const px = (event.clientX - rect.left) * box.width / rect.width, py = (event.clientY - rect.top) * box.height / rect.height;
      const name = squareAt(svg, px, py), at = ground(svg);
      if (name) change("go", { to: name });
      else { cross = [(at.x - px) / at.scale, (at.z - py) / at.scale]; drawCross(svg); offer(...cross); }
    });
    svg.addEventListener("keydown", event => {
      const step = { ArrowLeft: [0.05, 0], ArrowRight: [-0.05, 0], ArrowUp: [0, 0.05], ArrowDown: [0, -0.05] }[event.key];
      if (step) {
        event.preventDefault();
        cross = cross ? [cross[0] + step[0], cross[1] + step[1]] : [0, -0.5];
        drawCross(svg);
        $("do").textContent = `The cross is ${cm(cross[0])} cm to the player's left, ${cm(cross[1])} cm before the batter head. Enter names a place here.`;
      } else if (event.key === "Enter" && cross) {
        const at = ground(svg), name = squareAt(svg, at.x - at.scale * cross[0], at.z - at.scale * cross[1]);
        if (name) change("go", { to: name }); else offer(...cross);
      }
    });
    drawCross(svg);
  }
}

follow({ view, button: $("listen"), path: `/ws/drums/${drum}/walk`, show, during: "Stop listening", begun: () => $("advice").replaceChildren() });
$("how").hidden = false;
for (const form of view.querySelectorAll("form:not([data-long])")) form.addEventListener("submit", event => {
  const what = form.action.split("/").pop();
  if (event.submitter?.hasAttribute("data-plain")) return;
  event.preventDefault();
  change(what, form.enctype === "multipart/form-data" ? new FormData(form) : Object.fromEntries(new FormData(form)));
});
live();
