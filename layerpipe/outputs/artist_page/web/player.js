// Plays all layers of a section, started on the same frame.
// A gain never jumps: every change is an exponential glide with one time constant for all layers, so that the sound in
// between is a mixture of the old and the new setting and stays below the ceiling as they do.

const GLIDE_S = 0.012;
const FADE_S = 0.006;
const STRETCH = 128;
const START_WAIT_MS = 2000;

// The system holds the sound back; a new tap may get it.
class SoundHeld extends Error {}

async function decodeSection(context, section, number) {
  const buffers = await decodedSounds(context, section, number);
  section.peaks = buffers.map((buffer, layer) => stretchPeaks(buffer, section.gains[layer]));
  section.samples = buffers.map((buffer, layer) => ({ gain: section.gains[layer], sides: [0, 1].map((side) => buffer.getChannelData(side)) }));
  return buffers;
}

// The highest sample of each short stretch, either side, of the layer at 0 dB.
function stretchPeaks(buffer, gain) {
  const peaks = new Float32Array(Math.ceil(buffer.length / STRETCH));
  for (let side = 0; side < buffer.numberOfChannels; side += 1) {
    const samples = buffer.getChannelData(side);
    for (let at = 0; at < samples.length; at += 1) {
      const size = Math.abs(samples[at]) * gain;
      const stretch = (at / STRETCH) | 0;
      if (size > peaks[stretch]) peaks[stretch] = size;
    }
  }
  return peaks;
}

// One looping source and one gain for each layer, all into `out`. `gains` are already times the master.
function joinVoices(context, buffers, stored, gains, destination) {
  const out = context.createGain();
  out.connect(destination);
  const voices = buffers.map((buffer, layer) => {
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.loop = true;
    const gain = context.createGain();
    gain.gain.value = gains[layer] * stored[layer];
    source.connect(gain);
    gain.connect(out);
    return { source, gain };
  });
  return { out, voices, stored };
}

function startVoices(joined, when, offset) {
  for (const voice of joined.voices) voice.source.start(when, offset);
}

function glideTo(joined, gains, when) {
  joined.voices.forEach((voice, layer) => {
    voice.gain.gain.setTargetAtTime(gains[layer] * joined.stored[layer], when, GLIDE_S);
  });
}

class Player {
  constructor(rate) {
    this.rate = rate;
    this.context = null;
    this.joined = null;
    this.section = null;
    this.offset = 0;
    this.started = 0;
    this.held = new Map();
    this.turn = 0;
    this.hung = false;
    this.stopped = () => {};
  }

  get playing() {
    return this.joined !== null;
  }

  // Seconds into the section.
  get position() {
    if (!this.playing) return this.offset;
    const heard = this.context.currentTime - (this.context.outputLatency || 0) - this.started;
    return (this.offset + Math.max(heard, 0)) % this.length;
  }

  get length() {
    return this.section.frames / this.rate;
  }

  // Must be called from a tap or a key the first time, or the browser keeps silent. A context that was closed, or that
  // did not start when asked, is replaced.
  async wake() {
    if (this.context && (this.hung || this.context.state === "closed")) this.dropContext();
    if (!this.context) this.openContext();
    const { context } = this;
    const started = await Promise.race([
      context.resume().then(() => true, () => false),
      new Promise((done) => { setTimeout(done, START_WAIT_MS, false); }),
    ]);
    if (context !== this.context) return;
    this.hung = !started;
    if (!started) throw new SoundHeld();
  }

  openContext() {
    let context;
    try {
      context = new AudioContext({ sampleRate: this.rate, latencyHint: "interactive" });
    } catch (refusal) {
      if (refusal.name !== "NotSupportedError") throw refusal;
      // The device cannot run at this rate: it converts instead.
      context = new AudioContext({ latencyHint: "interactive" });
    }
    context.addEventListener("statechange", () => {
      if (context === this.context && context.state !== "running") this.stopped();
    });
    // On phones with a silent mode this is music, not a notification.
    if (navigator.audioSession) navigator.audioSession.type = "playback";
    this.context = context;
    this.hung = false;
  }

  dropContext() {
    const { context } = this;
    if (this.joined) this.offset = this.position;
    this.joined = null;
    this.context = null;
    if (context.state !== "closed") context.close();
  }

  // Decoded sound is large: only that of this section and the one before is kept.
  async buffersOf(section, number) {
    if (!this.held.has(number)) {
      const buffers = await decodeSection(this.context, section, number);
      this.held.set(number, { section, buffers });
    }
    const entry = this.held.get(number);
    this.held.delete(number);
    this.held.set(number, entry);
    while (this.held.size > 2) {
      const [oldest, { section: left }] = this.held.entries().next().value;
      Object.assign(left, { peaks: [], samples: [] });
      this.held.delete(oldest);
    }
    return entry.buffers;
  }

  // Starts, or moves to another place or section while playing, after some seconds of silence. `gainsNow` is asked once
  // the sound is ready.
  async play(section, number, offset, gainsNow, silenceS = 0) {
    this.turn += 1;
    const mine = this.turn;
    let buffers;
    try {
      const woken = this.wake();
      [, buffers] = await Promise.all([woken, this.buffersOf(section, number)]);
    } catch (refusal) {
      if (mine !== this.turn) return false;
      throw refusal;
    }
    if (mine !== this.turn) return false;
    this.silence();
    this.section = section;
    this.joined = joinVoices(this.context, buffers, section.gains, gainsNow(), this.context.destination);
    const now = this.context.currentTime + 0.02 + silenceS;
    this.joined.out.gain.value = 0;
    this.joined.out.gain.setTargetAtTime(1, now, FADE_S);
    this.offset = offset % this.length;
    this.started = now;
    startVoices(this.joined, now, this.offset);
    return true;
  }

  pause() {
    this.turn += 1;
    if (!this.playing) return;
    this.offset = this.position;
    this.silence();
  }

  // Fades the sound out.
  silence() {
    if (!this.joined) return;
    if (this.context.state === "closed") {
      this.joined = null;
      return;
    }
    const now = this.context.currentTime;
    this.joined.out.gain.cancelScheduledValues(now);
    this.joined.out.gain.setTargetAtTime(0, now, FADE_S);
    for (const voice of this.joined.voices) voice.source.stop(now + 12 * FADE_S);
    this.joined = null;
  }

  glide(gains) {
    if (this.joined) glideTo(this.joined, gains, this.context.currentTime);
  }
}
