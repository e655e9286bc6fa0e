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
  if (!player.playing) say("Getting ready …");
  try {
    if (!(await player.play(current(), state.number, offset, gainsNow))) return;
  } catch (refusal) {
    say(`This browser cannot play the sound (${refusal.message || refusal.name}). Please try another one.`);
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

const say = (text) => { byId("status").textContent = text; };
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
  byId(`top-${layer}`).textContent = levelShown(range.high);
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
  byId("bars").replaceChildren(...section.bars.map(([bar, seconds]) => {
    const mark = make("span", String(bar));
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

// ---- The comparison ----

// What can be compared in this section: name and levels.
function choices() {
  const kept = state.kept.get(state.number);
  return [
    { name: "as it is set now", levels: [...current().levels] },
    { name: "as the engineer has it", levels: markedLevels("now") },
    ...song.marks.map((mark, at) => ({ name: mark.name, levels: markedLevels(at) })),
    ...(kept ? [{ name: "what you kept", levels: [...kept.levels] }] : []),
    { name: "all off but the first", levels: current().levels.map((level, layer) => (layer ? OFF : level)) },
  ];
}

const same = (one, other) => one.levels.every((level, layer) => level === other.levels[layer]);

// Until the artist picks, the other is the first that differs from how it is set.
function showChoices() {
  if (!byId("one")) return;
  const all = choices();
  const differs = all.findIndex((choice) => !same(choice, all[0]));
  for (const [id, preset] of [["one", 0], ["other", Math.max(differs, 0)]]) {
    const select = byId(id);
    const picked = select.dataset.picked ? Math.min(select.selectedIndex, all.length - 1) : preset;
    select.replaceChildren(...all.map(({ name, levels }) => make("option", `${name} (${settingShown(levels)})`)));
    select.selectedIndex = picked;
  }
}

function startComparison(one, other) {
  const named = (choice) => ({ name: settingShown(choice.levels), levels: choice.levels });
  if (same(one, other)) {
    byId("compare-problem").textContent = "These two are the same. Pick another one, or move a line first.";
    return;
  }
  byId("compare-problem").textContent = "";
  state.comparison = new Comparison(named(one), named(other));
  listenTo(null);
  byId("setting").classList.add("waiting");
  byId("setting").inert = true;
  byId("alone").disabled = true;
  showComparison("play");
  for (const id of ["first-better", "second-better", "no-difference"]) byId(id).disabled = true;
  hear(0);
  byId("hear-first").focus();
}

function hear(place) {
  state.comparison.hear(place);
  byId("hear-first").setAttribute("aria-pressed", String(place === 0));
  byId("hear-second").setAttribute("aria-pressed", String(place === 1));
  if (state.comparison.bothHeard) {
    for (const id of ["first-better", "second-better", "no-difference"]) byId(id).disabled = false;
  }
  if (player.playing) sound();
  else playFrom(player.offset);
}

function judge(preferred) {
  const { comparison } = state;
  tally.add(current().name, comparison, preferred);
  const [first, second] = comparison.order.map((setting) => setting.name);
  byId("verdict").textContent = preferred === null
    ? `No difference to you. The first was ${first}, the second ${second}.`
    : `You liked the ${preferred ? "second" : "first"} better: ${preferred ? second : first}. The other was ${preferred ? first : second}.`;
  byId("compare-take").hidden = preferred === null;
  state.judged = { order: comparison.order, preferred };
  leaveComparison();
  showComparison("told");
  showTally();
  byId("verdict").focus();
}

function leaveComparison() {
  state.comparison = null;
  byId("setting").classList.remove("waiting");
  byId("setting").inert = false;
  byId("alone").disabled = false;
  sound();
}

function endComparison() {
  if (!byId("one")) return;
  if (state.comparison) leaveComparison();
  showComparison("ask");
}

function showComparison(part) {
  for (const name of ["ask", "play", "told"]) byId(`compare-${name}`).hidden = name !== part;
}

function showTally() {
  byId("tally").replaceChildren(...Array.from(tally.rows.values(), ({ section, pair, counts, neither }) => {
    const counted = pair.map((name, at) => `${name} chosen ${counts[at]}\u00d7`);
    if (neither) counted.push(`no difference ${neither}\u00d7`);
    return make("li", "", [make("bdi", section), ` \u2014 ${counted.join("; ")}`]);
  }));
}

// ---- What is kept and sent back ----

const STORED = `layerpipe ${song.id}`;

function answerEntries() {
  return [...state.kept.keys()].sort((a, b) => a - b).map((number) => {
    const { levels, remark } = state.kept.get(number);
    const named = song.layers.map((name, layer) => [name, levels[layer]]).slice(1);
    return { section: song.sections[number].name, levels: named, remark };
  });
}

function showKept() {
  const entries = answerEntries();
  byId("nothing").hidden = entries.length > 0;
  byId("result").hidden = entries.length === 0;
  byId("line").value = entries.length ? answerLine(song.title, entries) : "";
  byId("kept").replaceChildren(...[...state.kept.keys()].sort((a, b) => a - b).map((number) => {
    const { levels, remark } = state.kept.get(number);
    const { name } = song.sections[number];
    const forget = make("button", "forget");
    Object.assign(forget, { type: "button", className: "plain" });
    forget.setAttribute("aria-label", `Forget what you kept for ${name}`);
    forget.addEventListener("click", () => {
      state.kept.delete(number);
      remember();
      showKept();
      say(`Forgot ${name}`);
      byId("remark").focus();
    });
    const text = make("span", "", [make("bdi", name), ` \u2014 ${settingShown(levels)}`]);
    if (remark) text.append(make("em", remark));
    return make("li", "", [text, forget]);
  }));
  showChoices();
}

// What was kept survives closing the page where the browser allows it; where not, nothing else changes.
function browserMemory() {
  try {
    return window.localStorage;
  } catch (refusal) {
    if (refusal.name !== "SecurityError") throw refusal;
    return null;
  }
}

function remember() {
  const plain = [...state.kept].map(([number, { levels, remark }]) => [number, levels.map((level) => (level === OFF ? null : level)), remark]);
  try {
    browserMemory()?.setItem(STORED, JSON.stringify(plain));
  } catch (refusal) {
    if (refusal.name !== "QuotaExceededError") throw refusal;
  }
}

function recall() {
  for (const [number, levels, remark] of JSON.parse(browserMemory()?.getItem(STORED) ?? "[]")) {
    state.kept.set(number, { levels: levels.map(fromFacts), remark });
  }
}

async function copyLine() {
  byId("line").select();
  if (navigator.clipboard && window.isSecureContext) await navigator.clipboard.writeText(byId("line").value);
  else document.execCommand("copy");
  say("Copied. Paste it into a message.");
  byId("copy").textContent = "Copied";
  setTimeout(() => { byId("copy").textContent = "Copy it"; }, 2000);
}

function saveFile() {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([answerToml(song.title, answerEntries())], { type: "application/toml" }));
  link.download = "levels.toml";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  say("Saved as levels.toml");
}

if (byId("keep")) {
  byId("keep").addEventListener("submit", (event) => {
    event.preventDefault();
    state.kept.set(state.number, { levels: current().levels.map(roundedLevel), remark: cleanRemark(byId("remark").value) });
    remember();
    showKept();
    say(`Kept for ${current().name}: ${settingShown(current().levels)}`);
  });
  for (const id of ["one", "other"]) byId(id).addEventListener("change", () => { byId(id).dataset.picked = "yes"; });
  byId("compare-start").addEventListener("click", () => {
    const all = choices();
    startComparison(all[byId("one").selectedIndex], all[byId("other").selectedIndex]);
  });
  byId("hear-first").addEventListener("click", () => hear(0));
  byId("hear-second").addEventListener("click", () => hear(1));
  byId("first-better").addEventListener("click", () => judge(0));
  byId("second-better").addEventListener("click", () => judge(1));
  byId("no-difference").addEventListener("click", () => judge(null));
  byId("compare-stop").addEventListener("click", endComparison);
  byId("compare-done").addEventListener("click", endComparison);
  byId("compare-again").addEventListener("click", () => startComparison(...state.judged.order));
  byId("compare-take").addEventListener("click", () => {
    current().levels = [...state.judged.order[state.judged.preferred].levels];
    endComparison();
    showLevels();
    sound();
    sliders[0].input.focus();
  });
  byId("copy").addEventListener("click", copyLine);
  byId("save").addEventListener("click", saveFile);
  byId("share").hidden = !navigator.share;
  byId("share").addEventListener("click", () => navigator.share({ text: byId("line").value }).catch((refusal) => {
    if (refusal.name !== "AbortError") say("Sharing did not work here; copy the line instead.");
  }));
  recall();
  showKept();
}
byId("letter").hidden = false;
showSection();

// A door for tests: the same graph and gains, rendered without a device.
globalThis.layerpipeSheet = {
  player,
  state,
  song,
  gains: () => mixOf(soundingLevels(), state.alone, state.bed),
  loudness: (number, levels) => integratedLoudness(song.sections[number].products, mixOf(levels.map(fromFacts))),
  // Stereo samples of a section at given levels; `moves` are [seconds, levels] and glide as a slider does.
  async render(number, { levels, alone = null, bed = false, seconds, moves = [], master = true }) {
    const section = song.sections[number];
    const context = new OfflineAudioContext(2, Math.round(seconds * song.rate), song.rate);
    const buffers = await decodeSection(context, section, number);
    const gains = (wanted) => (master ? gainsOf(section, mixOf(wanted.map(fromFacts), alone, bed)) : mixOf(wanted.map(fromFacts), alone, bed));
    const joined = joinVoices(context, buffers, section.gains, gains(levels), context.destination);
    startVoices(joined, 0, 0);
    for (const [at, wanted] of moves) context.suspend(at).then(() => { glideTo(joined, gains(wanted), context.currentTime); context.resume(); });
    const rendered = await context.startRendering();
    return [0, 1].map((side) => rendered.getChannelData(side));
  },
};
