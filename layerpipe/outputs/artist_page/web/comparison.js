// Blind comparison: two settings in a hidden order. Each starts after a short silence and from the same place, so that
// neither the way it starts nor what played before shows which one it is.

const BLIND_SILENCE_S = 0.4;

class Comparison {
  constructor(one, other, startS) {
    const swapped = crypto.getRandomValues(new Uint8Array(1))[0] & 1;
    this.order = swapped ? [other, one] : [one, other];
    this.startS = startS;
    this.heard = [false, false];
    this.now = 0;
  }

  hear(place) {
    this.now = place;
    this.heard[place] = true;
  }

  get bothHeard() {
    return this.heard[0] && this.heard[1];
  }
}

const sameLevels = (one, other) => one.every((level, layer) => level === other[layer]);

// Count one choice; `preferred` is 0 or 1, the place in the order, or null where no difference was heard.
function countChoice(compared, comparison, preferred) {
  const pair = comparison.order.map(({ levels }) => levels.map(roundedLevel));
  let row = compared.find((known) => [pair, [pair[1], pair[0]]].some((two) => two.every((levels, at) => sameLevels(levels, known.pair[at]))));
  if (!row) {
    row = { pair, counts: [0, 0], neither: 0 };
    compared.push(row);
  }
  if (preferred === null) row.neither += 1;
  else row.counts[row.pair.findIndex((levels) => sameLevels(levels, pair[preferred]))] += 1;
}

// What can be compared in this part: names and levels. Equal settings are one choice.
function choices() {
  const { levels, saved } = part();
  const all = [
    ["current setting", levels],
    ["engineer\u2019s setting", settingLevels("engineer")],
    ...song.settings.map(({ name }, at) => [isolated(name), settingLevels(at)]),
    ...(saved ? [["your saved setting", saved]] : []),
    [`${isolated(song.layers[0])} alone`, levels.map((level, layer) => (layer ? OFF : level))],
  ];
  const different = [];
  for (const [name, wanted] of all) {
    const known = different.find((choice) => sameLevels(choice.levels, wanted));
    if (known) known.name += `, ${name}`;
    else different.push({ name, levels: [...wanted] });
  }
  return different;
}

// Until the artist picks, the current setting is compared with the first other one.
function showChoices() {
  if (!byId("setting-1")) return;
  const all = choices();
  for (const [id, preset] of [["setting-1", 0], ["setting-2", 1]]) {
    const select = byId(id);
    const picked = select.dataset.picked ? select.selectedIndex : preset;
    select.replaceChildren(...all.map(({ name, levels }) => make("option", `${name} (${settingShown(levels)})`)));
    select.selectedIndex = Math.min(picked, all.length - 1);
  }
}

function startComparison(one, other) {
  if (sameLevels(one.levels, other.levels)) {
    byId("compare-problem").textContent = "These two are the same. Pick another one, or move a slider first.";
    return;
  }
  byId("compare-problem").textContent = "";
  const startS = player.section === current() ? player.position : 0;
  state.comparison = new Comparison(one, other, startS);
  listenTo(null);
  setAside(true);
  showComparison("play");
  for (const id of ["first-better", "second-better", "no-difference"]) byId(id).disabled = true;
  hear(0);
  byId("hear-first").focus();
}

// During a comparison nothing else is set or saved.
function setAside(aside) {
  for (const id of ["setting", "alone", "saving", "save"]) {
    byId(id).classList.toggle("aside", aside);
    byId(id).inert = aside;
  }
}

function hear(place) {
  const { comparison } = state;
  comparison.hear(place);
  byId("hear-first").setAttribute("aria-pressed", String(place === 0));
  byId("hear-second").setAttribute("aria-pressed", String(place === 1));
  if (comparison.bothHeard) {
    for (const id of ["first-better", "second-better", "no-difference"]) byId(id).disabled = false;
  }
  player.silence();
  playFrom(comparison.startS, BLIND_SILENCE_S);
}

function judge(preferred) {
  const { comparison } = state;
  countChoice(part().compared, comparison, preferred);
  remember();
  const [first, second] = comparison.order.map(({ levels }) => settingShown(levels));
  byId("verdict").textContent = preferred === null
    ? `No difference to you. The first was ${first}; the second was ${second}.`
    : `You liked the ${preferred ? "second" : "first"} better: ${preferred ? second : first}. The other was ${preferred ? first : second}.`;
  byId("compare-use").hidden = preferred === null;
  state.judged = { order: comparison.order, preferred };
  leaveComparison();
  showComparison("result");
  showSaved();
  byId("verdict").focus();
}

function leaveComparison() {
  state.comparison = null;
  setAside(false);
  sound();
}

function endComparison() {
  if (!byId("setting-1")) return;
  if (state.comparison) leaveComparison();
  showComparison("ask");
}

function showComparison(shown) {
  for (const name of ["ask", "play", "result"]) byId(`compare-${name}`).hidden = name !== shown;
}

function showTally() {
  const rows = state.parts.flatMap(({ compared }, number) => compared.map((row) => ({ ...row, section: song.sections[number].name })));
  byId("tally").replaceChildren(...rows.map(({ section, pair, counts, neither }) => {
    const counted = pair.map((levels, at) => `${settingShown(levels)}: chosen ${times(counts[at])}`);
    if (neither) counted.push(`no difference ${times(neither)}`);
    return make("li", "", [make("bdi", section), ` \u2013 ${counted.join("; ")}`]);
  }));
}

if (byId("setting-1")) {
  for (const id of ["setting-1", "setting-2"]) byId(id).addEventListener("change", () => { byId(id).dataset.picked = "yes"; });
  byId("compare-start").addEventListener("click", () => {
    const all = choices();
    startComparison(all[byId("setting-1").selectedIndex], all[byId("setting-2").selectedIndex]);
  });
  byId("hear-first").addEventListener("click", () => hear(0));
  byId("hear-second").addEventListener("click", () => hear(1));
  byId("first-better").addEventListener("click", () => judge(0));
  byId("second-better").addEventListener("click", () => judge(1));
  byId("no-difference").addEventListener("click", () => judge(null));
  byId("compare-stop").addEventListener("click", () => {
    endComparison();
    byId("compare-start").focus();
  });
  byId("compare-done").addEventListener("click", () => {
    endComparison();
    byId("compare-start").focus();
  });
  byId("compare-again").addEventListener("click", () => startComparison(...state.judged.order));
  byId("compare-use").addEventListener("click", () => {
    const { order, preferred } = state.judged;
    endComparison();
    setLevels([...order[preferred].levels]);
    sliders[0].input.focus();
  });
}
