// Long work that is seen and can be stopped: sending a recording, reading it, finding both heads, choosing.
// A form with data-long is sent from here; without this script it is sent as it is and the browser waits.
import { decoded } from "./decode.js";

const WAIT = 400;
const size = bytes => bytes > 9.5e5 ? `${(bytes / 1e6).toFixed(0)} MB` : `${Math.max(1, Math.round(bytes / 1e3))} kB`;
const sentence = text => text.charAt(0).toUpperCase() + text.slice(1);

function panel(after) {
  const box = document.createElement("div"), words = document.createElement("p"), bar = document.createElement("progress"), row = document.createElement("div");
  box.className = "job"; box.tabIndex = -1; words.setAttribute("role", "status"); bar.max = 1; row.className = "row";
  bar.setAttribute("aria-label", "How far it is");
  box.append(words, bar, row);
  after.append(box);
  return {
    box,
    say(text, share) {
      words.textContent = text; bar.hidden = share === undefined;
      if (share === null) bar.removeAttribute("value"); else if (share !== undefined) bar.value = share;
    },
    offer(...choices) {
      row.replaceChildren(...choices.map(([text, act]) => {
        const button = document.createElement("button");
        button.type = "button"; button.textContent = text; button.addEventListener("click", act);
        return button;
      }));
    },
    away() { box.remove(); },
  };
}

const ask = async (name, what) => {
  const answer = await fetch(`/api/jobs/${name}/${what}`, what === "look" ? {} : { method: "POST" });
  const said = await answer.json();
  if (!answer.ok) throw new Error(said.error);
  return said;
};

// Follows a job to its end; ended(message) is called with its last message.
async function follow(name, view, ended) {
  view.offer(["Stop", () => ask(name, "enough").catch(() => {})]);
  for (;;) {
    let now;
    try { now = await ask(name, "look"); } catch (error) {
      view.say(error instanceof TypeError ? "The page cannot reach the program on this machine. Start it again with: bothheads serve." : error.message);
      view.offer(["Look again", () => follow(name, view, ended)]);
      return;
    }
    if (now.state === "running" || now.state === "waiting") {
      view.say(`${sentence(now.stage)}, ${now.seconds} s so far`, now.share);
      await new Promise(done => setTimeout(done, WAIT));
      continue;
    }
    ended(now);
    return;
  }
}

function ending(name, view, form) {
  return now => {
    if (now.state === "done") {
      view.say("Done.", 1); view.offer();
      const event = new CustomEvent("job-done", { detail: now, bubbles: true, cancelable: true });
      if ((form ?? view.box).dispatchEvent(event)) location.href = now.where;
      return;
    }
    const failed = now.state === "failed";
    view.say(failed ? now.error && sentence(now.error) : "Stopped. Nothing was kept, and nothing is lost: what was sent waits here.");
    const again = () => ask(name, "again").then(() => follow(name, view, ending(name, view, form)), error => view.say(error.message));
    const away = () => ask(name, "away").catch(() => {}).then(() => { view.away(); form?.querySelector("button")?.focus(); });
    view.offer(["Go on", again], ["Throw it away", away]);
    view.box.focus();
  };
}

function send(form, button) {
  form.querySelector(":scope > .job")?.remove();
  const view = panel(form), request = new XMLHttpRequest();
  const data = new FormData(form);
  if (button?.name) data.append(button.name, button.value);
  const multipart = form.enctype === "multipart/form-data";
  request.open(form.method.toUpperCase(), button?.formAction && button.hasAttribute("formaction") ? button.formAction : form.action);
  request.setRequestHeader("accept", "application/json");
  request.upload.addEventListener("progress", event => {
    if (event.lengthComputable) view.say(`Sending, ${size(event.loaded)} of ${size(event.total)}`, event.loaded / event.total);
  });
  request.addEventListener("load", () => {
    let said = {};
    try { said = JSON.parse(request.responseText); } catch { /* a page instead of an answer */ }
    if (request.status === 202) follow(said.job, view, ending(said.job, view, form));
    else { view.say(said.error ? sentence(said.error) : "This could not be sent: load the page again, then repeat."); view.offer(); }
  });
  request.addEventListener("error", () => { view.say("The page cannot reach the program on this machine. Start it again with: bothheads serve."); view.offer(); });
  view.say("Sending", multipart ? 0 : null);
  let stopped = false;
  view.offer(["Stop", () => {
    stopped = true; request.abort(); view.offer();
    view.say("Stopped. Nothing was sent to its end and nothing was kept; the recording is still chosen above.");
  }]);
  view.box.scrollIntoView({ block: "nearest" });
  if (multipart) decoded(data).then(all => { if (!stopped) request.send(all); });
  else request.send(new URLSearchParams(data));
}

for (const form of document.querySelectorAll("form[data-long]")) form.addEventListener("submit", event => {
  if (event.submitter?.hasAttribute("data-plain")) return;
  event.preventDefault();
  send(form, event.submitter);
});

for (const item of document.querySelectorAll(".jobs .job")) {      // jobs that a reload found at work
  const { job, state } = item.dataset, list = document.createElement("div");
  const what = item.querySelector(".what b").textContent, view = panel(list);
  const say = view.say;
  view.say = (text, share) => say(`${what}: ${text}`, share);
  const before = item.querySelector(".what").lastChild.textContent.trim();
  item.replaceChildren(list);
  if (state === "running" || state === "waiting") follow(job, view, ending(job, view));
  else { ending(job, view)({ state, error: before }); document.activeElement?.blur?.(); }
}
