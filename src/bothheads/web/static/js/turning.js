// Turning mode: keys, dim light, a tap on the head instead of the button. Each step is a page of its own, so a reload
// or a dead script loses nothing; with the script the step is exchanged in place and the microphone stays open.
import { ignoredWords, openMicrophone, openReader, remembered, remember } from "./microphone.js";

const $ = id => document.getElementById(id), stage = () => document.querySelector("form.stage");
const root = document.documentElement, KEY = "dim", APART = 0.8;   // s between two taps that count
let mic = null, reader = null, last = -9, queue = Promise.resolve(), words = remembered("taps") === "on" ? "was on: press to listen again" : "off";

const kept = () => { try { return sessionStorage.getItem(KEY) === "1"; } catch { return false; } };
const dim = on => { root.toggleAttribute("data-dark", on); try { sessionStorage.setItem(KEY, on ? "1" : "0"); } catch { /* private window */ } };

function tell(text) {
  words = text;
  const button = document.querySelector(".taps");
  button.querySelector("small").textContent = text;
  button.setAttribute("aria-pressed", mic ? "true" : "false");
}

function stop(text = "off") {
  const was = mic; mic = null;
  was?.close(); reader?.close(); reader = null;
  tell(text);
}

function tapped({ at_s: at }) {
  if (at - last < APART) return;
  last = at;
  queue = queue.then(() => stage().hasAttribute("data-reading") ? null : press($("turned")));   // one step after the other
}

function press(button) {
  const form = stage(), data = new FormData(form);
  if (button?.name) data.set(button.name, button.value);
  return go(`${form.getAttribute("action")}?${new URLSearchParams(data)}`);
}

async function listen() {
  tell("asking for the microphone");
  try {
    mic = await openMicrophone({ device: remembered("input"), onpacket: ({ packet }) => reader?.send(packet) });
    const socket = openReader(`/ws/drums/${stage().dataset.drum}/turn`, { rate: mic.rate, channels: ["1"] }, tapped);
    await socket.ready;
    reader = socket;
    socket.socket.addEventListener("close", () => { if (mic) stop("the reader has stopped"); });
    mic.ended(() => stop("the input has gone"));
    tell(mic.ignored.length ? ignoredWords(mic) : "on: one tap, then the next rod");
  } catch (error) { stop(error.message); }
}

async function go(url, push = true) {
  const answer = await fetch(url).catch(() => null);
  if (!answer?.ok) { location.href = url; return; }
  const next = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (!next.querySelector("form.stage")) { location.href = url; return; }
  document.title = next.title;
  $("main").replaceChildren(...next.getElementById("main").childNodes);
  if (push) history.pushState(null, "", url);
  ready();
}

function ready() {
  const form = stage(), button = form.querySelector(".taps");
  form.addEventListener("submit", event => {
    event.preventDefault();
    press(event.submitter);
  });
  for (const light of form.querySelectorAll(".dim")) {
    light.hidden = false;
    light.addEventListener("click", event => { event.preventDefault(); dim(!root.hasAttribute("data-dark")); });
  }
  button.hidden = false;
  button.addEventListener("click", () => { if (mic) { stop(); remember("taps", "off"); } else { remember("taps", "on"); listen(); } });
  if (form.hasAttribute("data-reading")) $("turned").addEventListener("click", () => stop());
  tell(words);
  $("turned").focus({ preventScroll: true });
}

addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.closest("button, a") && (event.key === " " || event.key === "Enter")) return;
  if (event.key === " " || event.key === "Enter") { event.preventDefault(); $("turned").click(); }
  else if (event.key === "Backspace") { event.preventDefault(); if (!$("back").disabled) $("back").click(); }
});
addEventListener("popstate", () => go(location.href, false));
addEventListener("pagehide", () => stop());
if (kept()) dim(true);
ready();
