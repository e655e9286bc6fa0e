// The letter itself: what is shown, and what a touch or a key does.

const byId = (id) => document.getElementById(id);
const song = JSON.parse(byId("facts").textContent);
const OFF = -Infinity;
const fromFacts = (level) => (level === null ? OFF : level);

for (const section of song.sections) {
  const bytes = Uint8Array.from(atob(section.products), (letter) => letter.charCodeAt(0));
  section.products = new Float64Array(bytes.buffer);
  section.proposed = section.levels.map(fromFacts);
  section.levels = [...section.proposed];
  section.peaks = [];
  section.samples = [];
}

const player = new Player(song.rate);
const tally = new Tally();
const state = { number: 0, alone: null, bed: false, comparison: null, kept: new Map() };
const current = () => song.sections[state.number];

// ---- What sounds ----

// Gains of every layer, and of the bed if there is one, before the master.
function mixOf(levels, alone = null, bed = false) {
  const gains = levels.map((level, layer) => (alone === null ? gainOfDb(level) : Number(layer === alone)));
  if (song.bed) gains.push(Number(bed && alone === null));
  return gains;
}

function soundingLevels() {
  const { comparison } = state;
  return comparison ? comparison.order[comparison.now].levels : current().levels;
}

function gainsOf(section, mix) {
  const master = masterGain(section, mix, song.ceiling);
  return mix.map((gain) => gain * master);
}

function gainsNow() {
  return gainsOf(current(), mixOf(soundingLevels(), state.alone, state.bed));
}

const sound = () => player.glide(gainsNow());

async function playFrom(offset) {
  if (!player.playing) say("Getting ready …", { shown: true });
  try {
    if (!(await player.play(current(), state.number, offset, gainsNow))) return;
  } catch (refusal) {
    say(`This browser cannot play the sound (${refusal.message || refusal.name}). Please try another one.`, { shown: true });
    return;
  }
  say(`Playing ${current().name}`);
  showTurn();
  requestAnimationFrame(follow);
}

function pause() {
  player.pause();
  say("Paused");
  showTurn();
  showPlace();
}

// ---- What is shown ----

// Read aloud; shown only where eyes need it too.
function say(text, { shown = false } = {}) {
  byId("status").textContent = text;
  byId("status").classList.toggle("quiet", !shown);
}

const levelShown = (level) => (level === OFF ? "off" : `${levelText(level).replace("-", "\u2212").replace(" ", "\u00a0")}`);
const levelSpoken = (level) => (level === OFF ? "off" : `${level < 0 ? "minus " : ""}${Math.abs(roundedLevel(level))} decibels`);
const clockShown = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
const lengthOf = (section) => section.frames / song.rate;
const settingShown = (levels) => song.layers.slice(1).map((name, at) => `${name} ${levelShown(levels[at + 1])}`).join(", ");

function make(tag, text = "", children = []) {
  const element = document.createElement(tag);
  element.textContent = text;
  element.append(...children);
  return element;
}

// A slider reaches from one step under the lowest level, which is off, to the highest; the recipe's own levels fit.
function rangeOf(layer) {
  const named = song.sections.map((section) => section.proposed[layer])
    .concat(song.marks.flatMap((mark) => mark.levels.filter(([of]) => of === layer).map(([, level]) => fromFacts(level))))
    .filter((level) => level !== OFF);
  const low = Math.floor(Math.min(song.low, ...named) / song.step) * song.step;
  const high = Math.ceil(Math.max(song.high, ...named) / song.step) * song.step;
  return { off: low - song.step, low, high };
}

const sliders = Array.from(document.querySelectorAll("[data-layer]"), (input) => {
  const layer = Number(input.dataset.layer);
  const range = rangeOf(layer);
  Object.assign(input, { min: range.off, max: range.high, step: song.step });
  input.addEventListener("input", () => {
    const value = Number(input.value);
    current().levels[layer] = value < range.low - song.step / 2 ? OFF : value;
    listenTo(null);
    showLevels();
    sound();
  });
  return { input, layer, range };
});

