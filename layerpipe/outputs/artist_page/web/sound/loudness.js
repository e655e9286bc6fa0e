// Loudness of any mix of the layers from their inner products: ITU-R BS.1770-5, Annex 1, equations 2 and 4 to 7.
// `products` holds, for each 400 ms block, the packed upper triangle (rows first) of the mean K-weighted products.

const ABSOLUTE_GATE = 10 ** ((-70 + 0.691) / 10);

function blockPowers(products, gains) {
  const count = gains.length;
  const pairs = count * (count + 1) / 2;
  const weights = new Float64Array(pairs);
  let pair = 0;
  for (let row = 0; row < count; row += 1) {
    for (let column = row; column < count; column += 1) {
      weights[pair] = gains[row] * gains[column] * (row === column ? 1 : 2);
      pair += 1;
    }
  }
  const powers = new Float64Array(products.length / pairs);
  for (let block = 0; block < powers.length; block += 1) {
    let sum = 0;
    for (let at = 0; at < pairs; at += 1) sum += weights[at] * products[block * pairs + at];
    powers[block] = Math.max(sum, 0);
  }
  return powers;
}

function meanAbove(powers, gate) {
  let sum = 0;
  let count = 0;
  for (const power of powers) {
    if (power > gate) {
      sum += power;
      count += 1;
    }
  }
  return count ? sum / count : 0;
}

// LUFS; -Infinity where nothing passes the absolute gate.
function integratedLoudness(products, gains) {
  const powers = blockPowers(products, gains);
  const relativeGate = meanAbove(powers, ABSOLUTE_GATE) / 10;
  const mean = meanAbove(powers, Math.max(relativeGate, ABSOLUTE_GATE));
  return mean > 0 ? -0.691 + 10 * Math.log10(mean) : -Infinity;
}

function gainOfDb(level) {
  return level === -Infinity ? 0 : 10 ** (level / 20);
}

// The factor that brings a mix to the section's loudness. If a mix does not fit below the ceiling at that loudness, the
// whole section is lowered, so that all its settings stay equally loud.
function masterGain(section, gains, ceiling) {
  const loudness = integratedLoudness(section.products, gains);
  if (loudness === -Infinity) return 0;
  const highest = highestSample(section, gains);
  if (highest > 0) section.reference = Math.min(section.reference, loudness + 20 * Math.log10(ceiling / highest));
  return gainOfDb(section.reference - loudness);
}

// The highest sample of the mix, exactly, in what is decoded. In a short stretch no sample exceeds the sum of the layers' peaks there, so only
// stretches in which that sum exceeds the highest sample found so far are searched.
function highestSample({ decoded }, gains) {
  return Math.max(0, ...Array.from(decoded.values(), (piece) => highestInPiece(piece, gains)));
}

function highestInPiece({ peaks, samples }, gains) {
  const sounding = peaks.map((_, layer) => layer).filter((layer) => gains[layer] > 0);
  if (!sounding.length) return 0;
  const bounds = new Float64Array(peaks[0].length);
  for (const layer of sounding) {
    for (let at = 0; at < bounds.length; at += 1) bounds[at] += gains[layer] * peaks[layer][at];
  }
  const likeliest = bounds.reduce((best, bound, at) => (bound > bounds[best] ? at : best), 0);
  let highest = highestInStretch(samples, gains, sounding, likeliest);
  for (let at = 0; at < bounds.length; at += 1) {
    if (bounds[at] > highest) highest = Math.max(highest, highestInStretch(samples, gains, sounding, at));
  }
  return highest;
}

function highestInStretch(samples, gains, sounding, stretch) {
  let highest = 0;
  for (let side = 0; side < 2; side += 1) {
    const stop = Math.min((stretch + 1) * STRETCH, samples[sounding[0]].sides[side].length);
    for (let at = stretch * STRETCH; at < stop; at += 1) {
      let sum = 0;
      for (const layer of sounding) sum += gains[layer] * samples[layer].gain * samples[layer].sides[side][at];
      if (Math.abs(sum) > highest) highest = Math.abs(sum);
    }
  }
  return highest;
}
