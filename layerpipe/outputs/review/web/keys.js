// Keys as the ARIA Authoring Practices give them to a list box with check marks: arrows, Home, End and Page keys move,
// Space checks, Enter does the default action, which here is to play. Left and right are the two states, side by side.

const MOVES = { ArrowUp: -1, ArrowDown: 1, PageUp: -10, PageDown: 10, Home: -Infinity, End: Infinity };
const KEY_MIXES = ["alone", "double", "blend"];

function actOn(key) {
  if (key in MOVES) {
    open(state.number + MOVES[key], { focus: true });
  } else if (key === "ArrowLeft" || key === "ArrowRight") {
    hear(Number(key === "ArrowRight"));
  } else if (key === "Enter") {
    if (state.hears === null) hear(0);
    else stop();
  } else if (key === " ") {
    tick(state.number, !state.ticked.has(state.number));
  } else if (KEY_MIXES[Number(key) - 1]) {
    setMix(KEY_MIXES[Number(key) - 1]);
  } else {
    return false;
  }
  return true;
}

document.addEventListener("keydown", (event) => {
  if (!entries.length || event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
  const inList = event.target === document.body || event.target.closest?.("#findings");
  // A button or a check box keeps Enter and Space to itself; radio buttons, text and what scrolls keep all their keys.
  const isButton = event.target.closest?.("button, #accept");
  if (!inList && !(isButton && event.key !== " " && event.key !== "Enter")) return;
  if (actOn(event.key)) event.preventDefault();
});

// ---- Everything is ready ----

document.documentElement.classList.add("scripted");
if (entries.length) {
  for (const id of ["detail", "sending", "keys"]) byId(id).hidden = false;
  recall();
  open(0);
  showAccepted();
}

// For tests: the mixed sound of a finding as it is played.
globalThis.layerpipeReview = {
  song,
  state,
  listener,
  curves: crossfadeCurves,
  async mixed(number, name, which) {
    const context = new OfflineAudioContext(2, 1, song.rate);
    const decoded = await decodedItem(context, song.items[number]);
    return mixedSides(song.items[number], decoded, name, which, song.rate);
  },
};
