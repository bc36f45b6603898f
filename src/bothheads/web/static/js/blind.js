// Both sounds decoded beforehand and started on one clock: one after the other, or running together and switched.
const form = document.getElementById("try"), again = form.querySelector(".again"), both = form.querySelector(".switch");
const answers = [...form.querySelectorAll(".ans")];
const GAP = 0.35, RAMP = 0.004;
let context = null, buffers = null, running = [], gains = [], ahead = 0, marks = [];

async function load() {
  context = context ?? new AudioContext();
  if (context.state !== "running") await context.resume();
  buffers = buffers ?? await Promise.all([form.dataset.first, form.dataset.second].map(async url => {
    const answer = await fetch(url);
    if (!answer.ok) throw new Error("The sounds did not come: load the page again.");
    return context.decodeAudioData(await answer.arrayBuffer());
  }));
}

function quiet() {
  for (const node of running) { try { node.stop(); } catch { /* it has ended */ } }
  marks.forEach(clearTimeout);
  running = []; gains = []; marks = [];
  answers.forEach(button => button.classList.remove("playing"));
  both.setAttribute("aria-pressed", "false");
}

function start(index, when, loop, gain) {
  const node = context.createBufferSource(), level = context.createGain();
  node.buffer = buffers[index]; node.loop = loop; level.gain.value = gain;
  node.connect(level).connect(context.destination);
  node.start(when);
  running.push(node); gains.push(level);
}

const mark = index => answers.forEach((button, i) => button.classList.toggle("playing", i === index));

async function play() {
  await load();
  quiet();
  const now = context.currentTime + 0.05, next = now + Math.min(buffers[0].duration, 3) + GAP;
  start(0, now, false, 1); start(1, next, false, 1);
  running[0].stop(next - GAP / 2);
  marks = [[50, 0], [(next - context.currentTime) * 1000, 1], [(next - context.currentTime + buffers[1].duration) * 1000, -1]]
    .map(([ms, i]) => setTimeout(mark, ms, i));
}

async function toggle() {
  await load();
  if (both.getAttribute("aria-pressed") === "true") {                    // the change is a 4 ms fade, nothing restarts
    ahead = 1 - ahead;
    const t = context.currentTime;
    gains.forEach((g, i) => { g.gain.setValueAtTime(g.gain.value, t); g.gain.linearRampToValueAtTime(i === ahead ? 1 : 0, t + RAMP); });
  } else {
    quiet();
    ahead = 0;
    const now = context.currentTime + 0.05;
    start(0, now, true, 1); start(1, now, true, 0);
    both.setAttribute("aria-pressed", "true");
  }
  mark(ahead);
}

const safely = act => () => act().catch(error => { document.getElementById("trouble").textContent = error.message; });
again.hidden = both.hidden = false;
form.querySelector(".plain-players").hidden = true;
again.addEventListener("click", safely(play));
both.addEventListener("click", safely(toggle));
addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "1" || event.key === "2") answers[+event.key - 1].click();
  else if (event.key === "s" || event.key === "S") both.click();
  else if (event.key === " " && !event.target.closest("button, a")) { event.preventDefault(); again.click(); }
});
addEventListener("pagehide", quiet);
