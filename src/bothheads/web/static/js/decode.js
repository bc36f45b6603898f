// A recording that the program on this machine has no decoder for (m4a, AAC, WebM ...) is decoded by the browser's own.
// It comes out at RATE whatever the file's rate was, as 32-bit floats in a WAV that says what it was made from.
const RATE = 48000;
const READ = /\.(wav|wave|bwf|w64|rf64|flac|ogg|oga|opus|aiff?|aifc|au|caf|mp3)$/i;
const ascii = text => [...text].map(letter => letter.charCodeAt(0) & 127);

function wav(sound, kind) {
  const channels = sound.numberOfChannels, bytes = 4 * channels * sound.length;
  const said = `decoded by a browser from ${kind}`.padEnd(48, "\0"), head = 44 + 20 + said.length;
  const out = new DataView(new ArrayBuffer(head + bytes));
  const put = (at, text) => ascii(text).forEach((code, i) => out.setUint8(at + i, code));
  const whole = (at, value) => out.setUint32(at, value, true), half = (at, value) => out.setUint16(at, value, true);
  put(0, "RIFF"); whole(4, head + bytes - 8); put(8, "WAVEfmt "); whole(16, 16); half(20, 3); half(22, channels);
  whole(24, sound.sampleRate); whole(28, 4 * channels * sound.sampleRate); half(32, 4 * channels); half(34, 32);
  put(36, "LIST"); whole(40, 12 + said.length); put(44, "INFOICMT"); whole(52, said.length); put(56, said);
  put(head - 8, "data"); whole(head - 4, bytes);
  for (let c = 0; c < channels; c++) {
    const samples = sound.getChannelData(c);
    for (let i = 0, at = head + 4 * c; i < samples.length; i++, at += 4 * channels) out.setFloat32(at, samples[i], true);
  }
  return out.buffer;
}

async function one(file) {
  if (READ.test(file.name)) return file;
  try {
    const sound = await new OfflineAudioContext(1, 1, RATE).decodeAudioData(await file.arrayBuffer());
    const kind = file.name.includes(".") ? file.name.split(".").pop().toUpperCase().slice(0, 8) : "SOUND";
    return new File([wav(sound, kind)], `${file.name}.wav`, { type: "audio/wav" });
  } catch { return file; }                                         // the program says what it makes of it
}

// The form's data with every recording that only the browser can decode replaced by its WAV.
export async function decoded(data) {
  if (!document.body.hasAttribute("data-decode")) return data;
  const out = new FormData();
  for (const [name, value] of data) out.append(name, value instanceof File && value.size ? await one(value) : value);
  return out;
}
