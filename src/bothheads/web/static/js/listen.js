// Live listening: strikes go to the reader on this machine and come back as rungs.
import { ignoredWords, inputs, openMicrophone, openReader, remember, remembered } from "./microphone.js";

const main = document.querySelector("#view"), drum = main.dataset.drum;
const $ = id => document.getElementById(id);
const select = $("input"), channel = $("channel"), button = $("listen"), meter = $("meter"), peakWords = $("peak");
let mic = null, reader = null, sent = [], loudest = 0, shownAt = 0;

function say(word, sentence, kind = "") {
  const box = document.createElement("div"), b = document.createElement("b");
  box.className = `say ${kind}`; b.textContent = word;
  box.append(b, sentence);
  return box;
}
const tell = (...boxes) => $("advice").replaceChildren(...boxes);

async function listInputs() {
  const list = await inputs().catch(() => []);
  const wanted = remembered("input");
  select.replaceChildren(...list.map((d, i) => new Option(d.label || `Input ${i + 1}`, d.deviceId, false, d.deviceId === wanted)));
  select.disabled = list.length < 2;
}

function level(peak) {
  loudest = Math.max(loudest, peak);
  const now = performance.now();
  if (now - shownAt < 100) return;
  shownAt = now;
  const db = Math.max(-60, 20 * Math.log10(loudest || 1e-6));
  meter.firstElementChild.style.width = `${(db + 60) / 0.6}%`;
  meter.setAttribute("aria-valuenow", db.toFixed(0));
  peakWords.textContent = loudest >= 0.995 ? "too loud: it clips" : `${db.toFixed(0).replace("-", "−")} dB under full`.replace("−0 dB under", "0 dB under");
  peakWords.classList.toggle("clip", loudest >= 0.995);
  loudest = 0;
}

function onpacket({ packet, peak }) {
  level(peak);
  const head = new DataView(packet);
  sent.push([head.getFloat64(8, true) + head.getUint32(4, true), performance.now()]);
  if (sent.length > 400) sent.shift();
  reader.send(packet);
}

export function show(message) {
  if (message.drawings) {
    $("picture").innerHTML = message.drawings.w + message.drawings.n;
    $("kind").textContent = message.note.kind; $("note").textContent = message.note.figure;
    $("was").textContent = message.note.name; $("tail").textContent = message.note.tail;
  }
  if (message.rows) strikes(message.rows);
  if (message.advice) tell(...message.advice.map(a => say(a.word, a.sentence, a.kind)));
  if (message.window_end !== undefined && !message.final && mic) {
    const closed = sent.find(([end]) => end >= message.window_end);
    if (closed) requestAnimationFrame(() => performance.measure("strike-to-rung", { start: closed[1] }));
  }
  if (message.strike) main.dataset.strikes = message.strike;
  if (message.gap) $("gap").textContent = message.gap === 1 ? "One piece of sound was lost on the way." : `${message.gap} pieces of sound were lost on the way.`;
}

function strikes(rows) {
  $("strikes").replaceChildren(...rows.map(row => {
    const li = document.createElement("li"), text = document.createElement("span"), drop = document.createElement("button");
    li.className = row.dropped ? "dropped" : row.apart ? "apart" : "";
    text.textContent = `Strike ${row.number}: ${row.words}${row.dropped ? ", left out" : ""}`;
    drop.type = "button"; drop.className = "slim";
    drop.textContent = row.dropped ? "Take back in" : "Leave out";
    drop.setAttribute("aria-label", `${drop.textContent}: strike ${row.number}`);
    drop.onclick = () => change("drop", { strike: row.number });
    li.append(text, drop);
    return li;
  }));
  const any = rows.some(row => !row.dropped);
  $("keep").hidden = !rows.length;
  $("keep").querySelector("button").disabled = !any;
}

async function change(what, fields = {}) {
  const body = new URLSearchParams(fields);
  const answer = await fetch(`/api/drums/${drum}/bench/${what}`, { method: "POST", body });
  show(await answer.json());
}

async function start() {
  button.disabled = true;
  tell(say("Asking for the microphone", "The browser may ask whether this page may listen."));
  try {
    mic = await openMicrophone({ device: select.value || remembered("input"), onpacket: p => reader && onpacket(p), processing: main.dataset.processing === "on" });
  } catch (error) {
    button.disabled = false;
    main.dataset.listening = "no";
    tell(say("No microphone", error.message, "refused"));
    return;
  }
  remember("input", mic.device);
  const hello = { rate: mic.rate, label: mic.label, channels: channel.value.split(",") };
  const socket = openReader(`/ws/drums/${drum}/listen`, hello, show);
  try { await socket.ready; } catch (error) { mic.close(); mic = null; button.disabled = false; tell(say("The reader has stopped", error.message, "unsettled")); return; }
  reader = socket;
  socket.socket.addEventListener("close", () => { if (mic) { stop(); tell(say("The reader has stopped", "The page cannot reach the program on this machine. Start it again with: bothheads serve.", "unsettled")); } });
  mic.ended(() => { stop(); tell(say("The input has gone", "The microphone was unplugged. What was heard is still here.", "unsettled")); });
  await listInputs();
  $("ignored").hidden = !mic.ignored.length;
  $("ignored").textContent = mic.ignored.length ? ignoredWords(mic) : "";
  $("device").textContent = `${mic.label}, ${mic.rate} Hz`;
  button.textContent = "Stop"; button.disabled = false;
  main.dataset.listening = "yes";
  if (!$("strikes").children.length) tell(say("Listening", "Strike the centre three times, both heads free, a breath between."));
  else change("look");
}

function stop() {
  const was = mic; mic = null;
  was?.close(); reader?.close(); reader = null;
  button.textContent = "Listen"; main.dataset.listening = "no"; meter.firstElementChild.style.width = "0"; peakWords.textContent = "";
}

button.addEventListener("click", () => (mic ? stop() : start()));
select.addEventListener("change", () => { remember("input", select.value); if (mic) { stop(); start(); } });
channel.addEventListener("change", () => remember("channel", channel.value));
const kept = remembered("channel");
if (kept && [...channel.options].some(o => o.value === kept)) channel.value = kept;
$("strikes").addEventListener("click", event => {       // rows drawn by the server before the script came
  const form = event.target.closest("form");
  if (form) { event.preventDefault(); change("drop", { strike: form.strike.value }); }
});
button.hidden = false;
listInputs();
