// Opens an input with the browser's processing off, reads back what the device really does, explains what fails.
const OFF = { echoCancellation: false, noiseSuppression: false, autoGainControl: false };
const NAMES = { echoCancellation: "echo cancelling", noiseSuppression: "noise suppression", autoGainControl: "automatic gain" };
const PATIENCE = 7500;              // a missing device may neither answer nor fail

export const remembered = key => { try { return localStorage.getItem(key); } catch { return null; } };
export const remember = (key, value) => { try { localStorage.setItem(key, value); } catch { /* private window */ } };

const WHY = {
  NotAllowedError: "The microphone was refused. Allow it beside the address of this page, then press Listen again.",
  SecurityError: "This browser does not give a microphone to this page: open it at 127.0.0.1.",
  NotFoundError: "No microphone was found. Plug one in, or choose a recording on the ladder page instead.",
  NotReadableError: "The input is in use by another program. Close that program, then press Listen again.",
  OverconstrainedError: "The chosen input is not there any more. Choose another one, then press Listen again.",
};

export class Trouble extends Error {}

function within(promise) {
  const late = new Promise((_, fail) => setTimeout(() => fail(new Trouble(
    "No microphone answered within 8 seconds. Plug one in and press Listen again, or choose a recording on the ladder page.")), PATIENCE));
  return Promise.race([promise, late]);
}

export async function inputs() {
  if (!navigator.mediaDevices?.enumerateDevices) return [];
  return (await navigator.mediaDevices.enumerateDevices()).filter(d => d.kind === "audioinput");
}

// processing: true leaves the browser's own processing on (only to show the difference).
export async function openMicrophone({ device = null, onpacket, processing = false }) {
  if (!navigator.mediaDevices?.getUserMedia) throw new Trouble(WHY.SecurityError);
  const audio = processing ? {} : { ...OFF };
  if (device) audio.deviceId = { exact: device };
  let stream;
  try {
    stream = await within(navigator.mediaDevices.getUserMedia({ audio: Object.keys(audio).length ? audio : true }));
  } catch (error) {
    throw error instanceof Trouble ? error : new Trouble(WHY[error.name] ?? `The microphone did not start (${error.name}). Choose another input.`);
  }
  const track = stream.getAudioTracks()[0], settings = track.getSettings();
  const context = new AudioContext();                 // no rate asked: the device's own
  await context.audioWorklet.addModule("/static/js/capture-worklet.js");
  await within(context.resume());
  const source = context.createMediaStreamSource(stream);
  const tap = new AudioWorkletNode(context, "tap", { numberOfInputs: 1, numberOfOutputs: 0, channelCount: 2, channelCountMode: "max" });
  tap.port.onmessage = event => onpacket(event.data);
  source.connect(tap);
  const ignored = Object.keys(OFF).filter(key => settings[key] === true).map(key => NAMES[key]);
  return {
    label: track.label || "the input", rate: context.sampleRate, device: settings.deviceId ?? "", ignored, settings,
    ended: fn => track.addEventListener("ended", fn),
    close() { track.stop(); source.disconnect(); context.close(); },
  };
}

export function ignoredWords(mic) {
  return `${mic.label} keeps ${mic.ignored.join(" and ")} on although it was asked not to. Levels and tails read with it cannot be trusted: choose another input.`;
}

// One socket to the reader: sends packets, counts gaps, hands messages on.
export function openReader(path, hello, onmessage) {
  const socket = new WebSocket(`ws://${location.host}${path}`);
  socket.binaryType = "arraybuffer";
  const ready = new Promise((done, fail) => {
    socket.addEventListener("open", () => { socket.send(JSON.stringify(hello)); done(); });
    socket.addEventListener("error", () => fail(new Trouble("The page cannot reach the program on this machine. Start it again with: bothheads serve.")));
  });
  socket.addEventListener("message", event => onmessage(JSON.parse(event.data)));
  return { ready, socket, send: data => { if (socket.readyState === WebSocket.OPEN) socket.send(data); }, close: () => socket.close() };
}
