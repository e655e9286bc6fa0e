// The page: which finding is open, what is heard of it, what is accepted.

const list = byId("findings");
const entries = list ? [...list.children] : [];
const listener = new Listener(song.rate);
const state = { number: 0, mix: "alone", hears: null, ticked: new Set() };
const item = () => song.items[state.number];
const hasSound = () => Object.keys(item().voices).length > 0;
const isChanged = () => item().changed && item().diff.length > 0;
const WORDS = { alone: "alone", double: "with its double", blend: "in the blend" };

function say(words) {
  if (byId("status").textContent !== words) byId("status").textContent = words;
}

// ---- What is shown ----

const POINTS = 320;

// Heights as an area around a middle line.
function areaPath(text, middle, half) {
  const heights = Uint8Array.from(atob(text), (sign) => sign.charCodeAt(0));
  const x = (at) => ((1000 * at) / (POINTS - 1)).toFixed(1);
  const edge = (sign, order) => order.map((at) => `${x(at)} ${(middle - sign * half * heights[at] / 255).toFixed(1)}`);
  const order = Array.from(heights.keys());
  return `M${[...edge(1, order), ...edge(-1, order.reverse())].join("L")}Z`;
}

function showStrips() {
  const { outlines, frames, event, take, layer, bars, beside } = item();
  byId("recorded").setAttribute("d", areaPath(outlines.recorded, 68, 47));
  byId("proposed").setAttribute("d", outlines.proposed ? areaPath(outlines.proposed, 68, 47) : "");
  byId("beside").setAttribute("d", outlines.double ? areaPath(outlines.double, 162, 26) : "");
  const [first, last] = event ?? [0, 0];
  byId("event").setAttribute("x", (1000 * first) / frames);
  byId("event").setAttribute("width", event ? Math.max((1000 * (last - first)) / frames, 3) : 0);
  byId("strip-take").textContent = take || layer;
  byId("strip-beside").textContent = outlines.double ? beside : "";
  byId("strips-words").textContent = `Waveform of ${item().name}${outlines.proposed ? ", as recorded and as proposed" : ""}.`;
  byId("bars").replaceChildren(...bars.map(([bar, frame]) => {
    const mark = document.createElement("span");
    mark.textContent = `bar ${bar}`;
    mark.style.left = `${(100 * frame) / frames}%`;
    return mark;
  }));
}

function showDiff() {
  byId("diff").replaceChildren(...item().diff.map((line) => {
    const shown = document.createElement("span");
    shown.className = line.startsWith("-") ? "out" : "in";
    shown.textContent = `${line}\n`;
    return shown;
  }));
  const { needs } = item();
  byId("with").textContent = needs === null ? "" : `Accepted together with finding ${needs + 1}.`;
}

function showMixes() {
  const known = item().mixes.map((mix) => mix.name);
  for (const input of document.querySelectorAll("[name=mix]")) input.disabled = !known.includes(input.value) || !hasSound();
  const mix = known.includes(state.mix) ? state.mix : known[0];
  document.querySelector(`[name=mix][value=${mix}]`).checked = true;
  return mix;
}

function showHearing() {
  for (const [id, which] of [["hear-recorded", 0], ["hear-proposed", 1]]) byId(id).setAttribute("aria-pressed", String(state.hears === which));
  byId("detail").classList.toggle("hears-proposed", state.hears === 1);
  byId("hear-recorded").disabled = !hasSound();
  byId("hear-proposed").hidden = !isChanged();
  byId("hear-proposed").disabled = !hasSound();
}

function showTicks() {
  entries.forEach((entry, number) => {
    const isTicked = String(state.ticked.has(number));
    if (song.items[number].diff.length && entry.getAttribute("aria-checked") !== isTicked) entry.setAttribute("aria-checked", isTicked);
  });
  byId("proposal").hidden = item().diff.length === 0;
  byId("accept").checked = state.ticked.has(state.number);
}

