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

async function fetchSound(url) {
  const response = await fetch(url);
  if (!response.ok) throw new Error(`the sound could not be loaded, ${response.status}`);
  return response.arrayBuffer();
}

// Encoded sound of every layer of a section, and of the bed after them.
async function encodedSounds(section, number) {
  if (section.urls) return Promise.all(section.urls.map(fetchSound));
  await wholePage();
  return section.bytes.map((count, layer) => bytesOfText(document.getElementById(`sound-${number}-${layer}`).textContent, count).buffer);
}
