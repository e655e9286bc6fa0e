// Plays all layers of a section, started on the same frame. A long section comes in pieces: one plays, the next one is
// ready, and what was played is dropped. Pieces overlap, and cross over into each other where they hold the same sound.
// A gain never jumps: every change is an exponential glide with one time constant for all layers, so that the sound in
// between is a mixture of the old and the new setting and stays below the ceiling as they do.

const GLIDE_S = 0.012;
const FADE_S = 0.006;
const STRETCH = 128;
const START_WAIT_MS = 2000;
const PIECES_HELD = 3;
const JOIN_FRAMES = 256;
// With less than this left in a piece, the next one is decoded before the sound starts.
const AHEAD_S = 3;
// A start that takes the place of one that is still being prepared waits this long: while a finger moves along the
// outline, pieces that it only passes are not decoded.
const PASSING_MS = 120;

// The system holds the sound back; a new tap may get it.
class SoundHeld extends Error {}

// Frames at which a piece begins and ends, without its margins.
const pieceSpan = ({ starts, frames }, piece) => [starts[piece], starts[piece + 1] ?? frames];
const pieceAt = ({ starts }, frame) => starts.filter((start) => start <= frame).length - 1;

// Decodes a piece of every layer, and notes its highest samples.
async function decodePiece(context, section, number, piece) {
  const buffers = await decodedSounds(context, section, number, piece);
  section.decoded.set(piece, {
    buffers,
    peaks: buffers.map((buffer, layer) => stretchPeaks(buffer, section.gains[layer])),
    samples: buffers.map((buffer, layer) => ({ gain: section.gains[layer], sides: [0, 1].map((side) => buffer.getChannelData(side)) })),
  });
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

// One gain for each layer, all into `out`. `gains` are already times the master. `next` is the piece to start then.
function joinVoices(context, section, gains, destination) {
  const out = context.createGain();
  out.connect(destination);
  const voices = section.gains.map((stored, layer) => {
    const gain = context.createGain();
    gain.gain.value = gains[layer] * stored;
    gain.connect(out);
    return { gain };
  });
  return { context, section, out, voices, stored: section.gains, sources: new Set(), next: null };
}

// Starts all layers `frame` frames into the section, which are in this piece; or, at the end of the piece before, where
// that one is going out. Returns one of the sources. A section of one piece goes round by itself.
function startPiece(joined, buffers, piece, frame, when, rate) {
  const { context, section } = joined;
  const [start, stop] = pieceSpan(section, piece);
  const follows = joined.next !== null;
  const goesRound = section.starts.length === 1;
  const half = JOIN_FRAMES / 2 / rate;
  const end = when + (stop - frame) / rate;
  const place = (section.margin + frame - start) / rate;
  const sources = buffers.map((buffer, layer) => {
    const source = context.createBufferSource();
    source.buffer = buffer;
    if (goesRound) {
      source.loop = true;
      source.connect(joined.voices[layer].gain);
      source.start(when, place);
    } else {
      const edge = context.createGain();
      source.connect(edge);
      edge.connect(joined.voices[layer].gain);
      if (follows) {
        // Also where rounding lets the source start a frame before the ramp.
        edge.gain.value = 0;
        edge.gain.setValueAtTime(0, when - half);
        edge.gain.linearRampToValueAtTime(1, when + half);
      }
      edge.gain.setValueAtTime(1, end - half);
      edge.gain.linearRampToValueAtTime(0, end + half);
      source.start(follows ? when - half : when, follows ? place - half : place);
      source.stop(end + half);
    }
    joined.sources.add(source);
    return source;
  });
  joined.next = { piece: (piece + 1) % section.starts.length, when: goesRound ? Infinity : end };
  return sources;
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
    this.starting = false;
    this.hung = false;
    this.stopped = () => {};
    this.failed = () => {};
    this.late = () => {};
  }

  get playing() {
    return this.joined !== null;
  }

  // Seconds into the section.
  get position() {
    if (!this.playing) return this.offset;
    const until = Math.min(this.context.currentTime - (this.context.outputLatency || 0), this.joined.next.when);
    const heard = until - this.started;
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
      if (context !== this.context) return;
      // It did start, if later than was waited for: the next tap goes on with it.
      if (context.state === "running") this.hung = false;
      else this.stopped();
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

  // Whether the sound at a place of a section is ready.
  has(section, number, offset) {
    return this.held.has(`${number} ${pieceAt(section, offset * this.rate)}`);
  }

  // Decoded sound is large: only that of the last few pieces is kept.
  async buffersOf(section, number, piece) {
    const key = `${number} ${piece}`;
    if (!this.held.has(key)) {
      const buffers = await decodePiece(this.context, section, number, piece);
      this.held.set(key, { section, piece, buffers });
    }
    const entry = this.held.get(key);
    this.held.delete(key);
    this.held.set(key, entry);
    while (this.held.size > PIECES_HELD) {
      const [oldest, left] = this.held.entries().next().value;
      left.section.decoded.delete(left.piece);
      this.held.delete(oldest);
    }
    return entry.buffers;
  }

  // Starts, or moves to another place or section while playing, after some seconds of silence. `gainsNow` is asked once
  // the sound is ready.
  async play(section, number, offset, gainsNow, silenceS = 0) {
    this.turn += 1;
    const mine = this.turn;
    const passing = this.starting && !this.has(section, number, offset);
    this.starting = true;
    const frame = Math.round(offset * this.rate) % section.frames;
    const piece = pieceAt(section, frame);
    let buffers;
    try {
      const woken = this.wake();
      if (passing) {
        await Promise.all([woken, new Promise((done) => { setTimeout(done, PASSING_MS); })]);
        if (mine !== this.turn) return false;
      }
      [buffers] = await Promise.all([this.buffersOf(section, number, piece), woken]);
      if (pieceSpan(section, piece)[1] - frame < AHEAD_S * this.rate) {
        await this.buffersOf(section, number, (piece + 1) % section.starts.length);
      }
    } catch (refusal) {
      if (mine !== this.turn) return false;
      this.starting = false;
      throw refusal;
    }
    if (mine !== this.turn) return false;
    this.starting = false;
    this.silence();
    this.section = section;
    this.joined = joinVoices(this.context, section, gainsNow(), this.context.destination);
    // On a frame, so that pieces follow each other on frames.
    const now = Math.ceil((this.context.currentTime + 0.02 + silenceS) * this.context.sampleRate) / this.context.sampleRate;
    this.joined.out.gain.value = 0;
    this.joined.out.gain.setTargetAtTime(1, now, FADE_S);
    this.offset = frame / this.rate;
    this.started = now;
    this.start(this.joined, buffers, number, piece, frame, gainsNow);
    if (section.starts.length > 1) this.extend(this.joined, number, gainsNow);
    return true;
  }

  // Starts a piece; when it has ended, the one after the next is prepared.
  start(joined, buffers, number, piece, frame, gainsNow) {
    const sources = startPiece(joined, buffers, piece, frame, joined.next ? joined.next.when : this.started, this.rate);
    sources[0].addEventListener("ended", () => {
      for (const source of sources) joined.sources.delete(source);
      if (joined === this.joined) this.extend(joined, number, gainsNow);
    });
  }

  // Prepares the next piece and lets it follow. Where that takes too long the sound starts anew there.
  async extend(joined, number, gainsNow) {
    const { section, next: { piece, when } } = joined;
    const [frame] = pieceSpan(section, piece);
    let buffers;
    try {
      buffers = await this.buffersOf(section, number, piece);
    } catch (refusal) {
      if (joined === this.joined) this.failed(refusal);
      return;
    }
    if (joined !== this.joined || joined.next.when !== when) return;
    this.glide(gainsNow());
    if (this.context.currentTime > when - JOIN_FRAMES / this.rate) this.late(frame / this.rate);
    else this.start(joined, buffers, number, piece, frame, gainsNow);
  }

  pause() {
    this.turn += 1;
    this.starting = false;
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
    for (const source of this.joined.sources) source.stop(now + 12 * FADE_S);
    this.joined = null;
  }

  glide(gains) {
    if (this.joined) glideTo(this.joined, gains, this.context.currentTime);
  }
}