function showLevels() {
  const levels = current().levels;
  for (const { input, layer, range } of sliders) {
    const level = levels[layer];
    input.value = level === OFF ? range.off : level;
    input.setAttribute("aria-valuetext", levelSpoken(level));
    input.style.setProperty("--filled", `${(100 * (input.value - input.min)) / (input.max - input.min)}%`);
    byId(`said-${layer}`).textContent = levelShown(level);
  }
  for (const button of document.querySelectorAll("[data-mark]")) {
    const wanted = markedLevels(button.dataset.mark);
    button.setAttribute("aria-pressed", String(wanted.every((level, layer) => level === levels[layer])));
  }
  showChoices();
  showKeptHere();
}

// A mark's levels in this section; what it does not name stays.
function markedLevels(mark) {
  if (mark === "now") return [...current().proposed];
  const levels = [...current().levels];
  for (const [layer, level] of song.marks[Number(mark)].levels) levels[layer] = fromFacts(level);
  return levels;
}

function showSection() {
  const section = current();
  const heights = section.waveform;
  const path = `M0,100${heights.map((height, at) => `L${((at + 0.5) * 1000) / heights.length},${99 - height * 95}`).join("")}L1000,100Z`;
  byId("outline").setAttribute("d", path);
  byId("heard").setAttribute("d", path);
  // On a phone there is room for eight numbers.
  const every = Math.ceil(section.bars.length / 8);
  byId("bars").replaceChildren(...section.bars.map(([bar, seconds], at) => {
    const mark = make("span", at % every ? "" : `${at ? "" : "bar "}${bar}`);
    mark.style.setProperty("left", `${(100 * seconds) / lengthOf(section)}%`);
    return mark;
  }));
  byId("place").max = lengthOf(section);
  if (byId("for-section")) byId("for-section").textContent = section.name;
  if (byId("remark")) byId("remark").value = state.kept.get(state.number)?.remark ?? "";
  showLevels();
  showPlace();
}

function showPlace() {
  const seconds = player.section === current() ? player.position : 0;
  const share = seconds / lengthOf(current());
  const place = byId("place");
  place.value = seconds;
  const bar = current().bars.filter(([, start]) => start <= seconds + 0.005).pop();
  const spoken = `${bar ? `bar ${bar[0]}, ` : ""}${Math.floor(seconds)} of ${Math.round(lengthOf(current()))} seconds`;
  if (place.getAttribute("aria-valuetext") !== spoken) place.setAttribute("aria-valuetext", spoken);
  byId("heard").style.setProperty("--heard", `${100 * share}%`);
  const clock = `${clockShown(seconds)} of ${clockShown(lengthOf(current()))}`;
  if (byId("clock").textContent !== clock) byId("clock").textContent = clock;
}

const showTurn = () => { byId("play").textContent = player.playing ? "Pause" : "Play"; };

// A call, a locked screen or an unplugged loudspeaker may stop the sound from outside.
player.stopped = () => {
  if (player.playing) pause();
};

function follow() {
  if (!player.playing) return;
  showPlace();
  requestAnimationFrame(follow);
}

function listenTo(alone) {
  state.alone = alone;
  document.querySelector(`[name="alone"][value="${alone ?? "all"}"]`).checked = true;
}

// ---- Touches and keys ----

byId("play").addEventListener("click", () => (player.playing ? pause() : playFrom(player.offset)));

byId("sections").addEventListener("change", (event) => {
  endComparison();
  const wasPlaying = player.playing;
  state.number = Number(event.target.value);
  if (!wasPlaying) {
    player.pause();
    player.offset = 0;
  }
  showSection();
  if (wasPlaying) playFrom(0);
});

byId("place").addEventListener("input", (event) => {
  const seconds = Math.min(Number(event.target.value), lengthOf(current()) - 0.01);
  if (player.playing) {
    playFrom(seconds);
  } else {
    Object.assign(player, { section: current(), offset: seconds });
    showPlace();
  }
});

byId("alone").addEventListener("change", (event) => {
  listenTo(event.target.value === "all" ? null : Number(event.target.value));
  sound();
});

byId("bed")?.addEventListener("change", (event) => {
  state.bed = event.target.checked;
  sound();
});

for (const button of document.querySelectorAll("[data-mark]")) {
  button.addEventListener("click", () => {
    current().levels = markedLevels(button.dataset.mark);
    listenTo(null);
    showLevels();
    sound();
  });
}
