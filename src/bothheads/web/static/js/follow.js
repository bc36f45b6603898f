// Listens at the press of a button and hands what the reader says on; what goes wrong is said in the advice box.
import { ignoredWords, openMicrophone, openReader, remembered } from "./microphone.js";

export function say(word, sentence, kind = "") {
  const box = document.createElement("div"), b = document.createElement("b");
  box.className = `say ${kind}`; b.textContent = word;
  box.append(b, sentence);
  document.getElementById("advice").replaceChildren(box);
}

// path: the reader's socket; show: what to do with its messages; during: the button's words; begun: said once it listens.
export function follow({ view, button, path, show, during, begun }) {
  let mic = null, reader = null;

  function stop() {
    const was = mic; mic = null;
    was?.close(); reader?.close(); reader = null;
    button.textContent = "Listen"; view.dataset.listening = "no";
  }

  async function start() {
    button.disabled = true;
    try {
      mic = await openMicrophone({ device: remembered("input"), onpacket: ({ packet }) => reader?.send(packet) });
      const socket = openReader(path, { rate: mic.rate, channels: ["1"] }, show);
      await socket.ready;
      reader = socket;
      socket.socket.addEventListener("close", () => { if (mic) { stop(); say("The reader has stopped", "Start it again with: bothheads serve.", "unsettled"); } });
      mic.ended(() => { stop(); say("The input has gone", "The microphone was unplugged. What was heard is still here.", "unsettled"); });
      button.textContent = during; view.dataset.listening = "yes";
      if (mic.ignored.length) say("To bear in mind", ignoredWords(mic), "refused");
      else begun();
    } catch (error) { stop(); say("No microphone", error.message, "refused"); }
    button.disabled = false;
  }

  button.hidden = false;
  button.addEventListener("click", () => (mic ? stop() : start()));
}
