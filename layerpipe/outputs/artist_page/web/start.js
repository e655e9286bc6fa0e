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
  // Stereo samples of a section at given levels, from `from` seconds; `moves` are [seconds, levels] and glide as a slider does.
  async render(number, { levels, alone = null, bed = false, seconds, from = 0, moves = [], master = true }) {
    const section = song.sections[number];
    const context = new OfflineAudioContext(2, Math.round(seconds * song.rate), song.rate);
    let frame = Math.round(from * song.rate) % section.frames;
    let piece = pieceAt(section, frame);
    const pieces = [];
    let frames = 0;
    do {
      pieces.push({ piece, frame, buffers: await decodePiece(context, section, number, piece) });
      frames += pieceSpan(section, piece)[1] - frame;
      piece = (piece + 1) % section.starts.length;
      [frame] = pieceSpan(section, piece);
    } while (section.starts.length > 1 && frames < seconds * song.rate);
    const gains = (wanted) => {
      const mix = mixOf(wanted.map(fromFacts), alone, bed);
      return master ? gainsOf(section, mix) : mix;
    };
    const joined = joinVoices(context, section, gains(levels), context.destination);
    for (const one of pieces) startPiece(joined, one.buffers, one.piece, one.frame, joined.next ? joined.next.when : 0, song.rate);
    for (const [at, wanted] of moves) context.suspend(at).then(() => { glideTo(joined, gains(wanted), context.currentTime); context.resume(); });
    const rendered = await context.startRendering();
    return [0, 1].map((side) => rendered.getChannelData(side));
  },
};
