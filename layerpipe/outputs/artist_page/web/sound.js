// Sound: text to FLAC to buffers, and a player that starts all layers of a section on the same frame.
// A gain never jumps: every change is an exponential glide, one time constant for all layers, so that what sounds on
// the way is always a mixture of the old and the new setting and stays under the ceiling with them.

const GLIDE_S = 0.012;
const FADE_S = 0.006;
const STRETCH = 128;
const LETTERS = new Int16Array(128).fill(-1);
for (let code = 0x21, value = 0; code < 0x7f; code += 1) {
  if (!"<&\\".includes(String.fromCharCode(code))) LETTERS[code] = value++;
}

// 13 bits stand in two characters.
function bytesOfText(text, count) {
  const bytes = new Uint8Array(count);
  let held = 0;
  let bits = 0;
  let at = 0;
  for (let place = 0; place < text.length; place += 2) {
    held = (held << 13) | (LETTERS[text.charCodeAt(place)] * 91 + LETTERS[text.charCodeAt(place + 1)]);
    bits += 13;
    while (bits >= 8 && at < count) {
      bits -= 8;
      bytes[at++] = (held >>> bits) & 255;
    }
    held &= (1 << bits) - 1;
  }
  return bytes;
}

async function decodeSection(context, section, number) {
  const decoded = section.bytes.map((count, layer) => {
    const text = document.getElementById(`sound-${number}-${layer}`).textContent;
    return context.decodeAudioData(bytesOfText(text, count).buffer);
  });
  const buffers = await Promise.all(decoded);
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

  // Must be called from a touch or a key the first time, or the browser keeps silent.
  wake() {
    if (!this.context) {
      try {
        this.context = new AudioContext({ sampleRate: this.rate, latencyHint: "interactive" });
      } catch (refusal) {
        if (refusal.name !== "NotSupportedError") throw refusal;
        // A rate this device cannot run at: it converts instead.
        this.context = new AudioContext({ latencyHint: "interactive" });
      }
      this.context.addEventListener("statechange", () => {
        if (this.context.state !== "running") this.stopped();
      });
      // On phones with a silent switch this is music, not a notification.
      if (navigator.audioSession) navigator.audioSession.type = "playback";
    }
    return this.context.resume();
  }

  // Decoded sound is large: only this section's and the last one's is held.
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

  // Starts, or moves to another place or section while playing. `gainsNow` is asked once the sound is ready.
  async play(section, number, offset, gainsNow) {
    this.turn += 1;
    const mine = this.turn;
    const [, buffers] = await Promise.all([this.wake(), this.buffersOf(section, number)]);
    if (mine !== this.turn) return false;
    this.silence();
    this.section = section;
    this.joined = joinVoices(this.context, buffers, section.gains, gainsNow(), this.context.destination);
    const now = this.context.currentTime + 0.02;
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

  // Fades what sounds and lets go of it.
  silence() {
    if (!this.joined) return;
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
