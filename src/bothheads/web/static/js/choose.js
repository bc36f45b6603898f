// Choosing: sliders beside their fields, sounds made here from a design's partials, two designs laid over each other.
import { playPartials } from "./model-sound.js";

// An empty field does not matter; its slider then rests at the middle.
for (const field of document.querySelectorAll("input[data-low]")) {
  const slider = document.createElement("input"), both = document.createElement("span"), { low, high, step } = field.dataset;
  Object.assign(slider, { type: "range", min: low, max: high, step });
  slider.setAttribute("aria-label", `${field.closest("label").firstChild.textContent.trim()}, slider`);
  both.className = "slider";
  field.replaceWith(both);
  both.append(slider, field);
  const follow = () => { slider.value = Number.parseFloat(field.value) || (+low + +high) / 2; slider.setAttribute("aria-valuetext", field.value || "no matter"); };
  slider.addEventListener("input", () => { field.value = slider.value; slider.setAttribute("aria-valuetext", slider.value); });
  field.addEventListener("input", follow);
  follow();
}

function plays(root) {
  for (const link of root.querySelectorAll("a.model")) {
    link.setAttribute("role", "button");
    link.addEventListener("click", async event => {
      event.preventDefault();
      const words = link.dataset.words ?? link.textContent;
      link.dataset.words = words; link.textContent = "Wait";
      try {
        const answer = await fetch(link.dataset.partials);
        const said = await answer.json();
        if (!answer.ok) throw new Error(said.error);
        await playPartials(said);
        link.textContent = words;
      } catch { link.textContent = "No sound"; }
    });
  }
}

async function later(section) {
  const status = section.querySelector("[role=status]");
  status.textContent = "Laying the two over each other.";
  const answer = await fetch(section.dataset.later).catch(() => null);
  const next = answer?.ok ? new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("two") : null;
  if (!next) { status.textContent = "Choose two and lay them over each other."; return; }
  section.replaceWith(next);
  plays(next);
}

plays(document);
const two = document.querySelector("#two[data-later]");
if (two) later(two);
