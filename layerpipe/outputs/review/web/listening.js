// Plays a finding in a loop. Both states run side by side from the same frame, so that going from one to the other is a
// short crossfade at the same place of the music and nothing else.

const CROSSFADE_S = 0.02;
const HELD_ITEMS = 6;

// Gains of a crossfade that keeps the power whatever the correlation of its two sides: Fink, Holters, Zolzer, DAFx-16.
function crossfadeCurves(correlation, points = 33) {
  const law = (turn) => Math.sin(turn) / Math.sqrt(1 + Math.max(correlation, -0.5) * Math.sin(2 * turn));
  const rising = Float32Array.from({ length: points }, (_, at) => law((at / (points - 1)) * Math.PI / 2));
  return { rising, falling: rising.slice().reverse() };
}

function correlationOf(one, other, start, count) {
  let across = 0, first = 0, second = 0;
  for (let side = 0; side < 2; side += 1) {
    const [left, right] = [one.getChannelData(side), other.getChannelData(side)];
    for (let at = 0; at < count; at += 1) {
      const place = (start + at) % left.length;
      across += left[place] * right[place];
      first += left[place] ** 2;
      second += right[place] ** 2;
    }
  }
  return first > 0 && second > 0 ? across / Math.sqrt(first * second) : 0;
}

// `wake` and what follows a lost device are the artist page's.
class Listener extends Player {
  constructor(rate) {
    super(rate);
    this.held = new Map();
    this.shown = 0;
    this.fading = 0;
  }

  get length() {
    return this.section.seconds;
  }

  async decoded(number) {
    if (!this.held.has(number)) this.held.set(number, { item: decodedItem(this.context, song.items[number]), mixes: new Map() });
    const entry = this.held.get(number);
    this.held.delete(number);
    this.held.set(number, entry);
    if (this.held.size > HELD_ITEMS) this.held.delete(this.held.keys().next().value);
    try {
      return { decoded: await entry.item, mixes: entry.mixes };
    } catch (refusal) {
      this.held.delete(number);
      throw refusal;
    }
  }

  async buffers(number, name) {
    const { decoded, mixes } = await this.decoded(number);
    if (!mixes.has(name)) {
      const item = song.items[number];
      const rate = this.context.sampleRate;
      const mixed = STATES.filter((state) => state === 0 || item.changed)
        .map((state) => bufferOf(this.context, mixedSides(item, decoded, name, state, rate), rate));
      mixes.set(name, mixed);
    }
    return mixes.get(name);
  }

  // Starts a finding in a setting, or goes to another setting of it at the same place.
  async start(number, name, state, offset) {
    this.turn += 1;
    const mine = this.turn;
    let buffers;
    try {
      const woken = this.wake();
      [, buffers] = await Promise.all([woken, this.buffers(number, name)]);
    } catch (refusal) {
      if (mine !== this.turn) return false;
      throw refusal;
    }
    if (mine !== this.turn) return false;
    const goesOn = this.joined && this.section.number === number;
    const place = goesOn ? this.placeNow : offset;
    this.silence();
    const out = this.context.createGain();
    out.connect(this.context.destination);
    const now = this.context.currentTime + 0.02;
    const voices = buffers.map((buffer, at) => {
      const source = this.context.createBufferSource();
      source.buffer = buffer;
      source.loop = true;
      const gain = this.context.createGain();
      gain.gain.value = Number(at === state);
      source.connect(gain).connect(out);
      source.start(now, (place + (goesOn ? 0.02 : 0)) % buffer.duration);
      return { source, gain };
    });
    out.gain.value = 0;
    out.gain.setTargetAtTime(1, now, FADE_S);
    this.joined = { out, voices, buffers, sources: voices.map(({ source }) => source), next: { when: Infinity } };
    this.section = { number, seconds: buffers[0].duration };
    this.offset = (place + (goesOn ? 0.02 : 0)) % buffers[0].duration;
    this.started = now;
    this.shown = state;
    this.fading = 0;
    return true;
  }

  // Seconds into the loop that the device is fed with now.
  get placeNow() {
    return (this.offset + Math.max(this.context.currentTime - this.started, 0)) % this.length;
  }

  // Crosses over to the other state.
  show(state) {
    if (!this.joined || state === this.shown || state >= this.joined.voices.length) return;
    const now = this.context.currentTime;
    if (now < this.fading) {
      clearTimeout(this.later);
      this.later = setTimeout(() => this.show(state), 1000 * (this.fading - now) + 2);
      return;
    }
    const { buffers, voices } = this.joined;
    const rate = buffers[0].sampleRate;
    const curves = crossfadeCurves(correlationOf(...buffers, Math.floor(this.placeNow * rate), Math.round(CROSSFADE_S * rate)));
    voices[state].gain.gain.setValueCurveAtTime(curves.rising, now, CROSSFADE_S);
    voices[1 - state].gain.gain.setValueCurveAtTime(curves.falling, now, CROSSFADE_S);
    this.fading = now + CROSSFADE_S + 0.005;
    this.shown = state;
  }

  stop() {
    this.turn += 1;
    clearTimeout(this.later);
    this.silence();
    this.offset = 0;
  }
}
