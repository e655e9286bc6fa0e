// Where a section's encoded sound comes from: text inside this page, or addresses beside it (`section.urls`).

const TEXT_VALUES = new Int16Array(128).fill(-1);
for (let code = 0x21, value = 0; code < 0x7f; code += 1) {
  if (!"<&\\".includes(String.fromCharCode(code))) TEXT_VALUES[code] = value++;
}

// Two characters hold 13 bits.
function bytesOfText(text, count) {
  const bytes = new Uint8Array(count);
  let held = 0;
  let bits = 0;
  let at = 0;
  for (let place = 0; place < text.length; place += 2) {
    held = (held << 13) | (TEXT_VALUES[text.charCodeAt(place)] * 91 + TEXT_VALUES[text.charCodeAt(place + 1)]);
    bits += 13;
    while (bits >= 8 && at < count) {
      bits -= 8;
      bytes[at++] = (held >>> bits) & 255;
    }
    held &= (1 << bits) - 1;
  }
  return bytes;
}

// The page can be used before all of it has arrived; its sound comes last.
function wholePage() {
  if (document.readyState !== "loading") return Promise.resolve();
  return new Promise((done) => { document.addEventListener("DOMContentLoaded", done, { once: true }); });
}

// The sound did not arrive; nothing is wrong with the browser.
class SoundMissing extends Error {}

async function fetchSound(url) {
  let response;
  try {
    response = await fetch(url, { credentials: "omit" });
  } catch (refusal) {
    if (!(refusal instanceof TypeError)) throw refusal;
    throw new SoundMissing("no connection");
  }
  if (!response.ok) throw new SoundMissing(String(response.status));
  return response.arrayBuffer();
}

const fetchSounds = (urls) => Promise.all(urls.map(fetchSound));
let playsFlac = document.createElement("audio").canPlayType("audio/flac") !== "";

// An AAC decoder may leave the encoder's padding at the end.
function withoutPadding(context, buffer, section, piece) {
  const [start, stop] = pieceSpan(section, piece);
  const frames = Math.round(((stop - start + 2 * section.margin) * buffer.sampleRate) / song.rate);
  if (buffer.length <= frames) return buffer;
  const kept = context.createBuffer(buffer.numberOfChannels, frames, buffer.sampleRate);
  for (let side = 0; side < kept.numberOfChannels; side += 1) {
    kept.copyToChannel(buffer.getChannelData(side).subarray(0, frames), side);
  }
  return kept;
}

const urlsOf = (section, piece) => (playsFlac ? section.urls : section.urlsAac).map((pieces) => pieces[piece]);

// A piece of every layer of a section, and of the bed after them. FLAC; AAC where a browser cannot decode that.
async function decodedSounds(context, section, number, piece) {
  const decode = (sounds) => Promise.all(sounds.map((bytes) => context.decodeAudioData(bytes)));
  if (!section.urls) {
    await wholePage();
    return decode(section.bytes.map((counts, layer) => (
      bytesOfText(document.getElementById(`sound-${number}-${layer}-${piece}`).textContent, counts[piece]).buffer)));
  }
  if (playsFlac) {
    const sounds = await fetchSounds(urlsOf(section, piece));
    try {
      return await decode(sounds);
    } catch (refusal) {
      if (refusal.name !== "EncodingError") throw refusal;
      playsFlac = false;
    }
  }
  const buffers = await decode(await fetchSounds(urlsOf(section, piece)));
  return buffers.map((buffer) => withoutPadding(context, buffer, section, piece));
}

// Lets the browser store the beginning of a section before it is asked for. What fails is fetched again when it is
// needed.
async function fetchAhead(section) {
  try {
    await fetchSounds(urlsOf(section, 0));
  } catch (refusal) {
    if (!(refusal instanceof SoundMissing)) throw refusal;
  }
}