function open(number, { focus = false } = {}) {
  entries[state.number].setAttribute("aria-selected", "false");
  entries[state.number].tabIndex = -1;
  state.number = Math.min(Math.max(number, 0), entries.length - 1);
  const entry = entries[state.number];
  entry.setAttribute("aria-selected", "true");
  entry.tabIndex = 0;
  if (focus) entry.focus({ preventScroll: true });
  scrollToEntry(entry);
  byId("who").textContent = `${item().name}${item().where ? `, ${item().where}` : ""}`;
  byId("what").textContent = item().text;
  const { advice } = item();
  byId("advice").textContent = item().diff.length ? `Proposed: ${advice}.` : advice && `${advice[0].toUpperCase()}${advice.slice(1)}.`;
  byId("previous").disabled = state.number === 0;
  byId("next").disabled = state.number === entries.length - 1;
  showStrips();
  showDiff();
  showMixes();
  showTicks();
  if (state.hears !== null && hasSound()) {
    hear(0);
  } else {
    stop();
    say(hasSound() ? "" : "The sound of this place is not in this file.");
  }
}

// Only the list scrolls, and only as far as needed; where it is not scrolled by itself it stays where it is.
function scrollToEntry(entry) {
  if (list.scrollHeight <= list.clientHeight) return;
  const top = entry.offsetTop - list.offsetTop;
  if (top < list.scrollTop) list.scrollTop = top;
  else if (top + entry.offsetHeight > list.scrollTop + list.clientHeight) list.scrollTop = top + entry.offsetHeight - list.clientHeight;
}

// ---- What is heard ----

async function hear(which) {
  if (!hasSound()) return;
  const mix = showMixes();
  const wanted = which === 1 && isChanged() ? 1 : 0;
  const isSame = listener.joined && listener.section.number === state.number && listener.mixName === mix;
  state.hears = wanted;
  showHearing();
  if (isSame) {
    listener.show(wanted);
    say(`${wanted ? "As proposed" : "As recorded"}, ${WORDS[mix]}`);
    return;
  }
  const number = state.number;
  try {
    if (!(await listener.start(number, mix, wanted, 0))) return;
    listener.mixName = mix;
    say(`${wanted ? "As proposed" : "As recorded"}, ${WORDS[mix]}`);
    if (state.hears !== null) listener.show(state.hears);
    followHead();
    listener.decoded(Math.min(number + 1, entries.length - 1)).catch(() => {});
  } catch (refusal) {
    stop();
    if (refusal instanceof SoundHeld) say("The sound did not start. Try again.");
    else if (refusal instanceof SoundMissing) say(`The sound could not be loaded (${refusal.message}). Try again.`);
    else if (refusal.name === "EncodingError") say("This browser cannot decode the sound (FLAC).");
    else throw refusal;
  }
}

function stop() {
  listener.stop();
  state.hears = null;
  showHearing();
  say("");
}

listener.stopped = () => {
  if (state.hears === null) return;
  stop();
  say("The sound was interrupted.");
};

let following = false;
function followHead() {
  const step = () => {
    following = listener.playing;
    const share = listener.playing ? listener.position / listener.length : 0;
    byId("head").style.transform = `translateX(${share * byId("strips").clientWidth}px)`;
    if (following) requestAnimationFrame(step);
  };
  if (!following) step();
}

// ---- Taps ----

function setMix(name) {
  if (!item().mixes.some((mix) => mix.name === name) || !hasSound()) return;
  state.mix = name;
  showMixes();
  if (state.hears !== null) hear(state.hears);
}

for (const [id, which] of [["hear-recorded", 0], ["hear-proposed", 1]]) {
  byId(id)?.addEventListener("click", () => (state.hears === which ? stop() : hear(which)));
}
byId("mixes")?.addEventListener("change", (event) => setMix(event.target.value));
byId("previous")?.addEventListener("click", () => open(state.number - 1));
byId("next")?.addEventListener("click", () => open(state.number + 1));
list?.addEventListener("click", (event) => {
  const entry = event.target.closest("[role=option]");
  if (entry) open(entries.indexOf(entry), { focus: true });
});
