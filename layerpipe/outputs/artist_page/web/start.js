// Everything is ready: show the page, hide what is for browsers in which no script runs.

showSection();
byId("page").hidden = false;
document.documentElement.classList.add("scripted");
wholePage().then(() => byId("players")?.remove());

// For tests: the same graph and gains, rendered without a device.
globalThis.layerpipePage = {
  player,
  state,
  song,
  part,
  gains: () => mixOf(soundingLevels(), state.alone, state.bed),
  loudness: (number, levels) => integratedLoudness(song.sections[number].products, mixOf(levels.map(fromFacts))),
  // Stereo samples of a section at given levels; `moves` are [seconds, levels] and glide as a slider does.
  async render(number, { levels, alone = null, bed = false, seconds, moves = [], master = true }) {
    const section = song.sections[number];
    const context = new OfflineAudioContext(2, Math.round(seconds * song.rate), song.rate);
    const buffers = await decodeSection(context, section, number);
    const gains = (wanted) => {
      const mix = mixOf(wanted.map(fromFacts), alone, bed);
      return master ? gainsOf(section, mix) : mix;
    };
    const joined = joinVoices(context, buffers, section.gains, gains(levels), context.destination);
    startVoices(joined, 0, 0);
    for (const [at, wanted] of moves) context.suspend(at).then(() => { glideTo(joined, gains(wanted), context.currentTime); context.resume(); });
    const rendered = await context.startRendering();
    return [0, 1].map((side) => rendered.getChannelData(side));
  },
};
