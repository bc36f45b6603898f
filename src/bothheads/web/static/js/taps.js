// Follows a round of taps: the reader says which rod is next, in large type.
import { follow, say } from "./follow.js";

const view = document.querySelector("#view"), { drum, head } = view.dataset;
const $ = id => document.getElementById(id);

function show(round) {
  $("rod").textContent = round.whole ? "All heard" : `Rod ${round.next}`;
  $("where").textContent = round.whole ? "read this round, or tap one again" : round.where;
  [...$("cells").children].forEach((cell, i) => {
    const rod = i + 1, heard = round.heard.includes(rod), now = rod === round.next && !round.whole;
    cell.classList.toggle("done", heard); cell.classList.toggle("now", now);
    cell.querySelector("small").textContent = heard ? "heard" : now ? "next" : "\u00a0";
  });
  $("which").value = round.next;
  $("read").disabled = !round.whole;
}

follow({ view, button: $("listen"), path: `/ws/drums/${drum}/taps?head=${head}`, show, during: "Stop", begun: () => say("Listening", "Tap near the rod that is shown.") });
for (const form of view.querySelectorAll("form")) {
  const what = form.action.split("/").pop();
  if (form.hasAttribute("data-long")) continue;
  form.addEventListener("submit", async event => {
    event.preventDefault();
    const answer = await fetch(`/api/drums/${drum}/taps/${what}`, { method: "POST", body: new URLSearchParams(new FormData(form)) });
    show(await answer.json());
  });
}
