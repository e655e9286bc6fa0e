// The page is ready: show it. And a door for tests.

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
