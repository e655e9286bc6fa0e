// A fair comparison: two settings in a hidden order, and a count of what was preferred.

class Comparison {
  // Each of the two: { name, levels }.
  constructor(one, other) {
    const swapped = crypto.getRandomValues(new Uint8Array(1))[0] & 1;
    this.order = swapped ? [other, one] : [one, other];
    this.heard = [false, false];
    this.now = 0;
  }

  hear(place) {
    this.now = place;
    this.heard[place] = true;
    return this.order[place];
  }

  get bothHeard() {
    return this.heard[0] && this.heard[1];
  }
}

class Tally {
  constructor() {
    this.rows = new Map();
  }

  // `preferred` is 0 or 1, the place in the order, or null where no difference was heard.
  add(section, comparison, preferred) {
    const pair = comparison.order.map((setting) => setting.name).sort();
    const key = JSON.stringify([section, ...pair]);
    if (!this.rows.has(key)) this.rows.set(key, { section, pair, counts: [0, 0], neither: 0 });
    const row = this.rows.get(key);
    if (preferred === null) row.neither += 1;
    else row.counts[pair.indexOf(comparison.order[preferred].name)] += 1;
  }
}
