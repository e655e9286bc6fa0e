// Taps and keys.

function listenTo(alone) {
  state.alone = alone;
  document.querySelector(`[name="alone"][value="${alone ?? "all"}"]`).checked = true;
}

function setLevels(levels) {
  part().levels = levels;
  remember();
  listenTo(null);
  showLevels();
  sound();
}

function seek(seconds) {
  const place = Math.min(Math.max(seconds, 0), lengthOf(current()) - 0.01);
  const goesOn = player.playing || player.starting;
  if (!goesOn || !player.has(current(), state.number, place)) {
    player.silence();
    Object.assign(player, { section: current(), offset: place });
    showPlace();
  }
  if (goesOn) playFrom(place);
}

// Arrow keys move by a beat, page keys by a bar; by a second where the song has no bars.
function seekBy(key) {
  const forward = ["ArrowRight", "ArrowUp", "PageUp"].includes(key);
  const now = Number(byId("place").value);
  const { beats, bars } = current();
  let places = key.startsWith("Page") ? bars.map(([, seconds]) => seconds) : beats;
  if (!places.length) places = Array.from({ length: Math.ceil(lengthOf(current())) }, (_, second) => second);
  const next = forward ? places.find((place) => place > now + 0.02) : places.filter((place) => place < now - 0.02).pop();
  if (next !== undefined || !forward) seek(next ?? 0);
}

for (const button of document.querySelectorAll("[data-play]")) {
  button.addEventListener("click", () => {
    if (player.playing) pause();
    else if (state.comparison) hear(state.comparison.now);
    else playFrom(player.offset);
  });
}

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

byId("place").addEventListener("input", (event) => seek(Number(event.target.value)));
byId("place").addEventListener("keydown", (event) => {
  if (!/^(Arrow|Page)/.test(event.key) || event.altKey || event.ctrlKey || event.metaKey) return;
  event.preventDefault();
  seekBy(event.key);
});
dragSlider(byId("wave"), byId("place"));

for (const { input, layer, low } of sliders) {
  input.addEventListener("input", () => {
    const value = Number(input.value);
    const levels = [...part().levels];
    levels[layer] = value < low - song.step / 2 ? OFF : value;
    setLevels(levels);
  });
  dragSlider(input.parentElement, input, { relative: true, thumbPx: 25.6 });
}

byId("alone").addEventListener("change", (event) => {
  listenTo(event.target.value === "all" ? null : Number(event.target.value));
  sound();
});

byId("bed")?.addEventListener("change", (event) => {
  state.bed = event.target.checked;
  sound();
});

for (const button of document.querySelectorAll("[data-setting]")) {
  button.addEventListener("click", () => setLevels(settingLevels(button.dataset.setting)));
}
