// What the artist did in each part is remembered by this browser as it happens, where the browser allows it. Two tabs
// with the same page share one memory: of each part the later edit counts. Parts are found by name, because a newer
// version of a served page may have others.

const STORED = `layerpipe page ${song.id}`;
const LONGEST_COMMENT = 280;
const MOST_COMPARED = 50;

function browserMemory() {
  try {
    return window.localStorage;
  } catch (refusal) {
    if (refusal.name !== "SecurityError") throw refusal;
    return null;
  }
}

// JSON has no infinity: off is null.
const plainLevels = (levels) => levels && levels.map((level) => (level === OFF ? null : level));

function isLevels(levels) {
  return Array.isArray(levels) && levels.length === song.layers.length
    && levels.every((level) => level === null || (Number.isFinite(level) && Math.abs(level) <= 200));
}

const isCount = (count) => Number.isSafeInteger(count) && count >= 0;

function isCompared(row) {
  return Array.isArray(row?.pair) && row.pair.length === 2 && row.pair.every(isLevels)
    && Array.isArray(row.counts) && row.counts.length === 2 && row.counts.every(isCount) && isCount(row.neither);
}

// A part as it was stored, or null where that is damaged. Levels that were as the engineer proposed follow what the
// engineer proposes now.
function storedPart(stored, section) {
  const whole = isCount(stored?.edit) && isLevels(stored.proposed) && isLevels(stored.levels) && (stored.saved === null || isLevels(stored.saved))
    && typeof stored.comment === "string" && stored.comment.length <= LONGEST_COMMENT
    && Array.isArray(stored.compared) && stored.compared.length <= MOST_COMPARED && stored.compared.every(isCompared);
  if (!whole) return null;
  const { edit, comment, proposed, saved, compared } = stored;
  const levels = stored.levels.map((level, layer) => (level === proposed[layer] ? section.proposed[layer] : fromFacts(level)));
  return {
    edit, comment, levels, saved: saved && saved.map(fromFacts),
    compared: compared.map(({ pair, counts, neither }) => ({ pair: pair.map((one) => one.map(fromFacts)), counts, neither })),
  };
}

function storedParts() {
  let stored;
  try {
    stored = JSON.parse(browserMemory()?.getItem(STORED) ?? "[]");
  } catch (refusal) {
    if (!(refusal instanceof SyntaxError)) throw refusal;
  }
  return song.sections.map((section) => {
    const mine = Array.isArray(stored) ? stored.find((one) => one?.name === section.name) : null;
    return mine ? storedPart(mine, section) : null;
  });
}

// Takes what another tab, or this page before it was closed, did later than this one; whether anything changed.
function recall() {
  let changed = false;
  storedParts().forEach((stored, number) => {
    if (!stored || stored.edit <= state.parts[number].edit) return;
    state.parts[number] = stored;
    changed = true;
  });
  return changed;
}

// Call after every change of this part.
function remember() {
  const mine = part();
  const stored = storedParts();
  mine.edit = Math.max(mine.edit, stored[state.number]?.edit ?? 0) + 1;
  mine.compared = mine.compared.slice(-MOST_COMPARED);
  recall();
  const plain = state.parts.map(({ edit, comment, levels, saved, compared }, number) => ({
    name: song.sections[number].name, proposed: plainLevels(song.sections[number].proposed),
    edit, comment, levels: plainLevels(levels), saved: plainLevels(saved),
    compared: compared.map(({ pair, counts, neither }) => ({ pair: pair.map(plainLevels), counts, neither })),
  }));
  try {
    browserMemory()?.setItem(STORED, JSON.stringify(plain));
  } catch (refusal) {
    if (refusal.name !== "QuotaExceededError") throw refusal;
  }
}

function showRecalled() {
  if (state.comparison || !recall()) return;
  if (byId("comment") !== document.activeElement) showSection();
  else showLevels();
  showSaved();
  sound();
}

window.addEventListener("storage", (event) => { if (event.key === STORED) showRecalled(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden) showRecalled(); });
