// The page: its state, what sounds, and what is shown.

const song = JSON.parse(byId("facts").textContent);
const fromFacts = (level) => (level === null ? OFF : level);

for (const section of song.sections) {
  const bytes = Uint8Array.from(atob(section.products), (sign) => sign.charCodeAt(0));
  section.products = new Float64Array(bytes.buffer);
  section.proposed = section.levels.map(fromFacts);
  section.decoded = new Map();
}
for (const setting of song.settings) setting.levels = setting.levels.map(([layer, level]) => [layer, fromFacts(level)]);

// What the artist has done in each part. `saved` are the levels to send, or null; `edit` orders what two tabs did.
const newPart = (section) => ({ levels: [...section.proposed], comment: "", saved: null, compared: [], edit: 0 });
const player = new Player(song.rate);
const state = { number: firstPart(), alone: null, bed: false, comparison: null, parts: song.sections.map(newPart) };
const current = () => song.sections[state.number];
const part = () => state.parts[state.number];

// The first part in which there is something to set: a layer with a slider that sounds and is on.
function firstPart() {
  const hasSound = (section, layer) => layer > 0 && !isSilent(section, layer);
  const isOn = (section) => section.proposed.some((level, layer) => hasSound(section, layer) && level !== OFF);
  const on = song.sections.findIndex(isOn);
  if (on >= 0) return on;
  return Math.max(0, song.sections.findIndex((section) => section.proposed.some((_, layer) => hasSound(section, layer))));
}

// ---- What sounds ----

// Gains of every layer, and of the bed if there is one, before the master.
function mixOf(levels, alone = null, bed = false) {
  const gains = levels.map((level, layer) => (alone === null ? gainOfDb(level) : Number(layer === alone)));
  if (song.bed) gains.push(Number(bed && alone === null));
  return gains;
}

function soundingLevels() {
  const { comparison } = state;
  return comparison ? comparison.order[comparison.now].levels : part().levels;
}

function gainsOf(section, mix) {
  const master = masterGain(section, mix, song.ceiling);
  return mix.map((gain) => gain * master);
}

function gainsNow() {
  return gainsOf(current(), mixOf(soundingLevels(), state.alone, state.bed));
}

const sound = () => player.glide(gainsNow());

async function playFrom(offset, silenceS = 0) {
  if (!player.has(current(), state.number, offset)) say("Getting ready …", { shown: true });
  try {
    if (!(await player.play(current(), state.number, offset, gainsNow, silenceS))) return;
  } catch (refusal) {
    say(refusalWords(refusal), { shown: true });
    showPlaying();
    return;
  }
  say(`Playing ${current().name}`);
  showPlaying();
  requestAnimationFrame(follow);
}

function refusalWords(refusal) {
  if (refusal instanceof SoundHeld) return "The sound did not start. Tap Play again.";
  if (refusal instanceof SoundMissing) return `The sound could not be loaded (${refusal.message}). Tap Play to try again.`;
  return `This browser cannot play the sound (${refusal.message || refusal.name}). Please try another one.`;
}

// A later piece of a long part did not come, or came too late.
player.failed = (refusal) => pause(refusalWords(refusal), { shown: true });
player.late = (seconds) => playFrom(seconds);

function pause(words = "Paused", options = {}) {
  player.pause();
  say(words, options);
  showPlaying();
  showPlace();
}

// A call, a locked screen or an unplugged loudspeaker may stop the sound from outside.
player.stopped = () => {
  if (player.playing) pause("The sound was interrupted. Tap Play to go on.", { shown: true });
};

// ---- What is shown ----

// Read aloud; visible only where eyes need it too.
function say(text, { shown = false } = {}) {
  byId("status").textContent = text;
  byId("status").classList.toggle("quiet", !shown);
}

const lengthOf = (section) => section.frames / song.rate;

function make(tag, text = "", children = []) {
  const element = document.createElement(tag);
  element.textContent = text;
  element.append(...children);
  return element;
}

const sliders = Array.from(document.querySelectorAll("[data-layer]"), (input) => {
  const layer = Number(input.dataset.layer);
  const [low, high] = song.ranges[layer];
  // The lowest place of the slider, one step below its lowest level, is off.
  Object.assign(input, { min: low - song.step, max: high, step: song.step });
  return { input, layer, low, off: low - song.step };
});

function showLevels() {
  const { levels } = part();
  for (const { input, layer, off } of sliders) {
    const level = levels[layer];
    const words = loudnessWords(current(), levels, layer);
    input.value = level === OFF ? off : level;
    input.setAttribute("aria-valuetext", levelSpoken(level) + (words ? `, ${words}` : ""));
    input.style.setProperty("--filled", `${(100 * (input.value - input.min)) / (input.max - input.min)}%`);
    byId(`level-shown-${layer}`).textContent = levelShown(level);
    byId(`hint-${layer}`).textContent = words;
  }
  for (const button of document.querySelectorAll("[data-setting]")) {
    const wanted = settingLevels(button.dataset.setting);
    button.setAttribute("aria-pressed", String(wanted.every((level, layer) => level === levels[layer])));
  }
  showChoices();
  showSavedHere();
}

// A proposed setting's levels in this part; layers it does not name keep theirs.
function settingLevels(setting) {
  if (setting === "engineer") return [...current().proposed];
  const levels = [...part().levels];
  for (const [layer, level] of song.settings[Number(setting)].levels) levels[layer] = level;
  return levels;
}

function showSection() {
  const section = current();
  const heights = section.waveform;
  const path = `M0,100${heights.map((height, at) => `L${((at + 0.5) * 1000) / heights.length},${99 - height * 95}`).join("")}L1000,100Z`;
  byId("outline").setAttribute("d", path);
  byId("played").setAttribute("d", path);
  // On a phone there is room for eight numbers.
  const every = Math.ceil(section.bars.length / 8);
  byId("bars").replaceChildren(...section.bars.map(([bar, seconds], at) => {
    const line = make("span", at % every ? "" : `${at ? "" : "bar "}${bar}`);
    line.style.setProperty("left", `${(100 * seconds) / lengthOf(section)}%`);
    return line;
  }));
  document.querySelector(`[name="section"][value="${state.number}"]`).checked = true;
  byId("place").max = lengthOf(section);
  if (byId("save")) byId("comment").value = part().comment;
  showLevels();
  showPlace();
}

function showPlace() {
  const seconds = player.section === current() ? player.position : 0;
  const place = byId("place");
  place.value = seconds;
  const bar = current().bars.filter(([, start]) => start <= seconds + 0.005).pop();
  const spoken = `${bar ? `bar ${bar[0]}, ` : ""}${Math.floor(seconds)} of ${Math.round(lengthOf(current()))} seconds`;
  if (place.getAttribute("aria-valuetext") !== spoken) place.setAttribute("aria-valuetext", spoken);
  byId("played").style.setProperty("--played", `${(100 * seconds) / lengthOf(current())}%`);
  const clock = `${clockShown(seconds)} of ${clockShown(lengthOf(current()))}`;
  if (byId("clock").textContent !== clock) byId("clock").textContent = clock;
}

function showPlaying() {
  for (const button of document.querySelectorAll("[data-play]")) button.textContent = player.playing ? "Pause" : "Play";
}

function follow() {
  if (!player.playing) return;
  showPlace();
  requestAnimationFrame(follow);
}
