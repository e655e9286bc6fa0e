// From the voices of a finding to what is played: a mixed stereo buffer for each setting and state.

const song = JSON.parse(byId("facts").textContent);
const STATES = [0, 1];
const gainOf = (decibels) => 10 ** (decibels / 20);

async function bytesOfVoice(voice, state) {
  if (voice.urls) return fetchSound(voice.urls[state]);
  await wholePage();
  return bytesOfText(byId(voice.ids[state]).textContent, voice.bytes[state]).buffer;
}

const sidesOf = (buffer) => Array.from({ length: buffer.numberOfChannels }, (_, side) => buffer.getChannelData(side));

// A voice by state. What is proposed replaces only the frames that differ.
async function decodedVoice(context, voice) {
  const recorded = await context.decodeAudioData(await bytesOfVoice(voice, 0));
  const sides = sidesOf(recorded);
  if (voice.bytes.length < 2) return [sides, sides];
  const proposed = await context.decodeAudioData(await bytesOfVoice(voice, 1));
  const at = Math.round((voice.at * recorded.sampleRate) / song.rate);
  return [sides, sides.map((side, number) => {
    const changed = side.slice();
    const part = proposed.getChannelData(number);
    changed.set(part.subarray(0, changed.length - at), at);
    return changed;
  })];
}

async function decodedItem(context, item) {
  const names = Object.keys(item.voices);
  const voices = await Promise.all(names.map((name) => decodedVoice(context, item.voices[name])));
  return Object.fromEntries(names.map((name, number) => [name, voices[number]]));
}

// The layer's gain at a frame: one number, or a line through one for every step.
function levelAt(levels, place) {
  if (levels.length === 1) return levels[0];
  const left = Math.min(Math.floor(place), levels.length - 1);
  const right = Math.min(left + 1, levels.length - 1);
  return levels[left] + (levels[right] - levels[left]) * Math.min(place - left, 1);
}

function addVoice(out, sides, factors, gain, level) {
  for (let side = 0; side < 2; side += 1) {
    const from = sides[Math.min(side, sides.length - 1)];
    const factor = gain * (sides.length === 1 ? factors[side] : 1);
    const to = out[side];
    const count = Math.min(to.length, from.length);
    if (typeof level === "number") {
      const whole = factor * level;
      for (let at = 0; at < count; at += 1) to[at] += whole * from[at];
    } else {
      for (let at = 0; at < count; at += 1) to[at] += factor * level[at] * from[at];
    }
  }
}

// A setting in one state, at the gain that makes all of them equally loud.
function mixedSides(item, decoded, name, state, rate) {
  const frames = decoded.take[0][0].length;
  const out = [new Float32Array(frames), new Float32Array(frames)];
  const { take, double, rest } = item.voices;
  const master = gainOf(item.mixes.find((mix) => mix.name === name).gains[state]);
  if (name === "alone") {
    const gain = item.alone[state] * Math.SQRT1_2;
    addVoice(out, decoded.take[state], [gain, gain], master * take.gain, 1);
    return out;
  }
  let level = 1;
  if (name === "blend") {
    const levels = item.levels[state];
    const step = (song.levelStep * rate) / song.rate;
    level = levels.length === 1 ? levels[0] : Float32Array.from({ length: frames }, (_, at) => levelAt(levels, at / step));
  }
  addVoice(out, decoded.take[state], take.pans[state], master * take.gain, level);
  if (double) addVoice(out, decoded.double[state], double.pans[state], master * double.gain, level);
  if (rest && name === "blend") addVoice(out, decoded.rest[state], rest.pans[state], master * rest.gain, 1);
  return out;
}

function bufferOf(context, sides, rate) {
  const buffer = context.createBuffer(2, sides[0].length, rate);
  sides.forEach((side, number) => buffer.copyToChannel(side, number));
  return buffer;
}
