// Collects what the microphone hears into packets of 2048 frames: a 16-byte header, then one plane a channel.
class Tap extends AudioWorkletProcessor {
  constructor() { super(); this.fill = 0; this.planes = []; this.first = 0; }
  process([input]) {
    if (!input.length) return true;
    if (this.planes.length !== input.length) { this.planes = input.map(() => new Float32Array(2048)); this.fill = 0; }
    if (!this.fill) this.first = currentFrame;
    input.forEach((plane, i) => this.planes[i].set(plane, this.fill));
    this.fill += input[0].length;
    if (this.fill < 2048) return true;
    const packet = new ArrayBuffer(16 + 8192 * this.planes.length), head = new DataView(packet);
    head.setUint32(0, this.planes.length, true); head.setUint32(4, 2048, true); head.setFloat64(8, this.first, true);
    let peak = 0;
    this.planes.forEach((plane, i) => {
      new Float32Array(packet, 16 + 8192 * i, 2048).set(plane);
      for (const x of plane) peak = Math.max(peak, Math.abs(x));
    });
    this.fill = 0;
    this.port.postMessage({ packet, peak }, [packet]);
    return true;
  }
}
registerProcessor("tap", Tap);
