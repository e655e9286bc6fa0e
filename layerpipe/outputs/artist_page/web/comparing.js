// Comparing on the page: two settings are picked, heard as first and second, judged, and counted.

// What can be compared in this section: name and levels.
function choices() {
  const kept = state.kept.get(state.number);
  return [
    { name: "as it is set now", levels: [...current().levels] },
    { name: "as the engineer has it", levels: markedLevels("now") },
    ...song.marks.map((mark, at) => ({ name: mark.name, levels: markedLevels(at) })),
    ...(kept ? [{ name: "what you kept", levels: [...kept.levels] }] : []),
    { name: `${song.layers[0]} alone`, levels: current().levels.map((level, layer) => (layer ? OFF : level)) },
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
    byId("compare-problem").textContent = "These two are the same. Pick another one, or slide first.";
    return;
  }
  byId("compare-problem").textContent = "";
  state.comparison = new Comparison(named(one), named(other));
  listenTo(null);
  waitWith(true);
  showComparison("play");
  for (const id of ["first-better", "second-better", "no-difference"]) byId(id).disabled = true;
  hear(0);
  byId("hear-first").focus();
}

// While two settings are compared nothing else is set or kept.
function waitWith(waiting) {
  for (const id of ["setting", "alone", "keep"]) {
    byId(id).classList.toggle("waiting", waiting);
    byId(id).inert = waiting;
  }
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
  waitWith(false);
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

if (byId("one")) {
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
}
