// Follows a round of taps: the reader says which rod is next, in large type.
import { ignoredWords, openMicrophone, openReader, remembered } from "./microphone.js";

const view = document.querySelector("#view"), { drum, head } = view.dataset;
const $ = id => document.getElementById(id);
const button = $("listen");
let mic = null, reader = null;

function say(word, sentence, kind = "") {
  const box = document.createElement("div"), b = document.createElement("b");
  box.className = `say ${kind}`; b.textContent = word;
  box.append(b, sentence);
  $("advice").replaceChildren(box);
}

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

function stop() {
  const was = mic; mic = null;
  was?.close(); reader?.close(); reader = null;
  button.textContent = "Listen"; view.dataset.listening = "no";
}

async function start() {
  button.disabled = true;
  try {
    mic = await openMicrophone({ device: remembered("input"), onpacket: ({ packet }) => reader?.send(packet) });
    const socket = openReader(`/ws/drums/${drum}/taps?head=${head}`, { rate: mic.rate, channels: ["1"] }, show);
    await socket.ready;
    reader = socket;
    socket.socket.addEventListener("close", () => { if (mic) { stop(); say("The reader has stopped", "Start it again with: bothheads serve.", "unsettled"); } });
    mic.ended(() => { stop(); say("The input has gone", "The microphone was unplugged. What was heard is still here.", "unsettled"); });
    button.textContent = "Stop"; view.dataset.listening = "yes";
    if (mic.ignored.length) say("To bear in mind", ignoredWords(mic), "refused");
    else say("Listening", "Tap near the rod that is shown.");
  } catch (error) { stop(); say("No microphone", error.message, "refused"); }
  button.disabled = false;
}

button.hidden = false;
button.addEventListener("click", () => (mic ? stop() : start()));
for (const form of view.querySelectorAll("form")) {
  const what = form.action.split("/").pop();
  if (form.hasAttribute("data-long")) continue;
  form.addEventListener("submit", async event => {
    event.preventDefault();
    const answer = await fetch(`/api/drums/${drum}/taps/${what}`, { method: "POST", body: new URLSearchParams(new FormData(form)) });
    show(await answer.json());
  });
}
