// The model's sound, made here from the partials of the forecast: heard at once, and said to be the model's.
let context = null, source = null;

// Each partial is a decaying sinusoid; a two-term recursion makes it without a sine per sample.
export function synthesise(partials, rate, seconds = 1.6) {
  const n = Math.round(rate * seconds), out = new Float32Array(n), push = Math.round(0.004 * rate);
  for (const [f, decay, level] of partials) {
    if (f >= rate / 2) continue;
    const r = Math.exp(-1 / (decay * rate)), w = 2 * Math.PI * f / rate, k = 2 * r * Math.cos(w), r2 = r * r;
    let y1 = 0, y2 = -(10 ** (level / 20)) * Math.sin(w) / r;
    for (let i = 0; i < n; i++) { const y = k * y1 - r2 * y2; y2 = y1; y1 = y; out[i] += y; }
  }
  let peak = 1e-9;
  for (let i = 0; i < n; i++) { if (i < push) out[i] *= 0.5 - 0.5 * Math.cos(Math.PI * i / push); peak = Math.max(peak, Math.abs(out[i])); }
  const fade = Math.round(0.05 * rate);
  for (let i = 0; i < n; i++) out[i] *= 0.8 / peak * Math.min(1, (n - i) / fade);
  return out;
}

export async function playPartials(partials) {
  context = context ?? new AudioContext();
  if (context.state !== "running") await context.resume();
  silence();
  const samples = synthesise(partials, context.sampleRate);
  const buffer = context.createBuffer(1, samples.length, context.sampleRate);
  buffer.copyToChannel(samples, 0);
  source = context.createBufferSource();
  source.buffer = buffer;
  source.connect(context.destination);
  source.start();
}

export function silence() { try { source?.stop(); } catch { /* it has ended */ } }
